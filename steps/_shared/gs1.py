"""GS1 content of a code: element strings and Digital Link addresses, and what is wrong in them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from steps._shared.check_digits import as_gtin14, check_digit, check_digit_is_right, is_digits
from steps._shared.gs1_content import content_faults, read_date
from steps._shared.gs1_link import LinkRefused, is_link, split_link
from steps._shared.gs1_table import (
    Identifier,
    identifier_at,
    identifiers,
    matches_pattern,
)

SEPARATOR = "\x1d"
"""ASCII 29, as which a reader transmits the FNC1 between two element strings."""

ELEMENT_STRING_SYMBOLS = ("]C1", "]d2", "]Q3", "]e0", "]J1")
"""Symbology identifiers of the symbols that hold element strings."""

_ARTICLE_NUMBER_SYMBOLS = ("]E0", "]E4", "]I1")
_LINK_SYMBOLS = ("]d1", "]Q1")
_DATES = frozenset(["11", "12", "13", "15", "16", "17", "4326", "7003", "7006", "7007", "7011"])


@dataclass(frozen=True, slots=True)
class Element:
    """One application identifier with its content."""

    ai: str
    """Two to four digits."""
    value: str
    """The content, without the identifier."""
    title: str = ""
    """The identifier's data title, such as ``BATCH/LOT``."""
    date: date | None = None
    """The (first) date in it, where it holds one."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, or suspected."""

    code: str
    """What kind: `unknown-identifier`, `content`, `separator-missing`, `separator-doubled`,
    `repeated`, `form`, `required`, `excluded` or `separator-suspected`."""
    what: str
    """The sentence for people."""
    ai: str = ""
    """The identifier it is about; empty where it is about the whole."""


@dataclass(frozen=True, slots=True)
class Content:
    """What a code says: its elements in their order, and what is wrong with them."""

    elements: tuple[Element, ...] = ()
    problems: tuple[Problem, ...] = ()
    """What breaks the rules of element strings; empty for right content."""
    pairing: tuple[Problem, ...] = ()
    """Identifiers that need or exclude another one. Kept apart: the rule is over all codes of a
    carton together, so what one code lacks another may carry."""
    suspicions: tuple[Problem, ...] = ()
    """What keeps to the rules but looks wrong: a content that ends like another element."""
    number: str = ""
    """The plain article number of a symbol without element strings (`]E0`, `]E4`, `]I1`)."""

    @property
    def valid(self) -> bool:
        """Whether no rule of element strings is broken (`pairing` is not part of it)."""
        return not self.problems and bool(self.elements or self.number)

    @property
    def text(self) -> str:
        """The content with identifiers in brackets; a plain article number as it is."""
        if self.number:
            return self.number
        return "".join(f"({e.ai}){e.value.replace('(', chr(92) + '(')}" for e in self.elements)

    @property
    def gtin(self) -> str | None:
        """The trade item number in 14 digits, right or wrong: (01), (02), (03) or the plain one."""
        for ai in ("01", "02", "03"):
            value = self.first(ai)
            if value is not None:
                return value
        whole = self.first("8006") or self.first("8026")
        return whole[:14] if whole else as_gtin14(self.number)

    @property
    def lot(self) -> str | None:
        """The batch or lot, (10)."""
        return self.first("10")

    @property
    def serial(self) -> str | None:
        """The serial number, (21)."""
        return self.first("21")

    @property
    def expiry(self) -> date | None:
        """The day up to which it is good: use by (17), else best before (15), else (7003)."""
        found = {e.ai: e.date for e in self.elements if e.date}
        return found.get("17") or found.get("15") or found.get("7003")

    def first(self, ai: str) -> str | None:
        """Give the content of the first element with this identifier; None where there is none."""
        return next((e.value for e in self.elements if e.ai == ai), None)


def parse(text: str, *, today: date | None = None) -> Content:
    r"""Split the content of a code into elements, and say everything that is wrong with it.

    Parameters
    ----------
    text : str
        In any of these forms: as transmitted (separators ``\x1d``, an optional symbology
        identifier such as ``]C1`` before it); with ``^`` for each FNC1; with identifiers in
        brackets (a bracket in the content as ``\(``); a Digital Link address.
    today : date, optional
        For the century of dates (51-year rule); the year 2026 where it is not given.

    Returns
    -------
    Content
        Elements as far as they could be read, and the problems. Never raises for any text.

    Notes
    -----
    Checked: identifiers, characters, lengths, separators, dates (day 00 is the last day of the
    month), check digits of every identifier that has one, check pairs, repeated identifiers,
    required and excluded pairs. Not checked: lists of countries, currencies, packages, coupons.

    References
    ----------
    GS1 Barcode Syntax Dictionary, release 2026-01-27 (GS1 AISBL, Apache-2.0).
    GS1 General Specifications, 7.8.6.3: one separator is accepted after any element.

    Examples
    --------
    >>> content = parse("]C1010950110153000317270300" + "10K4471")
    >>> content.text, content.expiry, content.problems
    ('(01)09501101530003(17)270300(10)K4471', datetime.date(2027, 3, 31), ())
    >>> parse("(01)09501101530004").problems[0].what
    'check digit 4 of 09501101530004 is wrong, 3 is right'
    """
    symbol, body = (text[:3], text[3:]) if text.startswith("]") else ("", text)
    if symbol in _ARTICLE_NUMBER_SYMBOLS:
        return _article_number(body)
    if is_link(body):
        return _link(body, today)
    if symbol and symbol not in ELEMENT_STRING_SYMBOLS:
        kind = "a Digital Link" if symbol in _LINK_SYMBOLS else "element strings"
        return Content(problems=(Problem("form", f"a symbol {symbol} without {kind}"),))
    split = _split_bracketed(body) if body.startswith("(") else _split_plain(body)
    return _checked(list(split), today)


def _article_number(number: str) -> Content:
    """Read the plain number of an EAN, UPC or ITF-14 symbol."""
    if as_gtin14(number) is None:
        return Content(problems=(Problem("form", f"`{number}` is no article number"),))
    if check_digit_is_right(number):
        return Content(number=number)
    what = f"check digit {number[-1]} of {number} is wrong, {check_digit(number[:-1])} is right"
    return Content(number=number, problems=(Problem("content", what),))


def _link(address: str, today: date | None) -> Content:
    """Read a Digital Link address."""
    try:
        pairs = split_link(address)
    except LinkRefused as refused:
        return Content(problems=(Problem("form", str(refused)),))
    return _checked(pairs, today)


def _checked(pieces: Sequence[tuple[str, str] | Problem], today: date | None) -> Content:
    """Check the split content; identifiers are known."""
    problems = [piece for piece in pieces if isinstance(piece, Problem)]
    elements: list[Element] = []
    for piece in pieces:
        if isinstance(piece, Problem):
            continue
        ai, value = piece
        known = identifiers()[ai]
        faults = content_faults(known, value, today)
        day = read_date(value[:6], today) if ai in _DATES else None
        elements.append(Element(ai, value, known.title, day))
        problems += [Problem("content", fault, ai) for fault in faults]
    if not pieces:
        problems.append(Problem("form", "there is no content"))
    problems += _repeated(elements)
    return Content(
        tuple(elements), tuple(problems), tuple(_pairing(elements)), tuple(_suspicions(elements))
    )


def _split_bracketed(text: str) -> Iterator[tuple[str, str] | Problem]:
    """Split `(01)...(10)...`; a bracket that belongs to the content stands behind a backslash."""
    pieces = re.split(r"(?<!\\)\(([^()]*)\)", text)
    if pieces[0] or len(pieces) == 1:
        yield Problem("form", f"`{text}` does not begin with an identifier in brackets")
        return
    for ai, value in zip(pieces[1::2], pieces[2::2], strict=True):
        if re.search(r"(?<!\\)\(", value):
            yield Problem("form", f"an open bracket in `{value}`", ai)
        elif ai in identifiers():
            yield ai, value.replace("\\(", "(")
        else:
            yield Problem("unknown-identifier", f"({ai}) is no application identifier", ai)


def _split_plain(text: str) -> Iterator[tuple[str, str] | Problem]:
    """Split a transmitted string: laid-down lengths by count, the others by their separators."""
    rest = text.replace("^", SEPARATOR).removeprefix(SEPARATOR)
    while rest:
        if rest[0] == SEPARATOR:
            yield Problem("separator-doubled", "two separators follow each other")
            rest = rest.lstrip(SEPARATOR)
            continue
        known = identifier_at(rest)
        if known is None:
            yield Problem("unknown-identifier", f"no application identifier at `{rest[:4]}`")
            return
        field, separator, after = rest[len(known.ai) :].partition(SEPARATOR)
        size = _size(known, field)
        yield known.ai, field[:size]
        if size < len(field):
            if known.separator:
                yield _separator_missing(known, field[size:])
            after = field[size:] + separator + after
        rest = after


def _size(known: Identifier, field: str) -> int:
    """Say how many characters up to the next separator belong to the identifier."""
    if not known.separator:
        return known.longest
    fixed = known.shortest == known.longest
    follows = len(field) > known.longest and identifier_at(field[known.longest :]) is not None
    return known.longest if fixed and follows else len(field)


def _separator_missing(known: Identifier, behind: str) -> Problem:
    what = f"no separator after ({known.ai}), although `{behind[:4]}` follows"
    return Problem("separator-missing", what, known.ai)


def _repeated(elements: Sequence[Element]) -> Iterator[Problem]:
    """Find identifiers that stand twice with different content."""
    seen: dict[str, str] = {}
    for e in elements:
        if seen.setdefault(e.ai, e.value) != e.value:
            what = f"({e.ai}) stands twice: {seen[e.ai]} and {e.value}"
            yield Problem("repeated", what, e.ai)


def _pairing(elements: Sequence[Element]) -> Iterator[Problem]:
    """Find identifiers without one they need, or beside one they exclude."""
    present = list(dict.fromkeys(e.ai for e in elements))
    for ai in present:
        others = [other for other in present if other != ai]
        for group in identifiers()[ai].required:
            if not any(all(_any(others, p) for p in alternative) for alternative in group):
                names = " or ".join("+".join(f"({p})" for p in way) for way in group)
                yield Problem("required", f"({ai}) needs {names} beside it", ai)
        for other in others:
            if any(matches_pattern(other, p) for p in identifiers()[ai].excluded):
                yield Problem("excluded", f"({ai}) must not stand beside ({other})", ai)


def _any(present: Sequence[str], pattern: str) -> bool:
    return any(matches_pattern(ai, pattern) for ai in present)


def _suspicions(elements: Sequence[Element]) -> Iterator[Problem]:
    """Find contents of free length that end like a date or a trade item number of their own."""
    for e in elements:
        known = identifiers()[e.ai]
        if known.separator and known.shortest != known.longest:
            tail = re.search(r"(?<=.)(?:1[1-7]\d{6}|01\d{14})(?:10.*|21.*)?$", e.value)
            if tail and _is_element(tail.group()):
                what = (
                    f"({e.ai}) {e.value} ends like ({tail.group()[:2]}): a separator may be missing"
                )
                yield Problem("separator-suspected", what, e.ai)


def _is_element(text: str) -> bool:
    if text.startswith("01"):
        return check_digit_is_right(text[2:16])
    return text[:2] in _DATES and is_digits(text[2:8]) and read_date(text[2:8]) is not None
