"""Values held against limits: findings, each with its margin. Pure; also used on records."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, TypeAlias

from engine.graph.patterns import full_match
from engine.graph.plan import Bound, DaysFromToday, PlannedLimit
from engine.result import Finding, Value

Number: TypeAlias = "int | float"
"""A number that margins are formed of; dates count in days."""


def judge(
    limits: Iterable[PlannedLimit], values: Mapping[str, Value], today: date | None
) -> list[Finding]:
    """Hold the values of one step against its limits.

    Parameters
    ----------
    limits : iterable of PlannedLimit
        The step's limits.
    values : mapping
        What the step measured, by name; a missing name or None = not measured.
    today : date or None
        The day of the trigger, for bounds that count from it; None where it is not known.

    Returns
    -------
    list of Finding
        One for each limit, in order. A value that was not measured breaks its limit, unless the
        limit says that it may be missing. A bound that needs the day of the trigger is broken
        where that is not known: nothing is guessed.
    """
    return [_finding(limit, values.get(limit.value), today) for limit in limits]


def _finding(limit: PlannedLimit, value: Value, today: date | None) -> Finding:
    low, high, low_known = *_bounds(limit, today), _day_known(limit, today)
    if value is None:
        good, margin = limit.may_be_missing, None
    else:
        margin = _margin(value, low, high)
        good = low_known and (margin is None or margin >= 0) and _named(limit, value)
    return Finding(
        camera=limit.camera,
        step=limit.step,
        value=limit.value,
        measured=value,
        unit=limit.unit,
        limit=_shown(limit, low, high),
        good=good,
        margin=margin,
        reason=limit.reason,
        catches=limit.catches,
    )


def _bounds(limit: PlannedLimit, today: date | None) -> tuple[Bound, Bound]:
    return _resolved(limit.minimum, today), _resolved(limit.maximum, today)


def _resolved(bound: Bound, today: date | None) -> Bound:
    if isinstance(bound, DaysFromToday):
        return None if today is None else bound.on(today)
    return bound


def _day_known(limit: PlannedLimit, today: date | None) -> bool:
    moving = (limit.minimum, limit.maximum, limit.equals, *(limit.one_of or ()))
    return today is not None or not any(isinstance(b, DaysFromToday) for b in moving)


def _margin(value: Value, low: Bound, high: Bound) -> float | None:
    """Give the distance to the nearest bound, positive inside; days for dates."""
    distances: list[float] = []
    if low is not None:
        distances.append(_difference(value, low))
    if high is not None:
        distances.append(_difference(high, value))
    return min(distances) if distances else None


def _difference(a: Any, b: Any) -> float:
    if isinstance(a, date):
        return float((a - b).days)
    return float(a - b)


def _named(limit: PlannedLimit, value: Value) -> bool:
    """Hold a value against `equals`, `one_of` and `matches`."""
    if limit.equals is not None and value != limit.equals:
        return False
    if limit.one_of is not None and value not in limit.one_of:
        return False
    return limit.matches is None or full_match(limit.matches, str(value))


def _shown(limit: PlannedLimit, low: Bound, high: Bound) -> dict[str, Any]:
    shown: dict[str, Any] = {}
    for name, bound, given in (("min", low, limit.minimum), ("max", high, limit.maximum)):
        if given is not None:
            shown[name] = "day of the trigger not known" if bound is None else bound
    if limit.equals is not None:
        shown["equals"] = limit.equals
    if limit.one_of is not None:
        shown["one_of"] = list(limit.one_of)
    if limit.matches is not None:
        shown["matches"] = limit.matches
    return shown
