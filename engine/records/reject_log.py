"""The reject log: a table, for people, of the cartons that did not pass and why."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, TextIO

from engine.faults import StoreFault
from engine.frame import Frame, TriggerSet
from engine.result import CartonVerdict, Finding, plain, trigger_name

COLUMNS = ("trigger", "verdict", "time", "reasons", "where", "value", "measured", "unit", "limit")


class RejectLog:
    """A sink that writes one line for each reject and fault, and none for a pass.

    Parameters
    ----------
    path : str or Path
        The CSV file; its folder is made where it is missing.
    resume : bool
        Go on behind what the file holds already, leaving out cartons that stand in it.

    Notes
    -----
    UTF-8 with a byte-order mark, so that spreadsheets show every character. Text that a spreadsheet
    would run as a formula gets an apostrophe before it: a code on a carton may hold anything.

    Raises
    ------
    StoreFault
        When the file cannot be written, or is to be resumed and is no reject log.
    """

    def __init__(self, path: str | Path, *, resume: bool = False) -> None:
        self.path = Path(path)
        self._done: frozenset[str] = frozenset()
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            kept = self._keep_whole_lines() if resume and self.path.exists() else False
            mode = "a" if kept else "w"
            encoding = "utf-8" if kept else "utf-8-sig"
            self._file: TextIO = self.path.open(
                mode, encoding=encoding, errors="backslashreplace", newline=""
            )
        except (OSError, ValueError) as error:
            raise self._fault(error) from error
        if not kept:
            self._write(COLUMNS)

    def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:
        """Write one verdict unless it is a pass."""
        if verdict.verdict == "pass" or trigger_name(verdict.trigger) in self._done:
            return
        broken = next((f for f in verdict.findings if not f.good), None)
        self._write(
            (
                trigger_name(verdict.trigger),
                verdict.verdict,
                _time(frames),
                "; ".join(reason.text for reason in verdict.reasons),
                "; ".join(dict.fromkeys(r.place for r in verdict.reasons if r.place)),
                *_measured(broken),
            )
        )

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        try:
            self._file.close()
        except OSError as error:
            raise self._fault(error) from error

    def __enter__(self) -> RejectLog:
        """Give the log itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self.close()

    def _write(self, cells: tuple[str, ...]) -> None:
        line = io.StringIO()
        csv.writer(line).writerow([_cell(cell) for cell in cells])
        try:
            self._file.write(line.getvalue())
            self._file.flush()
        except (OSError, ValueError) as error:
            raise self._fault(error) from error

    def _keep_whole_lines(self) -> bool:
        """Cut off a line that was not finished; note which cartons stand in the file."""
        raw = self.path.read_bytes()
        whole = raw[: raw.rfind(b"\n") + 1]
        rows = list(csv.reader(io.StringIO(whole.decode("utf-8-sig"), newline="")))
        if rows and tuple(rows[0]) != COLUMNS:
            message = "it is no reject log, and is left as it is"
            raise ValueError(message)
        if len(whole) < len(raw):
            with self.path.open("r+b") as file:
                file.truncate(len(whole))
        self._done = frozenset(row[0] for row in rows[1:] if row)
        return bool(rows)

    def _fault(self, error: Exception) -> StoreFault:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        return StoreFault(f"{self.path}: writing the reject log failed: {why}")


def _time(frames: TriggerSet) -> str:
    times: list[datetime] = [
        frame.taken_at
        for frame in frames.frames.values()
        if isinstance(frame, Frame) and frame.taken_at is not None
    ]
    return min(times, key=lambda time: time.isoformat()).isoformat(" ") if times else ""


def _measured(finding: Finding | None) -> tuple[str, str, str, str]:
    """Give name, measured value, unit and limit of the finding that rejected the carton."""
    if finding is None:
        return "", "", "", ""
    name = f"{finding.camera}.{finding.step}.{finding.value}"
    measured = plain(finding.measured)
    shown = "not measured" if measured is None else str(measured)
    return name, shown, finding.unit, _limit(finding.limit)


def _limit(limit: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{name} {json.dumps(bound, ensure_ascii=False, default=str)}"
        for name, bound in limit.items()
    )


def _cell(text: str) -> str:
    """Give text on one line, and as text to a spreadsheet."""
    flat = " ".join(text.replace("\0", " ").split())
    if flat[:1] in ("=", "+", "-", "@") and not _is_number(flat):
        return "'" + flat
    return flat


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
