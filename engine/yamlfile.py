"""YAML text to plain data, with the place and the source text of every key and value.

Scalars follow the YAML 1.2 core schema. A key given twice, aliases, anchors, merge keys and tags
are problems: a recipe says each thing once, where it is read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

import yaml

from engine.problems import Problem, ProblemsFound

Path_: TypeAlias = tuple[str | int, ...]
"""Where in the data: keys and list positions from the top."""

MAX_BYTES = 2_000_000
MAX_DEPTH = 40

_NULL = re.compile(r"~|null|Null|NULL|")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(
    r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)"
)


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a file; line and column from 1."""

    file: str
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands, and the key before it (the value's own place in a list)."""

    key: Mark
    value: Mark


@dataclass(slots=True)
class Document:
    """Plain data of one file (or of several merged), with the place of everything in it."""

    data: Any
    places: dict[Path_, Place] = field(default_factory=dict[Path_, Place])
    sources: dict[Path_, str] = field(default_factory=dict[Path_, str])
    """Source text of every plain scalar that is not text."""
    lines: dict[str, list[str]] = field(default_factory=dict[str, list[str]])
    """Lines of each file, for showing them."""

    def problem(self, path: Path_, code: str, what: str, *, at_key: bool = False) -> Problem:
        """Make a problem at a path, or at the nearest place above it that is in the file."""
        known = path
        while known and known not in self.places:
            known = known[:-1]
        place = self.places.get(known)
        if place is None:
            file = next(iter(self.lines), "")
            return Problem(file, 0, 0, dotted(path), code, what)
        mark = place.key if at_key or known != path else place.value
        return self.problem_at(mark, path, code, what)

    def problem_at(self, mark: Mark, path: Path_, code: str, what: str) -> Problem:
        """Make a problem at a mark."""
        lines = self.lines.get(mark.file, [])
        source = lines[mark.line - 1] if 0 < mark.line <= len(lines) else ""
        return Problem(mark.file, mark.line, mark.column, dotted(path), code, what, source)

    def file_of(self, path: Path_) -> str:
        """Give the file in which the value at a path stands."""
        while path and path not in self.places:
            path = path[:-1]
        place = self.places.get(path)
        return place.value.file if place else next(iter(self.lines), "")


def dotted(path: Path_) -> str:
    """Give a path as people read it.

    Examples
    --------
    >>> dotted(("cameras", "top", "leave_out", 0))
    'cameras.top.leave_out[0]'
    """
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else (f".{part}" if text else str(part))
    return text


def read_yaml(file: Path, shown: str | None = None) -> Document:
    """Read a YAML file.

    Parameters
    ----------
    file : Path
        The file.
    shown : str, optional
        Its name in problems; by default the path as given.

    Raises
    ------
    ProblemsFound
        When the file cannot be read or is not YAML that is allowed here.
    """
    name = shown or str(file)
    try:
        size = file.stat().st_size
        if size > MAX_BYTES:
            what = f"The file holds {size} bytes; {MAX_BYTES} is the most that is read."
            raise ProblemsFound([Problem(name, 0, 0, "", "too-large", what)])
        raw = file.read_bytes()
    except OSError as error:
        what = f"The file cannot be read: {error.strerror or error}."
        raise ProblemsFound([Problem(name, 0, 0, "", "unreadable", what)]) from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        what = f"Byte {error.start} is not UTF-8 text. Save the file as UTF-8."
        raise ProblemsFound([Problem(name, line, 1, "", "not-utf8", what)]) from None
    return parse_yaml(text, name)


def parse_yaml(text: str, name: str) -> Document:
    """Read YAML text; see `read_yaml`."""
    document = Document(None, lines={name: re.split(r"\r\n|\r|\n", text)})
    try:
        node = _compose(text)
    except yaml.MarkedYAMLError as error:
        raise ProblemsFound([_syntax_problem(document, name, error)]) from None
    except yaml.reader.ReaderError as error:
        line, column = _line_column(text, error.position)
        mark = Mark(name, line, column)
        what = f"The character {_shown(error.character)} is not allowed in YAML."
        raise ProblemsFound([document.problem_at(mark, (), "yaml", what)]) from None
    except (RecursionError, yaml.YAMLError, ValueError) as error:
        what = "The text is nested too deeply." if isinstance(error, RecursionError) else str(error)
        raise ProblemsFound([Problem(name, 1, 1, "", "yaml", what)]) from None
    builder = _Builder(document, name)
    if node is not None:
        builder.locate((), None, node)
        document.data = builder.build(node, ())
    if builder.problems:
        raise ProblemsFound(builder.problems)
    return document


class _Loader(yaml.SafeLoader):
    """Composes nodes; types are given by this module, not by PyYAML's resolvers."""


_Loader.yaml_implicit_resolvers = {}


def _compose(text: str) -> yaml.Node | None:
    loader = _Loader(text)
    try:
        _refuse_aliases(text)
        return loader.get_single_node()
    finally:
        loader.dispose()


def _refuse_aliases(text: str) -> None:
    """Find aliases and anchors before composing, so that an alias bomb never unfolds."""
    depth = 0
    for event in yaml.parse(text, Loader=_Loader):
        if isinstance(event, yaml.AliasEvent):
            raise yaml.MarkedYAMLError(problem="alias", problem_mark=event.start_mark)
        if getattr(event, "anchor", None) is not None:
            raise yaml.MarkedYAMLError(problem="anchor", problem_mark=event.start_mark)
        if isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            depth += 1
            if depth > MAX_DEPTH:
                raise yaml.MarkedYAMLError(problem="depth", problem_mark=event.start_mark)
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            depth -= 1


_OWN = {
    "alias": "Aliases (`*name`) are not allowed: write the value out where it is used.",
    "anchor": "Anchors (`&name`) are not allowed: write the value out where it is used.",
    "depth": f"The text is nested deeper than {MAX_DEPTH} levels.",
}


def _syntax_problem(document: Document, name: str, error: yaml.MarkedYAMLError) -> Problem:
    mark = error.problem_mark or error.context_mark
    place = Mark(name, mark.line + 1, mark.column + 1) if mark else Mark(name, 1, 1)
    own = _OWN.get(error.problem or "")
    if own:
        return document.problem_at(place, (), "alias" if error.problem != "depth" else "yaml", own)
    what = "This is not YAML: " + ", ".join(p for p in (error.context, error.problem) if p) + "."
    if error.problem and "found character '\\t'" in error.problem:
        what += " Indent with spaces, not tabs."
    return document.problem_at(place, (), "yaml", what)


class _Builder:
    """Turns nodes into plain data and keeps the place of each."""

    def __init__(self, document: Document, name: str) -> None:
        self.document = document
        self.name = name
        self.problems: list[Problem] = []

    def mark(self, node: yaml.Node) -> Mark:
        return Mark(self.name, node.start_mark.line + 1, node.start_mark.column + 1)

    def locate(self, path: Path_, key: yaml.Node | None, value: yaml.Node) -> None:
        self.document.places[path] = Place(self.mark(key or value), self.mark(value))

    def build(self, node: yaml.Node, path: Path_) -> Any:
        if isinstance(node, yaml.MappingNode):
            return self.mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            items: list[Any] = []
            for i, child in enumerate(node.value):
                self.locate((*path, i), None, child)
                items.append(self.build(child, (*path, i)))
            return items
        return self.scalar(node, path)

    def mapping(self, node: yaml.MappingNode, path: Path_) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                what = "A key is one word or a quoted text, not a list or a mapping."
                self.add(key_node, path, "key", what)
                continue
            key = key_node.value
            here = (*path, key)
            if key in result:
                first = self.document.places[here].key
                what = f"`{key}` is already given on line {first.line}. Each key may stand once."
                self.add(key_node, here, "repeated-key", what)
                continue
            if key == "<<" and key_node.style is None:
                what = "Merge keys (`<<`) are not allowed: use `based_on:` or write it out."
                self.add(key_node, here, "alias", what)
                continue
            self.locate(here, key_node, value_node)
            result[key] = self.build(value_node, here)
        return result

    def scalar(self, node: yaml.Node, path: Path_) -> Any:
        if node.tag not in (None, "tag:yaml.org,2002:str", "!"):
            self.add(node, path, "tag", f"Tags (`{node.tag}`) are not allowed.")
            return None
        text = node.value
        if getattr(node, "style", None) is not None or node.tag == "!":
            return text
        value = core_scalar(text)
        if not isinstance(value, str):
            self.document.sources[path] = text
        return value

    def add(self, node: yaml.Node, path: Path_, code: str, what: str) -> None:
        self.problems.append(self.document.problem_at(self.mark(node), path, code, what))


def core_scalar(text: str) -> Any:
    """Give a plain scalar its type by the YAML 1.2 core schema.

    Examples
    --------
    >>> core_scalar("NO"), core_scalar("12:30"), core_scalar("0o17"), core_scalar("1e3")
    ('NO', '12:30', 15, 1000.0)
    """
    if _NULL.fullmatch(text):
        return None
    if _BOOL.fullmatch(text):
        return text.lower() == "true"
    if _INT.fullmatch(text) and len(text) <= 400:
        if text[:2] in ("0o", "0x"):
            return int(text[2:], 8 if text[1] == "o" else 16)
        return int(text)
    if _FLOAT.fullmatch(text):
        return float(
            text.replace(".inf", "inf")
            .replace(".Inf", "inf")
            .replace(".INF", "inf")
            .replace(".nan", "nan")
            .replace(".NaN", "nan")
            .replace(".NAN", "nan")
        )
    return text


def walk(data: Any, path: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    """Give every value with its path, from the top down."""
    yield path, data
    if isinstance(data, Mapping):
        for key, value in data.items():
            yield from walk(value, (*path, key))
    elif isinstance(data, list):
        for i, value in enumerate(data):
            yield from walk(value, (*path, i))


def _line_column(text: str, position: int) -> tuple[int, int]:
    before = text[: max(position, 0)]
    return before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1


def _shown(character: int | str | bytes) -> str:
    code = character if isinstance(character, int) else ord(character[:1])
    return f"#x{code:04x}"
