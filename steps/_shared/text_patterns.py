"""The pattern of a printed line: what stands fixed, what the order gives, what is read."""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
"""Month names as the `mon` part prints them."""

_PART = r"yyyy|yy|mon|mm|dd"
_DATE = re.compile(rf"(?:{_PART})(?:[./\- ]?(?:{_PART}))+")
_TIME = re.compile(r"hh[:.\-]?mm(?:[:.\-]?ss)?")
_TOKEN = re.compile(rf"{_PART}|hh|ss|.")
_PIECE = re.compile(
    r"\{'(?P<quoted>.*?)'\}|\{(?P<field>[A-Za-z_]\w*)(?::(?P<format>[^{}]*))?\}"
    rf"|(?<![A-Za-z])(?P<time>{_TIME.pattern})(?![A-Za-z])"
    rf"|(?<![A-Za-z])(?P<date>{_DATE.pattern})(?![A-Za-z])|(?P<text>.)",
    re.DOTALL,
)

_TWO = {"dd": (1, 31), "mm": (1, 12), "yy": (0, 99), "hh": (0, 23), "ss": (0, 59)}


class BadPattern(ValueError):  # noqa: N818 - read as a sentence: raised on a bad pattern
    """A pattern that cannot be used, with the reason."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a date or time in the line: which places, and what may stand there."""

    unit: str
    """`dd`, `mm`, `mon`, `yy`, `yyyy`, `hh`, `minute` or `ss`."""
    start: int
    """Place of the first character in the line, spaces counted [count]."""
    choices: tuple[str, ...]
    """Every text that may stand there."""

    @property
    def places(self) -> range:
        """Places of the part's characters."""
        return range(self.start, self.start + len(self.choices[0]))


@dataclass(frozen=True, slots=True)
class Moment:
    """A date or a time in the line."""

    kind: Literal["date", "time"]
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class LinePattern:
    """A line as it must be printed."""

    characters: tuple[str | None, ...]
    """One for each place; None where any character of the part that stands there will do."""
    moments: tuple[Moment, ...]

    def shown(self) -> str:
        """Give the line with `?` where the print is read."""
        return "".join(c or "?" for c in self.characters)

    def allowed(self) -> tuple[str, ...]:
        """Give the characters that may stand at each place, as one text a place."""
        sets: list[set[str]] = [set(c or "") for c in self.characters]
        for moment in self.moments:
            for part in moment.parts:
                for k, place in enumerate(part.places):
                    if self.characters[place] is None:
                        sets[place] |= {choice[k] for choice in part.choices}
        return tuple("".join(sorted(some)) for some in sets)


def _part(unit: str, start: int, *, in_time: bool) -> Part:
    """Make one part of a date or time."""
    if unit == "mon":
        return Part(unit, start, MONTHS)
    if unit == "yyyy":
        return Part(unit, start, tuple(str(y) for y in range(2000, 2100)))
    low, high = (0, 59) if in_time and unit == "mm" else _TWO[unit]
    name = "minute" if in_time and unit == "mm" else unit
    return Part(name, start, tuple(f"{n:02}" for n in range(low, high + 1)))


def _moment(layout: str, start: int, *, kind: Literal["date", "time"]) -> tuple[Moment, list[str]]:
    """Lay out a date or time: its parts, and its characters with `?` for what is read."""
    parts: list[Part] = []
    characters: list[str] = []
    for unit in _TOKEN.findall(layout):
        if len(unit) == 1:
            characters.append(unit)
            continue
        part = _part(unit, start + len(characters), in_time=kind == "time")
        parts.append(part)
        characters += "?" * len(part.choices[0])
    return Moment(kind, tuple(parts)), characters


def print_date(day: date, layout: str) -> str:
    """Print a date in a layout of `dd`, `mm`, `mon`, `yy`, `yyyy` and separators.

    Examples
    --------
    >>> print_date(date(2027, 3, 14), "dd mon yy")
    '14 MAR 27'
    """
    texts = {
        "dd": f"{day.day:02}",
        "mm": f"{day.month:02}",
        "mon": MONTHS[day.month - 1],
        "yy": f"{day.year % 100:02}",
        "yyyy": f"{day.year:04}",
    }
    units: list[str] = _TOKEN.findall(layout)
    return "".join(texts.get(unit, unit) for unit in units)


def _order_value(
    field: str, layout: str | None, order: Mapping[str, object]
) -> tuple[str, str | None]:
    """Give the text of an order field, and its layout where it is a date."""
    if field not in order:
        has = ", ".join(sorted(order)) or "none"
        raise BadPattern(f"the order has no field `{field}` (it has: {has})")
    value = order[field]
    if isinstance(value, datetime):
        value = value.date()
    if isinstance(value, date):
        if layout is None:
            raise BadPattern(f"`{field}` is a date: say how it is printed, {{{field}:dd/mm/yyyy}}")
        if not _DATE.fullmatch(layout):
            raise BadPattern(f"`{layout}` is no date layout; parts are dd, mm, mon, yy, yyyy")
        return print_date(value, layout), layout
    if layout is not None:
        raise BadPattern(f"`{field}` is no date, so it takes no layout `{layout}`")
    text = str(value)
    if not text.strip():
        raise BadPattern(f"order field `{field}` is empty")
    return text, None


def parse_pattern(text: str, order: Mapping[str, object]) -> LinePattern:
    """Parse the pattern of a line and fill in what the order gives.

    Parameters
    ----------
    text : str
        Fixed text; ``{field}`` for a text of the order; ``{field:dd/mm/yyyy}`` for a date of the
        order; ``dd/mm/yyyy`` and ``hh:mm`` standing bare for a date or time that is read from the
        print; ``{'...'}`` for text that is to stand as it is.
    order : mapping
        Values of the order by field.

    Returns
    -------
    LinePattern
        The line, its known characters and its dates and times.

    Raises
    ------
    BadPattern
        When the pattern or the order does not make a line.

    Notes
    -----
    A bare date has at least two of the parts ``dd mm mon yy yyyy``, which one of ``. / -`` or a
    space may part; a bare time is ``hh mm`` or ``hh mm ss``, which ``:``, ``.`` or ``-`` may part.
    Letters beside them make them ordinary text: ``Xdd/mm`` is fixed text.

    Examples
    --------
    >>> parse_pattern("LOT {lot} hh:mm", {"lot": "K4471"}).shown()
    'LOT K4471 ??:??'
    """
    characters: list[str | None] = []
    moments: list[Moment] = []
    for piece in _PIECE.finditer(text):
        groups = piece.groupdict()
        if groups["field"]:
            shown, layout = _order_value(groups["field"], groups["format"], order)
            if layout:
                moments.append(_moment(layout, len(characters), kind="date")[0])
            characters += shown
        elif groups["time"] or groups["date"]:
            kind: Literal["date", "time"] = "time" if groups["time"] else "date"
            moment, shown_as = _moment(piece.group(), len(characters), kind=kind)
            moments.append(moment)
            characters += [None if c == "?" else c for c in shown_as]
        else:
            plain = groups["quoted"] if groups["quoted"] is not None else piece.group()
            if groups["quoted"] is None and plain in "{}":
                raise BadPattern(
                    f"`{plain}` at character {piece.start() + 1} has no partner; "
                    "a field is {name}, text as it is {'...'}"
                )
            characters += plain
    for kind in ("date", "time"):
        if sum(m.kind == kind for m in moments) > 1:
            raise BadPattern(f"the pattern holds more than one {kind}")
    if sum(c != " " for c in characters) < 2:
        raise BadPattern("the pattern has fewer than 2 characters to look at")
    if any(c is not None and not c.isprintable() for c in characters):
        raise BadPattern("the pattern holds a character that cannot be printed in one line")
    return LinePattern(tuple(characters), tuple(moments))


def to_date(parts: Mapping[str, str]) -> date | None:
    """Make a date of its printed parts; None where there is no such day.

    Years of two digits lie in 2000-2099; a date without a day is the last day of its month.

    Examples
    --------
    >>> to_date({"mm": "02", "yyyy": "2028"})
    datetime.date(2028, 2, 29)
    """
    try:
        year = int(parts["yyyy"] if "yyyy" in parts else "20" + parts["yy"])
        month = MONTHS.index(parts["mon"]) + 1 if "mon" in parts else int(parts["mm"])
        day = int(parts["dd"]) if "dd" in parts else calendar.monthrange(year, month)[1]
        return date(year, month, day)
    except (KeyError, ValueError):
        return None


def minutes_off(printed: Sequence[int], taken_at: datetime) -> float:
    """Give a printed time of day minus that of `taken_at`, the short way round midnight [min].

    Printed times are cut to the minute (or second), so the middle of that minute is not assumed.

    Examples
    --------
    >>> minutes_off((0, 1), datetime(2027, 3, 14, 23, 59))
    2.0
    """
    units = (60.0, 1.0, 1 / 60)
    shown = sum(n * unit for n, unit in zip(printed, units, strict=False))
    seen = (
        taken_at.hour * 60 + taken_at.minute + (taken_at.second + taken_at.microsecond / 1e6) / 60
    )
    return (shown - seen + 720) % 1440 - 720
