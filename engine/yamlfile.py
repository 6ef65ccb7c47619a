"""YAML text to plain data, with the place and the source text of every key and value.

Scalars follow the YAML 1.2 core schema, but for numbers that are not finite (`.inf`, `.nan`, or
too large to hold): they stay text, as no number in a file here may be one. A key given twice,
aliases, anchors, merge keys and tags are problems: a file says each thing once, where it is read.
"""

from __future__ import annotations

import bisect
import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn, TypeAlias

import yaml

from engine.problems import Problem, ProblemsFound, quoted, sentence

Path_: TypeAlias = tuple[str | int, ...]
"""Where in the data: keys and list positions from the top."""

MAX_BYTES = 500_000
MAX_DEPTH = 40

_BREAK = re.compile(r"\r\n|\r|\n")
_NULL = re.compile(r"~|null|Null|NULL|")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_MAX_DIGITS = 300
_SIMPLE_KEY = re.compile(r"[\w-]+")
_NO_TEXT = re.compile("[\x00\ud800-\udfff]")
"""Characters that escapes in quotes can make, but that no text may hold."""


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
        if isinstance(part, int):
            text += f"[{part}]"
            continue
        word = part if _SIMPLE_KEY.fullmatch(part) and len(part) <= 60 else quoted(part)
        text += f".{word}" if text else word
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
        with file.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        what = f"The file cannot be read: {reason}."
        raise ProblemsFound([Problem(name, 0, 0, "", "unreadable", what)]) from None
    if len(raw) > MAX_BYTES:
        what = f"The file is larger than {MAX_BYTES} bytes, the most that is read."
        raise ProblemsFound([Problem(name, 0, 0, "", "too-large", what)])
    return parse_yaml(_text(raw, name), name)


def parse_yaml(text: str, name: str) -> Document:
    """Read YAML text; see `read_yaml`."""
    text = text.removeprefix("\ufeff")
    document = Document(None, lines={name: _BREAK.split(text)})
    builder = _Builder(document, name, text)
    try:
        loader = _Loader(text)
    except yaml.reader.ReaderError as error:
        what = f"The character {_code_point(error.character)} is not allowed in YAML."
        builder.refuse(error.position, "character", what)
    try:
        node = loader.get_single_node()
    except yaml.MarkedYAMLError as error:
        builder.refuse_syntax(error)
    except (ValueError, OverflowError) as error:  # as escapes past the last character
        builder.refuse(loader.get_mark().index, "yaml", f"This is not YAML: {quoted(error)}.")
    finally:
        loader.dispose()
    for mark, code, what in loader.refused:
        builder.add(mark, (), code, what)
    if node is not None:
        builder.locate((), None, node)
        document.data = builder.build(node, ())
    if builder.problems:
        raise ProblemsFound(builder.problems)
    return document


def core_scalar(text: str) -> Any:
    """Give a plain scalar its type by the YAML 1.2 core schema; numbers are finite.

    Examples
    --------
    >>> core_scalar("NO"), core_scalar("12:30"), core_scalar("0o17"), core_scalar("1e3")
    ('NO', '12:30', 15, 1000.0)
    >>> core_scalar(".inf")
    '.inf'
    """
    if _NULL.fullmatch(text):
        return None
    if _BOOL.fullmatch(text):
        return text.lower() == "true"
    if len(text) > _MAX_DIGITS:
        return text
    if _INT.fullmatch(text):
        if text[:2] in ("0o", "0x"):
            return int(text[2:], 8 if text[1] == "o" else 16)
        return int(text)
    if _FLOAT.fullmatch(text):
        number = float(text)
        return number if math.isfinite(number) else text
    return text


def _text(raw: bytes, name: str) -> str:
    """Decode the bytes of a file."""
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        good = raw[: error.start].decode("utf-8")
        line, column = _Lines(good).place(len(good))
        source = _BREAK.split(raw.decode("utf-8", errors="replace"))[line - 1]
        what = f"The byte {raw[error.start]:#04x} is not UTF-8 text. Save the file as UTF-8."
        if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
            what = "The file is UTF-16 text. Save the file as UTF-8."
        found = Problem(name, line, column, "", "not-utf8", what, source)
        raise ProblemsFound([found]) from None


class _Loader(yaml.SafeLoader):
    """Composes nodes in one pass; types are given by this module, not by PyYAML's resolvers.

    Aliases are refused as they come, so that an alias bomb never unfolds; so is deep nesting.
    """

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.refused: list[tuple[yaml.Mark, str, str]] = []
        self.depth = 0

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        event = self.peek_event()
        mark = event.start_mark
        if isinstance(event, yaml.AliasEvent):
            self.get_event()
            self.refused.append((mark, "alias", _NO_ALIAS))
            return yaml.ScalarNode("tag:yaml.org,2002:str", "", mark, event.end_mark)
        if event.anchor is not None:
            self.refused.append((mark, "alias", _NO_ANCHOR))
            event.anchor = None
        if event.tag is not None:
            what = f"Tags ({quoted(event.tag)}) are not allowed: quote what is meant as text."
            self.refused.append((mark, "tag", what))
            event.tag = None
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise yaml.MarkedYAMLError(problem="depth", problem_mark=mark)
        node = super().compose_node(parent, index)
        self.depth -= 1
        return node


_Loader.yaml_implicit_resolvers = {}

_NO_ALIAS = "Aliases (`*name`) are not allowed: write the value out where it is used."
_NO_ANCHOR = "Anchors (`&name`) are not allowed: write the value out where it is used."

_PLAIN_WORDS: tuple[tuple[str, str], ...] = (
    ("depth", f"the text is nested deeper than {MAX_DEPTH} levels."),
    ("'\\t'", "a tab stands here. Indent with spaces, not tabs."),
    ("mapping values are not allowed", "a second `: ` stands in one entry. Quote the text, or "
     "check how far the lines are indented."),
    ("expected <block end>", "this line is not indented as the lines above it."),
    ("could not find expected ':'", "a key needs a `: ` behind it."),
    ("expected ',' or ']'", "the list `[...]` needs `,` between its items and `]` at its end."),
    ("expected ',' or '}'", "the mapping `{...}` needs `,` between its keys and `}` at its end."),
    ("while scanning a quoted scalar", "a quote is opened here and never closed."),
    ("cannot start any token", "a text that starts with this character must be quoted."),
    ("expected alphabetic or numeric character", "a text that starts with `*` or `&` must be "
     "quoted."),
    ("expected a single document", "a second document starts here (`---`); one is read."),
    ("unknown escape character", "this escape is not known. Use 'single quotes' for a text with "
     "backslashes."),
)  # fmt: skip
"""Words in PyYAML's errors, and what they say to people."""

_WHERE_IT_BEGAN = ("while scanning a quoted scalar", "could not find expected ':'")
"""Mistakes that are seen later than where they stand."""


class _Lines:
    """Lines of a text, as editors count them (PyYAML ends lines at other characters too)."""

    def __init__(self, text: str) -> None:
        self.starts = [0, *(found.end() for found in _BREAK.finditer(text))]

    def place(self, index: int) -> tuple[int, int]:
        """Give line and column, from 1, of a position in the text."""
        line = bisect.bisect_right(self.starts, index)
        return line, index - self.starts[line - 1] + 1


class _Builder:
    """Turns nodes into plain data and keeps the place of each."""

    def __init__(self, document: Document, name: str, text: str) -> None:
        self.document = document
        self.name = name
        self.lines = _Lines(text)
        self.problems: list[Problem] = []

    def at(self, mark: yaml.Mark) -> Mark:
        return Mark(self.name, *self.lines.place(mark.index))

    def locate(self, path: Path_, key: yaml.Node | None, value: yaml.Node) -> None:
        place = Place(self.at((key or value).start_mark), self.at(value.start_mark))
        self.document.places[path] = place

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
                self.add(key_node.start_mark, path, "key", what)
                continue
            key = str(key_node.value)
            here = (*path, key)
            if key in result:
                line = self.document.places[here].key.line
                what = f"{quoted(key)} is already given on line {line}. Each key may stand once."
                self.add(key_node.start_mark, here, "repeated-key", what)
                continue
            if key == "<<" and key_node.style is None:
                what = "Merge keys (`<<`) are not allowed: write the values out."
                self.add(key_node.start_mark, here, "alias", what)
                continue
            self.check_characters(key_node, path)
            self.locate(here, key_node, value_node)
            result[key] = self.build(value_node, here)
        return result

    def scalar(self, node: yaml.Node, path: Path_) -> Any:
        self.check_characters(node, path)
        if getattr(node, "style", None) is not None:
            return node.value
        value = core_scalar(node.value)
        if not isinstance(value, str):
            self.document.sources[path] = node.value
        return value

    def check_characters(self, node: yaml.Node, path: Path_) -> None:
        found = _NO_TEXT.search(node.value)
        if found is not None:
            what = f"The escape for character {_code_point(found[0])} makes no text."
            self.add(node.start_mark, path, "character", what)

    def add(self, mark: yaml.Mark, path: Path_, code: str, what: str) -> None:
        self.problems.append(self.document.problem_at(self.at(mark), path, code, what))

    def refuse(self, index: int, code: str, what: str) -> NoReturn:
        mark = Mark(self.name, *self.lines.place(index))
        raise ProblemsFound([self.document.problem_at(mark, (), code, what)]) from None

    def refuse_syntax(self, error: yaml.MarkedYAMLError) -> NoReturn:
        """Say what is wrong with the text, in plain words where they are known."""
        said = ", ".join(part for part in (error.context, error.problem) if part)
        plain = next((words for key, words in _PLAIN_WORDS if key in said), None)
        mark = error.problem_mark or error.context_mark
        if any(words in said for words in _WHERE_IT_BEGAN):
            mark = error.context_mark or mark
        what = f"This is not YAML: {plain or sentence(said)}"
        self.refuse(mark.index if mark else 0, "yaml", what)


def _code_point(character: int | str | bytes) -> str:
    code = character if isinstance(character, int) else ord(character[:1])
    return f"U+{code:04X}"
