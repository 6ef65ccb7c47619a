"""What values of good cartons suggest as limits, with the reason, and what they cannot show.

A limit far outside the good cartons rests on the shape of their spread. Where that is about
normal, on the values, their logarithms or their square roots, the suggestion is the mean and
`SPREADS` standard deviations: on a captured set, limits of 20 cartons so made rejected none of 121
further good ones, where 1.25 times the largest rejected 12 % and 6 robust spreads 4 %. Else the
suggestion can only be what lies between the extremes.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TypeGuard

from engine.graph.plan import Plan, PlannedLimit
from engine.result import CameraResult, Value

SPREADS = 7.0
"""Suggested limits lie this many standard deviations from the mean of good cartons."""
CONFIDENCE = 0.95
LEAST = 10
"""With fewer good cartons nothing is suggested [count]."""
SOUND_COVERAGE = 0.99
"""A suggestion that holds less of all good cartons is no limit to write."""
_FLOORS = {"mm": 0.02, "deg": 0.02, "px": 0.05, "good spreads": 0.5, "grey levels": 0.5}
_RELATIVE_FLOOR = 0.002
_NORMAL_P = 0.01
_SKEWED = 0.5
_NARROW = 0.25
USUAL = 8.0
"""Limit of a value that a step gives in spreads of good cartons."""
MOST_CLAIMED = 0.9999
"""No more is claimed: nobody knows a shape further out than this from tens of cartons."""


@dataclass(frozen=True, slots=True)
class Spread:
    """The values of one quantity over good cartons."""

    place: str
    """`camera.step.value`."""
    unit: str
    kind: str
    by_trigger: Mapping[int, float]
    """Numbers, by trigger."""
    others: tuple[str, ...]
    """Different values of a text, date or truth value."""
    missing: int
    """Cartons on which it was not measured."""
    limit: PlannedLimit | None

    @property
    def numbers(self) -> tuple[float, ...]:
        """Give the numbers."""
        return tuple(self.by_trigger.values())

    @property
    def mean(self) -> float:
        """Give the mean."""
        return statistics.fmean(self.numbers) if self.numbers else math.nan

    @property
    def sd(self) -> float:
        """Give the standard deviation of the sample, n - 1."""
        return statistics.stdev(self.numbers) if len(self.numbers) > 1 else math.nan

    @property
    def least_sd(self) -> float:
        """Give the floor under the standard deviation: less is chance, or the scale's own grain."""
        return max(_FLOORS.get(self.unit, 0.0), _RELATIVE_FLOOR * abs(self.mean), 1e-12)


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A limit that good cartons suggest."""

    place: str
    low: float | None
    """Suggested `min`; None = none."""
    high: float | None
    reason: str
    sound: bool
    """Whether it may be written as a limit."""


def spreads(plan: Plan, results: Mapping[int, tuple[CameraResult, ...]]) -> list[Spread]:
    """Gather each value over good cartons.

    Parameters
    ----------
    plan : Plan
        The recipe.
    results : mapping
        What the cameras' steps said, by trigger.
    """
    said = {
        trigger: {(step.camera, step.step): step.values for camera in cameras
                  for step in camera.steps}
        for trigger, cameras in results.items()
    }  # fmt: skip
    found: list[Spread] = []
    for camera in plan.cameras.values():
        for planned in camera.steps:
            limits = {limit.value: limit for limit in planned.limits}
            here = {t: row.get((planned.camera, planned.name)) for t, row in said.items()}
            for name, info in planned.step.values.items():
                values = {t: None if s is None else s.get(name) for t, s in here.items()}
                numbers = {t: v for t, v in values.items() if _is_number(v)}
                found.append(
                    Spread(
                        place=f"{planned.camera}.{planned.name}.{name}",
                        unit=info.unit,
                        kind=info.kind,
                        by_trigger={t: float(v) for t, v in numbers.items()},
                        others=tuple(
                            dict.fromkeys(
                                str(v)
                                for v in values.values()
                                if v is not None and not _is_number(v)
                            )
                        ),
                        missing=sum(v is None for v in values.values()),
                        limit=limits.get(name),
                    )
                )
    return found


def _is_number(value: Value) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def suggest(spread: Spread, *, low: bool, high: bool) -> Suggestion | None:
    """Suggest bounds for a value; None where it is no number.

    Parameters
    ----------
    spread : Spread
        The value over good cartons.
    low, high : bool
        Which sides are wanted.
    """
    count = len(spread.numbers)
    if not spread.numbers or not (low or high):
        return None
    if spread.kind == "whole":
        return _none(spread, "a count: what the product asks for")
    if count < LEAST:
        return _none(spread, f"only {count} cartons: nothing can be said")
    if len(set(spread.numbers)) == 1:
        return _none(spread, f"all {count} are equal: no spread to build on")
    if spread.unit == "good spreads":
        return _in_spreads(spread, low=low, high=high)
    scale = _normal_scale(spread.numbers, skewed_allowed=high and not low)
    if scale is None:
        return _free(spread, low=low, high=high)
    return _normal(spread, scale, low=low, high=high)


def _none(spread: Spread, reason: str) -> Suggestion:
    return Suggestion(spread.place, None, None, reason, sound=False)


def _in_spreads(spread: Spread, *, low: bool, high: bool) -> Suggestion:
    """Suggest the usual limit of a value that is in spreads of good cartons already."""
    far = max(map(abs, spread.numbers))
    reason = f"in spreads of good cartons already: {USUAL:g}; the farthest of "
    reason += f"{len(spread.numbers)} is {far:.2g}"
    if far >= USUAL:
        return _none(spread, reason)
    return Suggestion(
        spread.place, -USUAL if low else None, USUAL if high else None, reason, sound=True
    )


def _normal(spread: Spread, scale: _Scale, *, low: bool, high: bool) -> Suggestion:
    """Suggest the mean and `SPREADS` standard deviations, on a scale where values look normal."""
    there = [scale.to(value) for value in spread.numbers]
    floor = scale.to(spread.mean + spread.least_sd) - scale.to(spread.mean)
    centre, sd = statistics.fmean(there), max(statistics.stdev(there), floor)
    ends = scale.back(centre - SPREADS * sd), scale.back(centre + SPREADS * sd)
    covered = min(coverage_of(SPREADS, len(there), low + high), MOST_CLAIMED)
    reason = f"mean ± {SPREADS:g} s{scale.words}"
    reason += " (s raised to its floor)" if sd == floor else ""
    reason += f": holds {_share(covered)} of good cartons with {CONFIDENCE * 100:.0f} % confidence,"
    reason += " if normal"
    grain = _grain(ends[1] - ends[0])
    return Suggestion(
        spread.place,
        _rounded(ends[0], grain, math.floor) if low else None,
        _rounded(ends[1], grain, math.ceil) if high else None,
        reason,
        sound=True,
    )


def _free(spread: Spread, *, low: bool, high: bool) -> Suggestion:
    """Suggest what the extremes show, whatever the shape of the spread."""
    from engine.study.tolerance import (
        distribution_free_bounds,
        distribution_free_coverage,
        distribution_free_n,
    )

    numbers, sides = spread.numbers, low + high
    needed = distribution_free_n(SOUND_COVERAGE, CONFIDENCE, sides)
    grain = _grain(max(numbers) - min(numbers))
    sound = len(numbers) >= needed
    ends: tuple[float | None, float | None] = min(numbers), max(numbers)
    if sound:
        side = "both" if sides == 2 else "lower" if low else "upper"
        bounds = distribution_free_bounds(numbers, SOUND_COVERAGE, CONFIDENCE, side)
        ends = bounds.lower, bounds.upper
        reason = f"not normal; by rank alone: holds {_share(SOUND_COVERAGE)} of good cartons with "
        reason += f"{bounds.confidence * 100:.0f} % confidence"
    else:
        percent = math.floor(100 * distribution_free_coverage(len(numbers), CONFIDENCE, sides))
        which = "smallest to largest" if sides == 2 else "the smallest" if low else "the largest"
        reason = f"not normal: {which} of {len(numbers)} holds {percent} % of good "
        reason += f"cartons with {CONFIDENCE * 100:.0f} % confidence; {needed} would show "
        reason += _share(SOUND_COVERAGE)
    low_end = None if not low or ends[0] is None else _rounded(ends[0], grain, math.floor)
    high_end = None if not high or ends[1] is None else _rounded(ends[1], grain, math.ceil)
    return Suggestion(spread.place, low_end, high_end, reason, sound)


@dataclass(frozen=True, slots=True)
class _Scale:
    """A scale on which values may look normal."""

    words: str
    to: Callable[[float], float]
    back: Callable[[float], float]


_LINEAR = _Scale("", float, float)
_LOG = _Scale(" of the logarithm", math.log, math.exp)
_ROOT = _Scale(" of the square root", math.sqrt, lambda root: root * abs(root))


def _normal_scale(numbers: Sequence[float], *, skewed_allowed: bool) -> _Scale | None:
    """Say on which scale values look normal; None for none.

    The logarithm is for positive, skewed values of narrow spread (ratios, maxima), the square root
    for those of wide spread (distances from a place): a wide logarithm would reach absurdly far.
    """
    from scipy.stats import shapiro, skew

    if skewed_allowed and min(numbers) > 0 and float(skew(numbers)) > _SKEWED:
        narrow = statistics.stdev([math.log(value) for value in numbers]) <= _NARROW
        scale = _LOG if narrow else _ROOT
        if float(shapiro([scale.to(value) for value in numbers]).pvalue) >= _NORMAL_P:
            return scale
    return _LINEAR if float(shapiro(numbers).pvalue) >= _NORMAL_P else None


@cache
def coverage_of(factor: float, count: int, sides: int) -> float:
    """Give the share that mean ± factor standard deviations of so many normal values holds.

    Examples
    --------
    >>> round(coverage_of(2.76, 20, 2), 3)
    0.95
    """
    from engine.study.tolerance import tolerance_factor

    low, high = 0.1, 7.0  # nines: the share is 1 - 10 ** -nines
    for _ in range(25):
        middle = (low + high) / 2
        if tolerance_factor(count, 1 - 10**-middle, CONFIDENCE, sides) < factor:
            low = middle
        else:
            high = middle
    return 1 - 10**-low


def _share(share: float) -> str:
    """Give a share near one with as many nines as it has, cut and not rounded up."""
    nines = max(0, math.floor(-math.log10(1 - share) + 1e-9) - 2)
    return f"{math.floor(share * 100 * 10**nines) / 10**nines:.{nines}f} %"


def _grain(width: float) -> float:
    """Give the step to which bounds are rounded: a hundredth of the width, or finer."""
    return 10.0 ** math.floor(math.log10(max(width, 1e-9) / 50))


def _rounded(value: float, grain: float, way: Callable[[float], int]) -> float:
    steps = way(value / grain + (1e-9 if way is math.floor else -1e-9))
    return float(f"{steps * grain:.10g}")


def what_cannot_be_claimed(count: int) -> str:
    """Say what so many good cartons cannot show, whatever the shape of the spread.

    Examples
    --------
    >>> print(what_cannot_be_claimed(20))
    The largest of 20 cartons holds 86 % of all good ones with 95 % confidence, whatever the shape
    of the spread; 59 would show 95 %, 299 would show 99 %. Limits further out rest on that shape.
    """
    from engine.study.tolerance import distribution_free_coverage, distribution_free_n

    covered = distribution_free_coverage(count, CONFIDENCE, 1)
    more = ", ".join(
        f"{distribution_free_n(share, CONFIDENCE, 1)} would show {share * 100:g} %"
        for share in (0.95, 0.99)
        if covered < share
    )
    return (
        f"The largest of {count} cartons holds {math.floor(covered * 100)} % of all good ones with "
        f"95 % confidence, whatever the shape\nof the spread{'; ' + more if more else ''}. Limits "
        "further out rest on that shape."
    )
