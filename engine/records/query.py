"""Reads what the record store keeps."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select

from engine.records import tables
from engine.records.opening import open_kept, said


@dataclass(frozen=True, slots=True)
class KeptRun:
    """One run in the records."""

    run: str
    recipe: str
    order: Mapping[str, str]
    cameras: str
    version: str
    started: datetime
    """UTC, without zone."""
    cartons: int


@dataclass(frozen=True, slots=True)
class KeptFinding:
    """One finding in the records."""

    run: str
    trigger: int
    camera: str
    step: str
    value: str
    measured: float | str | None
    unit: str
    limit: Mapping[str, Any]
    margin: float | None
    good: bool
    reason: str


@dataclass(frozen=True, slots=True)
class KeptEvent:
    """Something that happened to the records of a run, as a carton told twice."""

    run: str
    trigger: int | None
    kind: str
    at: datetime
    content: Mapping[str, Any]


class Records:
    """Records opened for reading.

    Parameters
    ----------
    place : str or Path
        Path of an SQLite file, or the URL of a database.

    Raises
    ------
    StoreFault
        When there are none, or they cannot be read.
    """

    def __init__(self, place: str | Path, *, busy_ms: int = 5000) -> None:
        self._place = place
        self._engine = open_kept(place, busy_ms=busy_ms)

    def __enter__(self) -> Records:
        """Give the records themselves."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let go of the database."""
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def runs(self) -> list[KeptRun]:
        """Give every run with its number of cartons, first started first."""
        table = tables.runs
        counted = (
            select(tables.cartons.c.run, func.count().label("cartons"))
            .group_by(tables.cartons.c.run)
            .subquery()
        )
        asked = (
            select(table, func.coalesce(counted.c.cartons, 0).label("cartons"))
            .outerjoin(counted, counted.c.run == table.c.run)
            .order_by(table.c.started, table.c.run)
        )
        with self._reading("reading the runs") as connection:
            return [
                KeptRun(
                    r.run,
                    r.recipe,
                    json.loads(r.order_fields),
                    r.cameras,
                    r.version,
                    r.started,
                    r.cartons,
                )
                for r in connection.execute(asked)
            ]

    def verdicts(self, run: str) -> list[dict[str, Any]]:
        """Give the JSON of every verdict of a run, in order of trigger."""
        table = tables.cartons
        asked = select(table.c.content).where(table.c.run == run).order_by(table.c.trigger)
        with self._reading("reading the cartons") as connection:
            return [json.loads(content) for (content,) in connection.execute(asked)]

    def done(self, run: str) -> frozenset[int]:
        """Give the triggers of a run that are kept."""
        asked = select(tables.cartons.c.trigger).where(tables.cartons.c.run == run)
        with self._reading("reading the cartons") as connection:
            return frozenset(trigger for (trigger,) in connection.execute(asked))

    def findings(
        self, run: str | None = None, *, value: str | None = None, good: bool | None = None
    ) -> list[KeptFinding]:
        """Give findings, of one run, of one value (`camera.step.value`), or only broken ones."""
        table = tables.findings
        asked = select(table).order_by(table.c.run, table.c.trigger, table.c.position)
        if run is not None:
            asked = asked.where(table.c.run == run)
        if value is not None:
            camera, _, rest = value.partition(".")
            step, _, name = rest.partition(".")
            asked = asked.where(
                table.c.camera == camera, table.c.step == step, table.c.value == name
            )
        if good is not None:
            asked = asked.where(table.c.good == good)
        with self._reading("reading the findings") as connection:
            return [_finding(row) for row in connection.execute(asked)]

    def events(self, run: str | None = None) -> list[KeptEvent]:
        """Give the events of one run or of all, in the order they came."""
        table = tables.events
        asked = select(table).order_by(table.c.event)
        if run is not None:
            asked = asked.where(table.c.run == run)
        with self._reading("reading the events") as connection:
            return [
                KeptEvent(r.run, r.trigger, r.kind, r.at, json.loads(r.content))
                for r in connection.execute(asked)
            ]

    @contextmanager
    def _reading(self, doing: str) -> Iterator[Connection]:
        with said(self._place, doing), self._engine.connect() as connection:
            yield connection


def _finding(row: Any) -> KeptFinding:
    measured = row.measured_number if row.measured_text is None else row.measured_text
    return KeptFinding(
        row.run,
        row.trigger,
        row.camera,
        row.step,
        row.value,
        measured,
        row.unit,
        json.loads(row.limit_text),
        row.margin,
        row.good,
        row.reason,
    )
