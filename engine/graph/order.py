"""Values of an order in the types that a recipe declares."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from engine.problems import Problem, ProblemsFound, listed, nearest, quoted

_FORMS = {
    "text": "a text",
    "date": "a date as 2027-03-14",
    "whole_number": "a whole number",
    "number": "a number",
    "texts": "one text or several, with commas or spaces between",
}
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_WHOLE = re.compile(r"[-+]?[0-9]{1,18}")
_NUMBER = re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?")


def typed_order(
    declared: Mapping[str, str], given: Mapping[str, str], where: str = "the order"
) -> dict[str, Any]:
    """Give each declared field its value in its type.

    Parameters
    ----------
    declared : mapping
        Type of each field, as the recipe declares it.
    given : mapping
        Text of each value.
    where : str
        Where the values come from, for problems.

    Raises
    ------
    ProblemsFound
        When a declared field is missing, empty or of another form. Fields that the recipe does
        not declare are ignored: one order may serve several recipes.

    Examples
    --------
    >>> typed_order({"expiry": "date", "lot": "text"}, {"expiry": "2027-03-14", "lot": "0447"})
    {'expiry': datetime.date(2027, 3, 14), 'lot': '0447'}
    """
    problems: list[Problem] = []
    typed: dict[str, Any] = {}
    for field, kind in declared.items():
        if field not in given:
            others = [name for name in given if name not in declared]
            what = f"The recipe needs the order field `{field}` ({_FORMS[kind]}). Give it with "
            what += f"`--order {field}=...` or in the set's set.yaml.{nearest(field, others)}"
            problems.append(Problem(where, 0, 0, field, "order-missing", what))
            continue
        value = _typed(given[field], kind)
        if value is None:
            shown = quoted(given[field]) if given[field].strip() else "Nothing"
            what = f"{shown} stands here; {_FORMS[kind]} is needed."
            problems.append(Problem(where, 0, 0, field, "order-type", what))
        typed[field] = value
    if problems:
        raise ProblemsFound(problems)
    return typed


def read_pairs(pairs: list[str]) -> dict[str, str]:
    """Read `field=value` pairs from a command line.

    Raises
    ------
    ProblemsFound
        When a pair has no `=` or a field is given twice.

    Examples
    --------
    >>> read_pairs(["lot=K4471", "expiry=2027-03-14"])
    {'lot': 'K4471', 'expiry': '2027-03-14'}
    """
    values: dict[str, str] = {}
    problems: list[Problem] = []
    for pair in pairs:
        field, equals, value = pair.partition("=")
        field = field.strip()
        if not equals or not field:
            what = f"{quoted(pair)} is not of the form FIELD=VALUE."
            problems.append(Problem("--order", 0, 0, "", "order-form", what))
        elif field in values:
            what = f"{quoted(field)} is given twice. Fields given: {listed(values)}."
            problems.append(Problem("--order", 0, 0, field, "order-form", what))
        values[field] = value
    if problems:
        raise ProblemsFound(problems)
    return values


def read_date(text: str) -> date | None:
    """Give the date that a text as 2027-03-14 names; None where it names none.

    Examples
    --------
    >>> read_date("2027-03-14"), read_date("2027-02-30")
    (datetime.date(2027, 3, 14), None)
    """
    if not _DATE.fullmatch(text):
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _typed(text: str, kind: str) -> Any:
    """Give a value in its type; None where the text is none of that type."""
    plain = text.strip()
    if kind == "texts":
        return frozenset(re.split(r"[,;\s]+", text.strip(" ,;\t\r\n"))) or None
    if kind == "text":
        return text if plain else None
    if kind == "date":
        return read_date(plain)
    if kind == "whole_number":
        return int(plain) if _WHOLE.fullmatch(plain) else None
    number = float(plain) if _NUMBER.fullmatch(plain) else math.nan
    return number if math.isfinite(number) else None
