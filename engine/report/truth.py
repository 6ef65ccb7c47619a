"""What cartons of a captured set really are, from its `truth.csv`."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from engine.problems import Problem, ProblemsFound, listed, nearest
from engine.result import trigger_name

COLUMNS = ("trigger", "verdict", "defects")


@dataclass(frozen=True, slots=True, order=True)
class Defect:
    """One thing wrong with a carton."""

    word: str
    severity: str = ""

    def __str__(self) -> str:
        """Give it as it stands in `truth.csv`."""
        return f"{self.word}:{self.severity}" if self.severity else self.word


UNNAMED = Defect("unnamed")
"""Stands for what is wrong with a bad carton whose truth names no defect."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What one carton really is."""

    verdict: Literal["pass", "reject"]
    defects: tuple[Defect, ...] = ()

    def __str__(self) -> str:
        """Give it in a few words."""
        if self.verdict == "pass":
            return "good"
        return ", ".join(map(str, self.defects)) or "bad"


def read_truth(path: str | Path) -> dict[int, Truth]:
    """Read `truth.csv`.

    Parameters
    ----------
    path : str or Path
        UTF-8 text; columns `trigger`, `verdict` (`pass` or `reject`) and `defects`
        (``word[:severity]``, joined by ``;``). Other columns are left alone.

    Returns
    -------
    dict
        The truth by trigger, in the order of the file.

    Raises
    ------
    ProblemsFound
        With every mistake in the file.
    """
    return _Reader(Path(path)).read()


class _Reader:
    """Reads one file and gathers what is wrong with it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problems: list[Problem] = []
        self.lines: list[str] = []
        self.truths: dict[int, Truth] = {}
        self.first: dict[int, int] = {}

    def read(self) -> dict[int, Truth]:
        text = self.text()
        self.lines = re.split(r"\r\n|\r|\n", text)
        rows = csv.reader(io.StringIO(text, newline=""), strict=True)
        header: dict[str, int] | None = None
        before = 0
        try:
            for cells in rows:
                line, before = before + 1, rows.line_num
                if not any(cell.strip() for cell in cells):
                    continue
                if header is None:
                    header = self.header(cells, line)
                elif len(header) == len(COLUMNS):
                    self.row(cells, header, line)
        except csv.Error as error:
            self.add(rows.line_num, 1, "truth-row", f"The line is not CSV: {error}.")
        if header is None and not self.problems:
            what = f"The file is empty; it starts with the line `{','.join(COLUMNS)}`."
            self.add(1, 1, "truth-header", what)
        if self.problems:
            raise ProblemsFound(self.problems)
        return self.truths

    def text(self) -> str:
        try:
            return self.path.read_bytes().decode("utf-8-sig")
        except OSError as error:
            what = f"The file cannot be read: {error.strerror or error}."
            raise ProblemsFound([Problem(str(self.path), 0, 0, "", "unreadable", what)]) from None
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            what = f"Byte {error.start} is not UTF-8 text. Save the file as UTF-8."
            raise ProblemsFound([Problem(str(self.path), line, 1, "", "not-utf8", what)]) from None

    def header(self, cells: list[str], line: int) -> dict[str, int]:
        names = [cell.strip() for cell in cells]
        found = {name: names.index(name) for name in COLUMNS if name in names}
        missing = [name for name in COLUMNS if name not in found]
        if missing:
            others = [name for name in names if name not in COLUMNS]
            hint = "".join(nearest(other, missing) for other in others)
            what = f"The first line must name the columns {listed(COLUMNS)}; missing: "
            self.add(line, 1, "truth-header", f"{what}{listed(missing)}.{hint}")
        return found

    def row(self, cells: list[str], header: Mapping[str, int], line: int) -> None:
        before = len(self.problems)
        if len(cells) <= max(header.values()):
            what = f"The line has {len(cells)} fields; {listed(COLUMNS)} are needed."
            self.add(line, 1, "truth-row", what)
            return
        trigger = self.trigger(cells, header["trigger"], line)
        verdict = cells[header["verdict"]].strip()
        if verdict not in ("pass", "reject"):
            what = f"`{verdict}` is no verdict; it must be `pass` or `reject`."
            what += nearest(verdict, ["pass", "reject"])
            self.add(line, _column(cells, header["verdict"]), "truth-verdict", what)
        column = _column(cells, header["defects"])
        defects = self.defects(cells[header["defects"]], line, column)
        if verdict == "pass" and defects:
            what = "A carton that is to pass has no defects."
            self.add(line, column, "truth-defects", what)
        if len(self.problems) == before and trigger is not None:
            self.truths[trigger] = Truth("pass" if verdict == "pass" else "reject", defects)

    def trigger(self, cells: list[str], index: int, line: int) -> int | None:
        text = cells[index].strip()
        column = _column(cells, index)
        if not re.fullmatch("[0-9]{1,18}", text):
            what = f"`{text}` is no trigger; it must be a number."
            self.add(line, column, "truth-trigger", what)
            return None
        trigger = int(text)
        if trigger in self.first:
            what = f"Carton {trigger_name(trigger)} stands on line {self.first[trigger]} already."
            self.add(line, column, "repeated-trigger", what)
            return None
        self.first[trigger] = line
        return trigger

    def defects(self, text: str, line: int, column: int) -> tuple[Defect, ...]:
        found: list[Defect] = []
        for part in text.split(";") if text.strip() else []:
            match = re.fullmatch(r"([^\s:;]+)(?::([^:;]+))?", part.strip())
            if match is None:
                what = f"`{part.strip()}` is no defect; it is written `word` or `word:severity`."
                self.add(line, column, "truth-defects", what)
                continue
            defect = Defect(match[1], (match[2] or "").strip())
            if defect in found:
                self.add(line, column, "truth-defects", f"`{defect}` stands here twice.")
                continue
            found.append(defect)
        return tuple(found)

    def add(self, line: int, column: int, code: str, what: str) -> None:
        source = self.lines[line - 1] if 0 < line <= len(self.lines) else ""
        column = min(column, len(source) + 1)
        self.problems.append(Problem(str(self.path), line, column, "", code, what, source))


def _column(cells: list[str], index: int) -> int:
    """Give where a field starts in its line, as far as nothing before it is quoted."""
    return sum(len(cell) + 1 for cell in cells[:index]) + 1
