"""Lines of a results file as columns.

A line is not parsed: its parts are found by their keys. That is safe because a quote inside a text
is escaped in JSON, so a key with its quotes can stand nowhere else.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from engine.result import Word

_ABSENT = b"inf"
"""Stands where a value was not recorded: no JSON value reads so, and none is infinite."""


@dataclass(frozen=True, slots=True)
class Coded:
    """Texts that repeat: each carton's is `words[codes]`; -1 = none was recorded."""

    codes: NDArray[np.int64]
    words: tuple[bytes, ...]

    @property
    def there(self) -> NDArray[np.bool_]:
        """Say where there is one."""
        return self.codes >= 0

    def spread(self, of_words: Sequence[Any], absent: Any = 0) -> NDArray[Any]:
        """Give each carton what belongs to its word."""
        return np.array([*of_words, absent])[self.codes]  # the last one stands for code -1


@dataclass(frozen=True, slots=True)
class Numbers:
    """One number of each carton; nan where it was not measured."""

    values: NDArray[np.float64]
    there: NDArray[np.bool_]
    """Whether its step recorded it, also as not measured."""


@dataclass(frozen=True, slots=True)
class Columns:
    """What judging needs of the cartons of one block, or of all."""

    starts: NDArray[np.int64]
    """Where each line begins [bytes]."""
    triggers: NDArray[np.int64]
    verdicts: Coded
    faults: Coded
    """List of faults, as JSON."""
    missing: Coded
    """Steps that did not measure and why, as JSON."""
    broken: Coded
    """`camera.step.value` of each broken finding, one a line."""
    nulls: Coded
    """The same of each finding whose value was not measured."""
    sources: Coded
    """Recipe, order, cameras and version, as the middle of a line of JSON."""
    numbers: Mapping[str, Numbers]
    words: Mapping[str, Coded]
    """Texts, dates and truth values, as JSON."""


@dataclass(slots=True)
class Block:
    """Gathers the parts of lines."""

    number_names: Sequence[str]
    word_names: Sequence[str]
    starts: list[int] = field(default_factory=list[int])
    triggers: list[int] = field(default_factory=list[int])
    parts: list[tuple[bytes, ...]] = field(default_factory=list[tuple[bytes, ...]])
    """Verdict, faults, missing, broken, nulls and source of each line."""
    tokens: dict[str, list[bytes]] = field(default_factory=dict[str, list[bytes]])
    wanted: list[Any] = field(default_factory=list[Any])
    skip: int = 0
    """So much at least lies between the faults and the values of most lines [bytes]."""

    def __post_init__(self) -> None:
        for name in (*self.number_names, *self.word_names):
            self.tokens[name] = []
            key = json.dumps(name, ensure_ascii=False).encode() + b": "
            self.wanted.append((key, len(key), self.tokens[name].append))

    def take(self, line: bytes, start: int) -> None:
        """Take the parts of one line; ValueError where one is not found."""
        index = line.index
        if not self.starts:  # values stand in one order in all lines: look for them in that order
            self.wanted.sort(key=lambda wanted: line.find(wanted[0]))
        if not line.endswith(b"}\n"):
            message = "a line has no end"
            raise ValueError(message)
        at = index(b'"trigger": "') + 12
        end = index(b'"', at)
        self.triggers.append(int(line[at:end]))
        at = index(b'"verdict": "', end) + 12
        end = index(b'"', at)
        verdict = line[at:end]
        at = index(b'"faults": [', end) + 10
        end = index(b'], "findings": [', at) + 1
        faults = line[at:end]
        values = line.find(b'], "values": {', end + self.skip)
        if values < 0:
            values = index(b'], "values": {', end)
        self.skip = max(values - end - 200, 0)
        nulls = _places(line, b'"measured": null', end, values)
        broken = b"" if verdict == b"pass" else _places(line, b'"good": false', end, values)
        self._values(line, values)
        at = line.rindex(b'}, "not_measured": {') + 19
        end = index(b'}, "notes": [', at) + 1
        missing = line[at:end]
        at = index(b'"recipe": ', end)
        source = line[at : index(b', "ms": {', at)]
        self.parts.append((verdict, faults, missing, broken, nulls, source))
        self.starts.append(start)

    def _values(self, line: bytes, first: int) -> None:
        """Take the wanted values."""
        find = line.find
        at = first
        for key, size, append in self.wanted:
            found = find(key, at)
            if found < 0 and at > first:  # values in another order than in the first line
                found = find(key, first, at)
            if found < 0:
                append(_ABSENT)
                continue
            at = found + size
            append(line[at : find(b",", at) if line[at] != 34 else _text_end(line, at)])

    def columns(self) -> Columns:
        """Give what was taken."""
        parts = [_coded(part) for part in zip(*self.parts, strict=True)] or [_coded(())] * 6
        verdicts, faults, missing, broken, nulls, sources = parts
        if not {word.decode() for word in verdicts.words} <= set(get_args(Word)):
            message = "a verdict is none of those that are given"
            raise ValueError(message)
        return Columns(
            starts=np.array(self.starts, np.int64),
            triggers=np.array(self.triggers, np.int64),
            verdicts=verdicts,
            faults=faults,
            missing=missing,
            broken=broken,
            nulls=nulls,
            sources=sources,
            numbers={name: _numbers(self.tokens[name]) for name in self.number_names},
            words={
                name: _coded([_bare(token) for token in self.tokens[name]])
                for name in self.word_names
            },
        )


def _places(line: bytes, mark: bytes, start: int, end: int) -> bytes:
    """Give `camera.step.value` of each finding of a line that holds a mark."""
    places: list[bytes] = []
    at = line.find(mark, start, end)
    while at >= 0:
        words = line[line.rindex(b'{"camera": "', start, at) : at].split(b'"', 12)
        places.append(b".".join((words[3], words[7], words[11])))
        at = line.find(mark, at + 1, end)
    return b"\n".join(places)


def _text_end(line: bytes, at: int) -> int:
    """Give where a text in quotes ends, behind its closing quote."""
    end = line.index(b'"', at + 1)
    while (end - len(line[at + 1 : end].rstrip(b"\\")) - at - 1) % 2:
        end = line.index(b'"', end + 1)
    return end + 1


def _bare(token: bytes) -> bytes:
    """Take off the brace that follows the last value of a line."""
    return token if token.startswith(b'"') else token.rstrip(b"}")


def _numbers(tokens: list[bytes]) -> Numbers:
    try:
        values = np.fromiter(map(float, tokens), np.float64, len(tokens))
    except ValueError:
        values = np.array([_number(token) for token in tokens], np.float64)
    there = ~np.isinf(values)
    values[~there] = np.nan
    return Numbers(values, there)


def _number(token: bytes) -> float:
    token = token.rstrip(b"}")
    return np.nan if token == b"null" else float(token)


def _coded(texts: Iterable[bytes]) -> Coded:
    known: dict[bytes, int] = {_ABSENT: -1}
    codes = [known.setdefault(text, len(known) - 1) for text in texts]
    return Coded(np.array(codes, np.int64), tuple(known)[1:])


def joined(blocks: Sequence[Columns]) -> Columns:
    """Put blocks of one file together."""
    first = blocks[0]
    return Columns(
        starts=np.concatenate([b.starts for b in blocks]),
        triggers=np.concatenate([b.triggers for b in blocks]),
        verdicts=_joined([b.verdicts for b in blocks]),
        faults=_joined([b.faults for b in blocks]),
        missing=_joined([b.missing for b in blocks]),
        broken=_joined([b.broken for b in blocks]),
        nulls=_joined([b.nulls for b in blocks]),
        sources=_joined([b.sources for b in blocks]),
        numbers={
            name: Numbers(
                np.concatenate([b.numbers[name].values for b in blocks]),
                np.concatenate([b.numbers[name].there for b in blocks]),
            )
            for name in first.numbers
        },
        words={name: _joined([b.words[name] for b in blocks]) for name in first.words},
    )


def _joined(parts: Sequence[Coded]) -> Coded:
    known: dict[bytes, int] = {}
    codes: list[NDArray[np.int64]] = []
    for part in parts:
        renamed = [known.setdefault(word, len(known)) for word in part.words]
        codes.append(np.array([*renamed, -1], np.int64)[part.codes])
    return Coded(np.concatenate(codes), tuple(known))
