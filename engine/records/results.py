"""Results files: one line of JSON a carton, written as the cartons come."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, get_args

from engine.faults import StoreFault
from engine.frame import TriggerSet
from engine.problems import Problem, ProblemsFound
from engine.result import CartonVerdict, RunIdentity, Word, dumps, to_json

_KINDS: dict[str, type | tuple[type, ...]] = {
    "trigger": str,
    "verdict": str,
    "reasons": list,
    "catches": list,
    "faults": list,
    "findings": list,
    "values": dict,
    "not_measured": dict,
    "recipe": str,
    "ms": dict,
}
"""What a line must hold; more is allowed."""


class ResultsFile:
    """A sink that writes each verdict as one line and hands it to the system at once.

    Parameters
    ----------
    path : str or Path
        The file; its folder is made where it is missing.
    identity : RunIdentity
        The run that the verdicts belong to.
    resume : bool
        Go on behind what the file holds already; else it starts empty.

    Attributes
    ----------
    earlier : list of dict
        What the file held, when resuming.

    Notes
    -----
    When a run is killed in the middle of a line, that line has no end: it is cut off on resuming.

    Raises
    ------
    StoreFault
        When the file cannot be written, or holds results of another recipe or order.
    ProblemsFound
        When it is to be resumed and is no results file.
    """

    def __init__(self, path: str | Path, identity: RunIdentity, *, resume: bool = False) -> None:
        self.path = Path(path)
        self.earlier: list[dict[str, Any]] = []
        self._identity = identity
        end = 0
        with _said(self.path):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            resume = resume and self.path.exists()
        if resume:
            self.earlier, end = _read(self.path, torn="drop")
            _refuse_others(self.path, self.earlier, identity)
        with _said(self.path):
            self._file: BinaryIO = self.path.open("r+b" if resume else "wb")
            if resume:
                self._file.truncate(end)
                self._file.seek(end)

    @property
    def done(self) -> frozenset[int]:
        """The triggers that the file held, when resuming."""
        return frozenset(int(row["trigger"]) for row in self.earlier)

    def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:  # noqa: ARG002 - a sink
        """Write one verdict."""
        line = dumps(to_json(verdict, self._identity)) + "\n"
        with _said(self.path):
            self._file.write(line.encode("utf-8", "backslashreplace"))
            self._file.flush()

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        with _said(self.path):
            self._file.close()

    def __enter__(self) -> ResultsFile:
        """Give the file itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self.close()


def read_results(path: str | Path) -> list[dict[str, Any]]:
    """Read a results file.

    Parameters
    ----------
    path : str or Path
        The file, as `ResultsFile` writes it.

    Returns
    -------
    list of dict
        One for each line, in the order of the file.

    Raises
    ------
    ProblemsFound
        With every line that is not the result of a carton, or tells a carton again.
    """
    return _read(Path(path), torn="report")[0]


def _read(path: Path, torn: str) -> tuple[list[dict[str, Any]], int]:
    """Give the rows, and where the last whole line ends [bytes]."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        what = f"The file cannot be read: {error.strerror or error}."
        raise ProblemsFound([Problem(str(path), 0, 0, "", "unreadable", what)]) from None
    *lines, last = raw.split(b"\n")
    end = len(raw) - len(last)
    problems: list[Problem] = []
    if last and torn == "report":
        what = "The last line was cut off in writing. `replay --resume` drops it and goes on."
        problems.append(_problem(path, len(lines) + 1, "torn-line", what, last))
    rows: list[dict[str, Any]] = []
    first: dict[str, int] = {}
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        row = _row(line)
        if isinstance(row, str):
            problems.append(_problem(path, number, "results-line", row, line))
        elif row["trigger"] in first:
            what = f"Carton {row['trigger']} stands on line {first[row['trigger']]} already."
            problems.append(_problem(path, number, "repeated-trigger", what, line))
        else:
            first[row["trigger"]] = number
            rows.append(row)
    if problems:
        raise ProblemsFound(problems)
    return rows, end


def _row(line: bytes) -> dict[str, Any] | str:
    """Give the row of a line, or what is wrong with it."""
    try:
        row = json.loads(line.decode())
    except UnicodeDecodeError as error:
        return f"Byte {error.start} of the line is not UTF-8 text."
    except (ValueError, RecursionError) as error:
        return f"The line is not JSON: {error}."
    if not isinstance(row, dict):
        return "The line is not the result of a carton: it holds no named fields."
    for name, kind in _KINDS.items():
        if name not in row:
            return f"The line is not the result of a carton: `{name}` is missing."
        if not isinstance(row[name], kind):
            return f"The line is not the result of a carton: `{name}` is of the wrong type."
    if not re.fullmatch("[0-9]{1,18}", row["trigger"]):
        return "`trigger` must be a number as text."
    if row["verdict"] not in get_args(Word):
        return "`verdict` must be `pass`, `reject` or `fault`."
    if not all(isinstance(finding, dict) for finding in row["findings"]):
        return "`findings` must be a list of findings."
    return row


def _refuse_others(path: Path, rows: list[dict[str, Any]], identity: RunIdentity) -> None:
    ours = {
        "recipe": identity.recipe,
        "order": dict(identity.order),
        "cameras": identity.cameras,
        "version": identity.version,
    }
    for row in rows:
        for name, value in ours.items():
            if row.get(name) != value:
                message = (
                    f"{path}: carton {row['trigger']} was judged with {name} {row.get(name)}; "
                    f"this run has {value}. Give another file, or do not resume"
                )
                raise StoreFault(message)


def _problem(path: Path, line: int, code: str, what: str, source: bytes) -> Problem:
    shown = source.decode("utf-8", "replace")
    return Problem(str(path), line, 1, "", code, what, shown[:200])


@contextmanager
def _said(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise StoreFault(f"{path}: writing the results failed: {why}") from error
