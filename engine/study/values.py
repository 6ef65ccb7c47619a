"""Values over many cartons: capability against their limits, and whether they stay the same."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from engine.study.capability import Capability, cp_cpk
from engine.study.charts import Ewma, Individuals, ewma, individuals

LAMBDA = 0.2
"""Weight of the newest carton in the moving average: common practice."""

Limits = tuple[float | None, float | None]
"""Lower and upper limit; None = no limit on that side."""


@dataclass(frozen=True, slots=True)
class Series:
    """One value over cartons."""

    place: str
    """`camera.step.value`."""
    unit: str
    triggers: tuple[int, ...]
    numbers: tuple[float, ...]
    missing: int
    """Cartons on which it was not measured [count]."""
    limits: Limits
    """Of the findings; of the last one where they differ."""
    has_other_limits: bool
    """Whether cartons were judged by different limits."""


@dataclass(frozen=True, slots=True)
class ValueStudy:
    """One value: how its spread fits its limits, and its charts; in the unit of the value."""

    series: Series
    mean: float
    sd: float
    """Standard deviation over all cartons, n - 1."""
    capability: Capability | None
    """By `sd`; None without a limit, or when the value never changes."""
    short_term: Capability | None
    """By the spread from one carton to the next, as the charts have it: what the value could do
    if it did not drift; None as above."""
    chart: Individuals
    average: Ewma | None
    """Around the mean; None when the value never changes."""
    notes: tuple[str, ...]


def gather(rows: Iterable[Mapping[str, Any]]) -> dict[str, Series]:
    """Gather every numeric value of results, with the limits that its findings name.

    Parameters
    ----------
    rows : iterable of mapping
        Verdicts as `engine.result.to_json` gives them.

    Returns
    -------
    dict
        By `camera.step.value`, in order of first appearance.
    """
    ordered = sorted(rows, key=lambda row: int(row["trigger"]))
    found: dict[str, list[tuple[int, float]]] = {}
    missing: dict[str, int] = {}
    limits: dict[str, list[Limits]] = {}
    units: dict[str, str] = {}
    for row in ordered:
        for finding in row["findings"]:
            place = f"{finding['camera']}.{finding['step']}.{finding['value']}"
            units[place] = finding["unit"]
            limits.setdefault(place, []).append(_limits(finding["limit"]))
        for place, value in row["values"].items():
            if value is None:
                missing[place] = missing.get(place, 0) + 1
            elif isinstance(value, (int, float)) and not isinstance(value, bool):
                found.setdefault(place, []).append((int(row["trigger"]), float(value)))
    for place, pairs in found.items():
        missing[place] = len(ordered) - len(pairs)
    return {
        place: Series(
            place,
            units.get(place, ""),
            tuple(trigger for trigger, _ in pairs),
            tuple(value for _, value in pairs),
            missing[place],
            limits.get(place, [(None, None)])[-1],
            len(set(limits.get(place, []))) > 1,
        )
        for place, pairs in found.items()
    }


def study_value(series: Series, limits: Limits | None = None, lam: float = LAMBDA) -> ValueStudy:
    """Give capability and charts of one value.

    Parameters
    ----------
    series : Series
        The value over cartons, at least two.
    limits : tuple, optional
        Lower and upper limit in place of those of the findings.
    lam : float
        Weight of the newest carton in the moving average, above 0 and at most 1 [fraction].

    Raises
    ------
    ValueError
        When there are fewer than two numbers, or the lower limit is not below the upper one.
    """
    low, high = series.limits if limits is None else limits
    chart = individuals(series.numbers)
    sd = float(np.std(series.numbers, ddof=1))
    moves = sd > 1e-12 * max(1.0, abs(chart.mean))
    n = len(series.numbers)
    judged = moves and (low is not None or high is not None)
    capability = cp_cpk(chart.mean, sd, low, high, n) if judged else None
    steady = chart.sigma > 0
    return ValueStudy(
        series,
        chart.mean,
        sd,
        capability,
        cp_cpk(chart.mean, chart.sigma, low, high, n) if judged and steady else None,
        chart,
        ewma(series.numbers, lam, chart.mean, chart.sigma) if steady else None,
        _notes(
            series, sd if moves else 0.0, limits is not None, low is not None or high is not None
        ),
    )


def _notes(series: Series, sd: float, given: bool, has_limit: bool) -> tuple[str, ...]:
    notes: list[str] = []
    if not has_limit:
        notes.append("no limit: there is no capability to give")
    if sd == 0:
        notes.append("the value never changes: there is no spread to judge by")
    if series.has_other_limits and not given:
        notes.append("cartons were judged by different limits; these are the last ones")
    if series.missing:
        notes.append(f"not measured on {series.missing} cartons, which are left out")
    if len(series.numbers) < 50:
        notes.append(f"{len(series.numbers)} cartons are few: see how wide the interval is")
    skewed = _skewness(series.numbers) if sd else 0.0
    if abs(skewed) > 1 and len(series.numbers) >= 20:
        notes.append(f"not normal (skewness {skewed:.1f}): the figures say less than they seem to")
    return tuple(notes)


def _skewness(numbers: Sequence[float]) -> float:
    x = np.asarray(numbers)
    spread = float(x.std())
    return float((((x - x.mean()) / spread) ** 3).mean()) if spread else 0.0


def _limits(limit: Mapping[str, Any]) -> Limits:
    """Give a finding's limit as two bounds."""

    def number(name: str) -> float | None:
        bound = limit.get(name)
        if not isinstance(bound, (int, float)) or isinstance(bound, bool):
            return None
        return float(bound) if math.isfinite(bound) else None

    return number("min"), number("max")
