"""A results file, read for judging anew: what is wanted of it, and nothing else.

A file that is laid out otherwise than this program writes it is read in full, slowly, and every
mistake in it is told.
"""

from __future__ import annotations

import itertools
import json
import math
import multiprocessing
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from engine.problems import Problem, ProblemsFound
from engine.records.results import read_results
from engine.replay.columns import Block, Columns, joined
from engine.result import dumps

BLOCK_BYTES = 32_000_000
"""How much one process reads at a time."""
MOST_PROCESSES = 4

Row: TypeAlias = dict[str, Any]
_KEYS = ("trigger", "verdict", "reasons", "catches", "faults", "findings", "values",
         "not_measured", "notes", "recipe", "order", "cameras", "version", "ms")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Held:
    """What the first cartons of a results file tell of all: one recipe and order judged them."""

    order: Mapping[str, str] = field(default_factory=dict[str, str])
    steps: frozenset[str] = frozenset()
    """Each `camera.step` that was run."""
    limits: Mapping[str, Any] = field(default_factory=dict[str, Any])
    """Each limit as findings show it, by `camera.step.value`."""
    compared: frozenset[str] = frozenset()
    """Each `camera.step.value` that a rule compared with another."""


def read_held(path: Path, most: int = 20) -> Held:
    """Read what the first cartons of a results file tell of all; mistakes are left for later."""
    rows: list[Row] = []
    try:
        with path.open("rb") as file:
            rows = [json.loads(line) for line in itertools.islice(file, most)]
        findings = [finding for row in rows for finding in row["findings"]]
        named = [name for row in rows for name in (*row["values"], *row["not_measured"])]
        place = "{camera}.{step}.{value}".format_map
        return Held(
            order={str(k): str(v) for k, v in rows[0]["order"].items()},
            steps=frozenset(".".join(name.split(".")[:2]) for name in named),
            limits={place(f): f["limit"] for f in findings if "agrees_with" not in f["limit"]},
            compared=frozenset(place(f) for f in findings if "agrees_with" in f["limit"]),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError):
        return Held()


@dataclass(frozen=True, slots=True)
class Recorded:
    """A results file, as columns; whole rows are read again where they are wanted."""

    path: Path
    columns: Columns
    held: Held
    """What held for all cartons."""
    kept: Sequence[Row] | None = None
    """All rows, where the file had to be read in full."""

    def rows(self, positions: Iterable[int]) -> list[Row]:
        """Give whole rows by their position in the file."""
        if self.kept is not None:
            return [self.kept[i] for i in positions]
        rows: list[Row] = []
        with self.path.open("rb") as file:
            for i in positions:
                file.seek(int(self.columns.starts[i]))
                rows.append(json.loads(file.readline()))
        return rows


@contextmanager
def readers(path: Path) -> Iterator[ProcessPoolExecutor | None]:
    """Give processes that read a large file side by side; None where one does as well.

    They start at once, so that what is done before reading costs no time.
    """
    try:
        blocks = math.ceil(path.stat().st_size / BLOCK_BYTES)
    except OSError:  # reading says why
        blocks = 0
    count = min(blocks, os.cpu_count() or 1, MOST_PROCESSES)
    if count < 2:
        yield None
        return
    with ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn")) as pool:
        for _ in range(count):
            pool.submit(int)
        yield pool


def read_recorded(
    path: Path,
    numbers: Sequence[str],
    words: Sequence[str],
    held: Held | None = None,
    pool: ProcessPoolExecutor | None = None,
) -> Recorded:
    """Read what is wanted of a results file.

    Parameters
    ----------
    path : Path
        The file, as `replay --json` writes it.
    numbers, words : sequence of str
        Values that are wanted, as `camera.step.value`: numbers, and all others.
    held : Held, optional
        What `read_held` gave, where that is known.
    pool : ProcessPoolExecutor, optional
        Processes that read; by default this one does.

    Raises
    ------
    ProblemsFound
        With every line that is not the result of a carton, or tells a carton again.
    """
    try:
        size = path.stat().st_size
    except OSError as error:
        what = f"The file cannot be read: {error.strerror or error}."
        raise ProblemsFound([Problem(str(path), 0, 0, "", "unreadable", what)]) from None
    edges = range(0, max(size, 1), BLOCK_BYTES)
    blocks = [(path, at, min(at + BLOCK_BYTES, size), numbers, words) for at in edges]
    try:
        columns = joined(_over(blocks, pool))
        if 0 < len(np.unique(columns.triggers)) == len(columns.triggers):
            return Recorded(path, columns, held or Held())
    except (ValueError, IndexError, OverflowError):
        pass
    rows = read_results(path)  # says what is wrong, if anything is
    block = Block(numbers, words)
    for number, row in enumerate(rows, start=1):
        try:
            block.take(_canonical(row), 0)
        except (ValueError, KeyError, IndexError):
            what = "The findings of the carton are not as `replay --json` writes them."
            raise ProblemsFound([Problem(str(path), number, 1, "", "results-line", what)]) from None
    return Recorded(path, block.columns(), held or Held(), rows)


def _canonical(row: Row) -> bytes:
    """Give a row as this program lays it out."""
    whole = {"notes": [], "order": {}, "cameras": "", "version": "", **row}
    whole["findings"] = [
        {key: finding[key] for key in ("camera", "step", "value", "measured", "good")}
        for finding in row["findings"]
    ]
    line = dumps({key: whole[key] for key in _KEYS}) + "\n"
    return line.encode("utf-8", "surrogatepass")


def _over(blocks: list[Any], pool: ProcessPoolExecutor | None) -> list[Columns]:
    if pool is not None:
        try:
            return list(pool.map(read_block, *zip(*blocks, strict=True)))
        except (BrokenProcessPool, OSError):  # no other process can be had: read it here
            pass
    return [read_block(*block) for block in blocks]


def read_block(
    path: Path, start: int, end: int, numbers: Sequence[str], words: Sequence[str]
) -> Columns:
    """Read the lines that begin in a part of a file.

    Raises
    ------
    ValueError
        When a line is laid out otherwise than `replay --json` writes it.
    """
    block = Block(numbers, words)
    with path.open("rb", buffering=1 << 20) as file:
        at = start
        if start:
            file.seek(start - 1)
            at = start - 1 + len(file.readline())
        for line in file:
            if at >= end:
                break
            block.take(line, at)
            at += len(line)
    return block.columns()
