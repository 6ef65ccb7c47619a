"""Bounds written into a recipe's YAML: only their text changes; comments and order stay."""

from __future__ import annotations

import copy
import difflib
import json
import re
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from engine.problems import Problem, ProblemsFound
from engine.yamlfile import Document, Mark, Path_, parse_yaml

_BREAK = re.compile(r"\r\n|\r|\n")
_PLAIN = re.compile(r"[a-zA-Z_][\w-]*")
_WORDS = {"null", "true", "false"}


@dataclass(frozen=True, slots=True)
class Bound:
    """One bound that is to stand in a recipe."""

    limit: Path_
    """Path of the limit: cameras, name, steps, name, limits, value."""
    side: Literal["min", "max"]
    value: float


@dataclass(frozen=True, slots=True)
class Edited:
    """A recipe's text with other bounds."""

    text: str
    elsewhere: tuple[Bound, ...]
    """Bounds whose limit does not stand in this text: they are inherited."""


def edited(text: str, name: str, bounds: Iterable[Bound]) -> Edited:
    """Write bounds into a recipe's text.

    Parameters
    ----------
    text : str
        The whole text of the YAML file, as it stands.
    name : str
        Name of the file, for problems.
    bounds : iterable of Bound
        What is to stand there. A number that stands there is replaced; a bound that is missing is
        added to its limit, in the style of that limit.

    Returns
    -------
    Edited
        Every other character is as before.

    Raises
    ------
    ProblemsFound
        When the text is not YAML, or what stands there is no plain number.
    """
    start = "\ufeff" if text.startswith("\ufeff") else ""
    body = text.removeprefix(start)
    bounds = list(bounds)
    edit = _Edit(body, parse_yaml(body, name))
    elsewhere = [bound for bound in bounds if not edit.put(bound)]
    if edit.problems:
        raise ProblemsFound(edit.problems)
    wanted = _with(edit.document.data, [bound for bound in bounds if bound not in elsewhere])
    if parse_yaml(edit.result(), name).data != wanted:
        what = "The bounds cannot be written into this text without changing more of it: set them "
        what += "by hand."
        raise ProblemsFound([Problem(name, 0, 0, "", "option", what)])
    return Edited(start + edit.result(), tuple(elsewhere))


def _with(data: Any, bounds: Iterable[Bound]) -> Any:
    """Give data with other bounds."""
    data = copy.deepcopy(data)
    for bound in bounds:
        _at(data, bound.limit)[bound.side] = float(shown(bound.value))
    return data


class _Edit:
    """Gathers changes of one text."""

    def __init__(self, text: str, document: Document) -> None:
        self.text = text
        self.document = document
        self.starts = [0, *(found.end() for found in _BREAK.finditer(text))]
        self.changes: list[tuple[int, int, str]] = []
        self.problems: list[Problem] = []

    def put(self, bound: Bound) -> bool:
        """Put one bound in its place; False where its limit does not stand in this text."""
        path = (*bound.limit, bound.side)
        places = self.document.places
        if path in places:
            self.replace(path, bound)
            return True
        if not isinstance(_at(self.document.data, bound.limit), dict):
            return False
        self.add(bound)
        return True

    def replace(self, path: Path_, bound: Bound) -> None:
        source = self.document.sources.get(path)
        if source is None or not isinstance(_at(self.document.data, path), (int, float)):
            what = "This bound is no plain number, so it is not written over: it comes from the "
            what += "product or the order."
            self.problems.append(self.document.problem(path, "option", what))
            return
        at = self.index(self.document.places[path].value)
        self.changes.append((at, at + len(source), shown(bound.value)))

    def add(self, bound: Bound) -> None:
        """Add a bound: in braces behind the opening one, in a block as a line of its own."""
        entry = f"{bound.side}: {shown(bound.value)}"
        at = self.index(self.document.places[bound.limit].value)
        if self.text[at] == "{":
            filled = bool(_at(self.document.data, bound.limit))
            self.changes.append((at + 1, at + 1, entry + (", " if filled else "")))
            return
        first = min(
            (place.key for path, place in self.document.places.items()
             if len(path) == len(bound.limit) + 1 and path[:-1] == bound.limit),
            key=lambda mark: (mark.line, mark.column),
        )  # fmt: skip
        at = self.index(first)
        newline = _BREAK.search(self.text)
        gap = (newline[0] if newline else "\n") + " " * (first.column - 1)
        self.changes.append((at, at, entry + gap))

    def index(self, mark: Mark) -> int:
        """Give the position of a mark in the text."""
        return self.starts[mark.line - 1] + mark.column - 1

    def result(self) -> str:
        """Give the text with all changes made."""
        text = self.text
        for start, end, new in sorted(self.changes, key=lambda c: c[:2], reverse=True):
            text = text[:start] + new + text[end:]
        return text


def _at(data: Any, path: Path_) -> Any:
    """Give what stands at a path; None where nothing does."""
    for part in path:
        if not isinstance(data, Mapping) or part not in data:
            return None
        data = data[part]
    return data


def shown(value: float) -> str:
    """Give a number as it is written in YAML.

    Examples
    --------
    >>> shown(0.75), shown(-3.0), shown(1e-7)
    ('0.75', '-3', '1e-07')
    """
    return f"{value:.12g}"


def to_paste(bounds: Iterable[Bound]) -> str:
    """Give bounds as YAML that lays over an inherited recipe.

    Examples
    --------
    >>> print(to_paste([Bound(("cameras", "top", "steps", "lid", "limits", "gap_mm"), "max", 0.8)]))
    cameras:
      top:
        steps:
          lid:
            limits:
              gap_mm: {max: 0.8}
    """
    tree: dict[str, Any] = {}
    for bound in bounds:
        here = tree
        for part in bound.limit:
            here = here.setdefault(str(part), {})
        here[bound.side] = shown(bound.value)
    return "\n".join(_block(tree, 0))


def _block(tree: Mapping[str, Any], depth: int) -> list[str]:
    lines: list[str] = []
    for name, inner in tree.items():
        key = "  " * depth + (name if _is_plain(name) else json.dumps(name)) + ":"
        if all(isinstance(value, str) for value in inner.values()):
            lines.append(f"{key} {{{', '.join(f'{k}: {v}' for k, v in inner.items())}}}")
        else:
            lines += [key, *_block(inner, depth + 1)]
    return lines


def _is_plain(name: str) -> bool:
    return _PLAIN.fullmatch(name) is not None and name.lower() not in _WORDS


def difference(before: str, after: str, name: str) -> str:
    """Give what changes as a unified diff."""
    lines = difflib.unified_diff(
        before.splitlines(), after.splitlines(), name, f"{name} (new)", lineterm=""
    )
    return "\n".join(lines)


def read_text(file: Path) -> str:
    """Read a file with its line ends as they stand."""
    return file.read_bytes().decode("utf-8")


def replace_text(file: Path, text: str, check: Any) -> None:
    """Put a text in the place of a file's, once a check of it beside the file passed.

    Parameters
    ----------
    file : Path
        The file; a link is followed.
    text : str
        What it is to hold.
    check : callable
        Is given a file with the text in the same folder; what it raises leaves all as it was.
    """
    file = file.resolve()
    part = file.with_name(f".{file.name}.part.yaml")
    try:
        part.write_bytes(text.encode("utf-8"))
        shutil.copymode(file, part)
        check(part)
        part.replace(file)
    finally:
        part.unlink(missing_ok=True)


def limit_path(place: str) -> Path_:
    """Give the path of the limit on a value.

    Examples
    --------
    >>> limit_path("top.lid.gap_mm")
    ('cameras', 'top', 'steps', 'lid', 'limits', 'gap_mm')
    """
    camera, step, value = place.split(".")
    return ("cameras", camera, "steps", step, "limits", value)
