"""What is wrong in a user's file: where, what, and what is allowed instead."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in a file, with its place."""

    file: str
    line: int
    """Line in the file, from 1; 0 where the mistake has no line (a missing file)."""
    column: int
    """Column in the line, from 1."""
    path: str
    """Where in the data, as `cameras.top.steps.flap`."""
    code: str
    """Short name of the kind of mistake; all are listed in DEVELOPERS.md."""
    what: str
    """What is wrong and what is allowed, as sentences."""
    source: str = ""
    """The line itself."""

    def __str__(self) -> str:
        """Give the mistake as people read it, with a mark under the place."""
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        head = "  ".join(part for part in (place, self.path, f"[{self.code}]") if part)
        lines = [head]
        if self.source:
            shown, column = _window(self.source, self.column)
            lines += [f"    {shown}", " " * (4 + column - 1) + "^"]
        lines += [f"    {part}" for part in self.what.splitlines()]
        return "\n".join(lines)


class ProblemsFound(Exception):  # noqa: N818 - reads as a sentence
    """A file cannot be used; holds every mistake found in it, in order of place."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = sorted(
            set(problems), key=lambda p: (p.file, p.line, p.column, p.code, p.what)
        )
        super().__init__("\n".join(map(str, self.problems)))


def nearest(word: str, allowed: Iterable[str]) -> str:
    """Give the sentence that names the nearest right word, or nothing.

    Examples
    --------
    >>> nearest("min_covrage", ["min_coverage", "min_contrast"])
    ' Did you mean `min_coverage`?'
    """
    found = difflib.get_close_matches(word, list(allowed), n=1, cutoff=0.6)
    return f" Did you mean `{found[0]}`?" if found else ""


def listed(words: Iterable[str]) -> str:
    """Give words as a list in a sentence.

    Examples
    --------
    >>> listed(["min", "max"])
    '`min`, `max`'
    """
    return ", ".join(f"`{word}`" for word in words)


def _window(source: str, column: int, width: int = 110) -> tuple[str, int]:
    """Cut a long line around the place; tabs become one space so that the mark stands right."""
    text = "".join(c if c.isprintable() else " " for c in source.rstrip())
    if len(text) <= width:
        return text, column
    start = max(0, min(column - 1 - width // 2, len(text) - width))
    return text[start : start + width], column - start
