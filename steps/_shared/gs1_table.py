"""The GS1 application identifiers: what each holds, and which others it needs or excludes."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Part:
    """One part of an identifier's content, such as `N13,csum` or `[X..17]`."""

    kind: str
    """`N` digits, `X` 82 characters, `Y` 39 characters, `Z` base64 for web addresses."""
    shortest: int
    """Fewest characters [count]."""
    longest: int
    """Most characters [count]."""
    optional: bool
    """Whether it may be absent, with everything after it."""
    rules: tuple[str, ...]
    """Names of the rules on its content, as in the dictionary."""


@dataclass(frozen=True, slots=True)
class Identifier:
    """What the dictionary says about one application identifier."""

    ai: str
    title: str
    separator: bool
    """Whether a separator must follow when it is not the last."""
    parts: tuple[Part, ...]
    required: tuple[tuple[tuple[str, ...], ...], ...]
    """Groups that must each hold; a group holds when all of one alternative are there."""
    excluded: tuple[str, ...]
    """Patterns of identifiers that must not stand beside it; `n` is any digit."""
    link_key: bool
    """Whether it may be the key of a Digital Link."""
    qualifiers: tuple[tuple[str, ...], ...]
    """Qualifiers allowed after it in a Digital Link: alternatives, each in its order."""
    link_attribute: bool
    """Whether it may be an attribute of a Digital Link."""

    @property
    def shortest(self) -> int:
        """Fewest characters its content may have [count]."""
        return sum(part.shortest for part in self.parts if not part.optional)

    @property
    def longest(self) -> int:
        """Most characters its content may have [count]."""
        return sum(part.longest for part in self.parts)


@cache
def identifiers() -> Mapping[str, Identifier]:
    """Give all application identifiers by their digits."""
    text = resources.files("steps._shared").joinpath("gs1_identifiers.csv").read_text("utf-8")
    lines = (line for line in text.splitlines() if not line.startswith("#"))
    table: dict[str, Identifier] = {}
    for row in csv.DictReader(lines):
        first, _, last = row["ai"].partition("-")
        for number in range(int(first), int(last or first) + 1):
            ai = str(number).zfill(len(first))
            table[ai] = _identifier(ai, row)
    return MappingProxyType(table)


def identifier_at(text: str) -> Identifier | None:
    """Give the identifier with which `text` begins; None where it is not known."""
    table = identifiers()
    return next((table[text[:n]] for n in (2, 3, 4) if text[:n] in table), None)


def matches_pattern(ai: str, pattern: str) -> bool:
    """Say whether an identifier is `pattern`, in which `n` is any digit.

    Examples
    --------
    >>> matches_pattern("3103", "310n"), matches_pattern("37", "310n")
    (True, False)
    """
    same_length = len(ai) == len(pattern)
    return same_length and all(p in ("n", a) for a, p in zip(ai, pattern, strict=True))


def _identifier(ai: str, row: Mapping[str, str]) -> Identifier:
    """Read one row of the table."""
    key = row["link_key"]
    return Identifier(
        ai=ai,
        title=row["title"],
        separator=row["separator"] == "yes",
        parts=tuple(_part(text) for text in row["content"].split()),
        required=tuple(
            tuple(tuple(alternative.split("+")) for alternative in group.split(","))
            for group in row["required"].split(";")
            if group
        ),
        excluded=tuple(row["excluded"].replace(";", ",").split(",")) if row["excluded"] else (),
        link_key=bool(key),
        qualifiers=tuple(tuple(way.split(",")) for way in key.split("|"))
        if key not in ("", "key")
        else (),
        link_attribute=row["link_attribute"] == "yes",
    )


def _part(text: str) -> Part:
    """Read one part, such as `[X..17]` or `N6,yymmdd`."""
    head, *rules = text.split(",")
    optional = head.startswith("[")
    head = head.strip("[]")
    kind, size = head[0], head[1:]
    variable = size.startswith("..")
    longest = int(size.removeprefix(".."))
    return Part(kind, 1 if variable else longest, longest, optional, tuple(rules))
