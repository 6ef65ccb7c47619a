"""Values of an order in the types that a recipe declares."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from engine.problems import Problem, ProblemsFound, listed, nearest

_FORMS = {
    "text": "a text",
    "date": "a date as 2027-03-14",
    "whole_number": "a whole number",
    "number": "a number",
}


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
    """
    problems: list[Problem] = []
    typed: dict[str, Any] = {}
    for field, kind in declared.items():
        if field not in given:
            what = f"The recipe needs the order field `{field}` ({_FORMS[kind]}). Give it with "
            what += f"`--order {field}=...` or in the set's set.yaml.{nearest(field, given)}"
            problems.append(Problem(where, 0, 0, field, "order-missing", what))
            continue
        try:
            typed[field] = _typed(given[field], kind)
        except ValueError:
            what = f"`{given[field]}` stands here; {_FORMS[kind]} is needed."
            problems.append(Problem(where, 0, 0, field, "order-type", what))
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
            what = f"`{pair}` is not of the form field=value."
            problems.append(Problem("--order", 0, 0, "", "order-form", what))
        elif field in values:
            what = f"`{field}` is given twice. Fields given: {listed(values)}."
            problems.append(Problem("--order", 0, 0, field, "order-form", what))
        values[field] = value
    if problems:
        raise ProblemsFound(problems)
    return values


def _typed(text: str, kind: str) -> Any:
    if not text.strip():
        raise ValueError(kind)
    if kind == "text":
        return text
    if kind == "date":
        return date.fromisoformat(text.strip())
    if kind == "whole_number":
        return int(text)
    number = float(text)
    if number != number or number in (float("inf"), float("-inf")):
        raise ValueError(kind)
    return number
