"""Keeps every verdict of a run in a database."""

from __future__ import annotations

import hashlib
import json
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import Connection, insert, select

from engine.faults import StoreFault
from engine.frame import Frame, TriggerSet
from engine.records import tables
from engine.records.opening import open_store, said
from engine.result import CartonVerdict, RunIdentity, dumps, to_json

NOT_CONTENT = ("ms", "run")
"""Parts of a verdict's JSON that may differ between two tellings of the same thing."""


@dataclass(frozen=True, slots=True)
class _Carton:
    """One carton on its way to the database."""

    trigger: int
    row: Mapping[str, Any]
    findings: Sequence[Mapping[str, Any]]


class RecordStore:
    """A sink that keeps one row a carton, and its findings, under run and trigger.

    Parameters
    ----------
    place : str or Path
        Path of an SQLite file, or the URL of a database.
    identity : RunIdentity
        The run that the verdicts belong to.
    busy_ms : int
        How long to wait for another writer [ms].
    batch : int
        Most cartons that go into one transaction.
    waiting : int
        Most cartons that wait to be written; then `take` waits.
    now : callable
        Gives the time that stands in the records.

    Notes
    -----
    A thread of its own writes what waits as one transaction, so that the cost of making it durable
    is shared; `take` returns before that, `flush` when all is durable. The same carton told again
    changes nothing; another telling of it is kept as an event and never replaces the first.

    Raises
    ------
    StoreFault
        From every method; after a fault nothing more is written, and `take` says so.
    """

    def __init__(
        self,
        place: str | Path,
        identity: RunIdentity,
        *,
        busy_ms: int = 5000,
        batch: int = 64,
        waiting: int = 256,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._place = place
        self._identity = identity
        self._now = now
        self._batch = batch
        self._engine = open_store(place, busy_ms=busy_ms)
        try:
            with said(place, "starting the run"), self._engine.begin() as connection:
                _keep_run(connection, place, identity, _naive(now()))
        except StoreFault:
            self._engine.dispose()
            raise
        self._fault: StoreFault | None = None
        self._lost = 0
        self._closed = False
        self._queue: queue.Queue[_Carton | None] = queue.Queue(maxsize=waiting)
        self._thread = threading.Thread(target=self._write, name="records", daemon=True)
        self._thread.start()

    def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:
        """Take one verdict; it is written soon after."""
        self._refuse_after_fault()
        if self._closed:
            message = f"{self._place}: carton {verdict.trigger} came after the records were closed"
            raise StoreFault(message)
        data = to_json(verdict, self._identity)
        self._queue.put(_carton(verdict.trigger, data, _taken_at(frames), _naive(self._now())))

    def flush(self) -> None:
        """Wait until everything taken so far is durable."""
        self._queue.join()
        self._refuse_after_fault()

    def close(self) -> None:
        """Write what waits and let go of the database; a second call does nothing."""
        if self._closed:
            return
        self._closed = True
        self._queue.put(None)
        self._thread.join()
        self._engine.dispose()
        self._refuse_after_fault()

    def __enter__(self) -> RecordStore:
        """Give the store itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close; a fault in closing does not hide an earlier exception."""
        with suppress(*([StoreFault] if kind else [])):
            self.close()

    def _refuse_after_fault(self) -> None:
        if self._fault is not None:
            message = f"{self._fault}; {self._lost} cartons were not kept"
            raise StoreFault(message) from self._fault

    def _write(self) -> None:
        """Write batches until the end is put in; after a fault, only count what is lost."""
        ended = False
        while not ended:
            batch, ended = self._next_batch()
            if batch and self._fault is None:
                try:
                    doing = f"keeping carton {batch[0].trigger} and after"
                    with said(self._place, doing), self._engine.begin() as connection:
                        _keep_cartons(connection, self._identity.run, batch)
                except StoreFault as fault:
                    self._fault = fault
                except Exception as error:  # noqa: BLE001 - said by the next call
                    self._fault = StoreFault(f"{self._place}: keeping cartons failed: {error!r}")
            if self._fault is not None:
                self._lost += len(batch)
            for _ in range(len(batch) + ended):
                self._queue.task_done()

    def _next_batch(self) -> tuple[list[_Carton], bool]:
        first = self._queue.get()
        batch: list[_Carton] = []
        while first is not None:
            batch.append(first)
            if len(batch) >= self._batch:
                return batch, False
            try:
                first = self._queue.get_nowait()
            except queue.Empty:
                return batch, False
        return batch, True


def content_sha256(data: Mapping[str, Any]) -> str:
    """Give the hash of what a verdict's JSON says, times and run aside.

    Examples
    --------
    >>> a = content_sha256({"trigger": "000001", "run": "a", "ms": {"total": 3.0}})
    >>> a == content_sha256({"ms": {"total": 4.0}, "trigger": "000001", "run": "b"})
    True
    """
    content = {name: value for name, value in data.items() if name not in NOT_CONTENT}
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _keep_run(
    connection: Connection, place: str | Path, identity: RunIdentity, now: datetime
) -> None:
    row = {
        "recipe": identity.recipe,
        "order_fields": _text(json.dumps(dict(identity.order), ensure_ascii=False, sort_keys=True)),
        "cameras": identity.cameras,
        "version": identity.version,
    }
    columns = [tables.runs.c[name] for name in row]
    kept = connection.execute(select(*columns).where(tables.runs.c.run == identity.run)).first()
    if kept is None:
        connection.execute(insert(tables.runs), {"run": identity.run, **row, "started": now})
        return
    for name, value in row.items():
        if getattr(kept, name) != value:
            message = (
                f"{place}: run {identity.run} is kept with {name.replace('_', ' ')} "
                f"{getattr(kept, name)}; it cannot go on with {value}"
            )
            raise StoreFault(message)


def _keep_cartons(connection: Connection, run: str, batch: Sequence[_Carton]) -> None:
    """Add cartons that are new; one that is told otherwise than before becomes an event."""
    table = tables.cartons
    asked = select(table.c.trigger, table.c.content_sha256).where(
        table.c.run == run, table.c.trigger.in_([carton.trigger for carton in batch])
    )
    known: dict[int, str] = {row.trigger: row.content_sha256 for row in connection.execute(asked)}
    cartons: list[dict[str, Any]] = []
    findings: list[dict[str, Any]] = []
    events: list[dict[str, Any]] = []
    for carton in batch:
        sha = carton.row["content_sha256"]
        if carton.trigger not in known:
            known[carton.trigger] = sha
            cartons.append({"run": run, "trigger": carton.trigger, **carton.row})
            findings += [{"run": run, "trigger": carton.trigger, **row} for row in carton.findings]
        elif known[carton.trigger] != sha:
            events.append(
                {
                    "run": run,
                    "trigger": carton.trigger,
                    "kind": "told-otherwise",
                    "at": carton.row["recorded_at"],
                    "content": carton.row["content"],
                }
            )
    for rows, into in (
        (cartons, table),
        (findings, tables.findings),
        (events, tables.events),
    ):
        if rows:
            connection.execute(insert(into), rows)


def _carton(
    trigger: int, data: Mapping[str, Any], taken_at: datetime | None, now: datetime
) -> _Carton:
    row = {
        "verdict": data["verdict"],
        "reasons": _text("; ".join(data["reasons"])),
        "recipe": data["recipe"],
        "taken_at": taken_at,
        "recorded_at": now,
        "content": _text(dumps(data)),
        "content_sha256": content_sha256(data),
    }
    return _Carton(trigger, row, [_finding(i, f) for i, f in enumerate(data["findings"])])


def _finding(position: int, data: Mapping[str, Any]) -> dict[str, Any]:
    measured = data["measured"]
    number = None
    if isinstance(measured, (bool, int, float)):
        with suppress(OverflowError):
            number = float(measured)
    return {
        "position": position,
        **{name: _text(data[name]) for name in ("camera", "step", "value", "unit", "reason")},
        "measured_number": number,
        "measured_text": _text(measured) if isinstance(measured, str) else None,
        "limit_text": _text(json.dumps(data["limit"], ensure_ascii=False)),
        "margin": data["margin"],
        "good": data["good"],
    }


def _taken_at(frames: TriggerSet) -> datetime | None:
    """Give the first time that any frame of the carton carries."""
    times = [
        _naive(frame.taken_at)
        for frame in frames.frames.values()
        if isinstance(frame, Frame) and frame.taken_at is not None
    ]
    return min(times, default=None)


def _naive(time: datetime) -> datetime:
    """Give a time without zone, as databases keep it: UTC where the zone was known."""
    return time.astimezone(UTC).replace(tzinfo=None) if time.tzinfo else time


def _text(text: str) -> str:
    """Give text that every database takes: no zero byte, no half of a character pair."""
    return text.replace("\0", "\\0").encode("utf-8", "backslashreplace").decode()
