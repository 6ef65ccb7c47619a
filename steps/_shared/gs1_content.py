"""Rules on the content of one application identifier: characters, lengths, dates, check digits."""

from __future__ import annotations

import calendar
import re
from collections.abc import Callable, Iterator
from datetime import date

from steps._shared.check_digits import (
    CHARACTERS_39,
    CHARACTERS_82,
    check_digit,
    check_digit_is_right,
    check_pair_is_right,
    is_digits,
)
from steps._shared.gs1_table import Identifier, Part

YEAR_OF_THE_RULES = 2026
"""Year of the dictionary; stands for the current year where today's date is not given."""

_CHARACTERS = {
    "N": ("0123456789", "digits"),
    "X": (CHARACTERS_82, "the 82 characters of element strings"),
    "Y": (CHARACTERS_39, "the 39 characters of part identifiers"),
    "Z": (
        "-0123456789=ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz",
        "base64 characters for web addresses",
    ),
}


def full_year(yy: int, today: date | None = None) -> int:
    """Give the year of two digits by the 51-year rule.

    Parameters
    ----------
    yy : int
        0 to 99.
    today : date, optional
        The day the rule is applied; 2026 where it is not given.

    Returns
    -------
    int
        From 49 years before the current year to 50 years after it.

    Examples
    --------
    >>> full_year(75, date(2026, 1, 1)), full_year(77, date(2026, 1, 1))
    (2075, 1977)
    """
    now = today.year if today else YEAR_OF_THE_RULES
    ahead = yy - now % 100
    century = now - now % 100
    if ahead >= 51:
        century -= 100
    elif ahead <= -50:
        century += 100
    return century + yy


def read_date(yymmdd: str, today: date | None = None) -> date | None:
    """Read a date of six digits; day 00 is the last day of the month.

    Examples
    --------
    >>> read_date("270314"), read_date("240200"), read_date("210229")
    (datetime.date(2027, 3, 14), datetime.date(2024, 2, 29), None)
    """
    if len(yymmdd) != 6 or not is_digits(yymmdd):
        return None
    return _day(full_year(int(yymmdd[:2]), today), int(yymmdd[2:4]), int(yymmdd[4:]))


def split_parts(identifier: Identifier, value: str) -> Iterator[tuple[Part, str]]:
    """Give each part of an identifier with its share of `value`, in order."""
    at = 0
    for part in identifier.parts:
        if part.optional and at >= len(value):
            return
        yield part, value[at : at + part.longest]
        at += part.longest


def content_faults(identifier: Identifier, value: str, today: date | None = None) -> list[str]:
    """Say what breaks the rules of `identifier` in `value`.

    Parameters
    ----------
    identifier : Identifier
        What the dictionary says.
    value : str
        The content, without the identifier.
    today : date, optional
        For the century of dates.

    Returns
    -------
    list of str
        One sentence each, empty where nothing is wrong. Lists of codes (countries, currencies,
        packages, coupons) are not held; there only the form is checked.
    """
    if not value:
        return ["the content is missing"]
    faults: list[str] = []
    for part, text in split_parts(identifier, value):
        faults += _part_faults(part, text, today)
    if len(value) > identifier.longest:
        faults.append(f"{len(value)} characters, {identifier.longest} allowed")
    return faults


def _part_faults(part: Part, text: str, today: date | None) -> Iterator[str]:
    """Say what is wrong with one part."""
    if len(text) < part.shortest:
        yield f"too short: `{text}` has {len(text)} of {part.shortest} characters"
        return
    allowed, name = _CHARACTERS[part.kind]
    wrong = sorted({c for c in text if c not in allowed})
    if wrong:
        yield f"`{''.join(wrong)}` in `{text}`: only {name} may stand here"
        return
    for rule in part.rules:
        check = _RULES.get(rule)
        fault = check(text, today) if check else None
        if fault:
            yield fault


def _day(year: int, month: int, day: int) -> date | None:
    """Give a date, day 0 as the last of the month; None where there is no such day."""
    if not 1 <= month <= 12:
        return None
    last = calendar.monthrange(year, month)[1]
    return date(year, month, day or last) if day <= last else None


def _sum_fault(text: str, _: date | None) -> str | None:
    if check_digit_is_right(text):
        return None
    return f"check digit {text[-1]} of {text} is wrong, {check_digit(text[:-1])} is right"


def _date_or_00_fault(text: str, today: date | None) -> str | None:
    return None if read_date(text, today) else f"there is no date {text} (YYMMDD)"


def _date_fault(text: str, today: date | None) -> str | None:
    if text.endswith("00"):
        return f"the day is missing in {text}"
    return _date_or_00_fault(text, today)


def _long_date_fault(text: str, _: date | None) -> str | None:
    year, month, day = int(text[:4]), int(text[4:6]), int(text[6:])
    right = year and day and _day(year, month, day)
    return None if right else f"there is no date {text} (YYYYMMDD)"


def _up_to(limit: int, what: str) -> Callable[[str, date | None], str | None]:
    def fault(text: str, _: date | None) -> str | None:
        return None if int(text) <= limit else f"{text} is no {what}"

    return fault


def _time_fault(text: str, _: date | None) -> str | None:
    right = int(text[:2]) < 24 and int(text[2:]) < 60
    return None if right else f"there is no time {text} (hhmm)"


def _form(pattern: str, what: str) -> Callable[[str, date | None], str | None]:
    whole = re.compile(pattern)

    def fault(text: str, _: date | None) -> str | None:
        return None if whole.fullmatch(text) else f"`{text}` is not {what}"

    return fault


def _pair_fault(text: str, _: date | None) -> str | None:
    return None if check_pair_is_right(text) else f"the check pair at the end of {text} is wrong"


def _piece_fault(text: str, _: date | None) -> str | None:
    piece, total = int(text[:2]), int(text[2:])
    return None if 0 < piece <= total else f"{text} is no piece of a total (ppTT)"


def _sequence_fault(text: str, _: date | None) -> str | None:
    right = re.fullmatch(r"[1-9]/[1-9]", text) and text[0] <= text[2]
    return None if right else f"`{text}` is no place in a sequence (p/t)"


def _iban_fault(text: str, _: date | None) -> str | None:
    form = re.fullmatch(r"[A-Z]{2}[0-9]{2}[0-9A-Z]+", text)
    number = "".join(str(int(c, 36)) for c in text[4:] + text[:4]) if form else "0"
    return None if int(number) % 97 == 1 else f"{text} is no bank account number (check digits)"


_RULES: dict[str, Callable[[str, date | None], str | None]] = {
    "csum": _sum_fault,
    "csumalpha": _pair_fault,
    "gcppos1": _form(r"[0-9].*", "a key: it must begin with a company's number"),
    "gcppos2": _form(r".[0-9].*", "a key: a company's number must stand at its second place"),
    "yymmd0": _date_or_00_fault,
    "yymmdd": _date_fault,
    "yyyymmdd": _long_date_fault,
    "hhmi": _time_fault,
    "hh": _up_to(23, "hour"),
    "mi": _up_to(59, "minute"),
    "ss": _up_to(59, "second"),
    "zero": _form(r"0+", "0"),
    "nonzero": _form(r".*[1-9].*", "more than 0"),
    "nozeroprefix": _form(r"0|[1-9][0-9]*", "without leading zeros"),
    "hasnondigit": _form(r".*[^0-9].*", "more than digits"),
    "yesno": _form(r"[01]", "0 or 1"),
    "winding": _form(r"[019]", "a winding direction (0, 1, 9)"),
    "iso5218": _form(r"[0129]", "0, 1, 2 or 9"),
    "iso3166alpha2": _form(r"[A-Z]{2}", "a country of two capital letters"),
    "iso3166": _form(r"(?!000)[0-9]{3}", "a country number"),
    "iso3166999": _form(r"(?!000)[0-9]{3}", "a country number or 999"),
    "iso4217": _form(r"(?!000)[0-9]{3}", "a currency number"),
    "mediatype": _form(r"0[1-9]|10|[89][0-9]", "a media type (01 to 10, 80 to 99)"),
    "importeridx": _form(r"[-_0-9A-Za-z]", "an importer index"),
    "hyphen": _form(r"-", "a hyphen"),
    "latitude": _up_to(1_800_000_000, "latitude"),
    "longitude": _up_to(3_600_000_000, "longitude"),
    "pieceoftotal": _piece_fault,
    "posinseqslash": _sequence_fault,
    "pcenc": _form(r"(?:[^%]|%[0-9A-Fa-f]{2})*", "percent-encoded text"),
    "iban": _iban_fault,
}
