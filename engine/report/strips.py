"""Every limited value over all cartons: numbers as strips along their limit, the rest as counts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from engine.report.truth import Truth
from engine.report.wording import limit_text, number_text, unit_text
from engine.result import trigger_name

WIDTH, HEIGHT, SIDE = 360, 96, 14
"""Size of a strip and its margin left and right, in its own units."""
MOST_POINTS = 500
"""Most cartons of one kind drawn into a strip [count]."""

Lane = Literal["good", "meant", "other"]
"""Good cartons, bad ones that this limit is to catch, other bad ones."""
_LANES: dict[Lane, float] = {"good": 20.0, "meant": 40.0, "other": 58.0}


@dataclass(slots=True)
class ValueHistory:
    """What one limited value was on every carton."""

    name: str
    """`camera.step.value`."""
    unit: str
    limit: Mapping[str, Any]
    triggers: dict[Lane, list[int]] = field(default_factory=lambda: {lane: [] for lane in _LANES})
    measured: dict[Lane, list[Any]] = field(default_factory=lambda: {lane: [] for lane in _LANES})
    is_good: dict[Lane, list[bool]] = field(default_factory=lambda: {lane: [] for lane in _LANES})

    @property
    def is_numeric(self) -> bool:
        """Tell whether the value can be drawn along an axis."""
        bounds = [self.limit.get(key) for key in ("min", "max", "equals")]
        seen = [m for lane in self.measured.values() for m in lane if m is not None]
        return bool(seen) and any(map(_is_number, bounds)) and all(map(_is_number, seen))

    @property
    def is_whole(self) -> bool:
        """Tell whether only whole numbers were measured."""
        seen = [m for lane in self.measured.values() for m in lane if m is not None]
        return all(isinstance(m, int) for m in seen)


@dataclass(frozen=True, slots=True)
class Strip:
    """One value drawn along its limit, as shapes in the strip's own units."""

    name: str
    limit: str
    paths: Mapping[Lane, str]
    """SVG path of the marks of each lane; those off the scale are arrows at its end."""
    beyond: tuple[tuple[float, float], ...]
    """Left end and width of the parts of the axis that the limit forbids."""
    bounds: tuple[float, ...]
    ticks: tuple[tuple[float, str], ...]
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tally:
    """A value that is no number: how often its limit was met."""

    name: str
    limit: str
    good: str
    meant: str
    other: str


def histories(
    rows: Iterable[Mapping[str, Any]], truth: Mapping[int, Truth] | None
) -> list[ValueHistory]:
    """Gather every limited value over all cartons, in the order of the recipe.

    Without truth, cartons that passed stand for the good ones, all others for `other`.
    """
    found: dict[str, ValueHistory] = {}
    for row in rows:
        trigger = int(row["trigger"])
        known = truth.get(trigger) if truth is not None else None
        if truth is not None and known is None:
            continue
        for finding in row["findings"]:
            name = ".".join(str(finding[part]) for part in ("camera", "step", "value"))
            if "agrees_with" in finding["limit"]:
                name += f" = {finding['limit']['agrees_with']}"
            history = found.get(name)
            if history is None:
                history = found[name] = ValueHistory(name, finding["unit"], finding["limit"])
            lane = _lane(row, known, finding)
            history.triggers[lane].append(trigger)
            history.measured[lane].append(finding["measured"])
            history.is_good[lane].append(bool(finding["good"]))
    return list(found.values())


def _lane(row: Mapping[str, Any], known: Truth | None, finding: Mapping[str, Any]) -> Lane:
    if known is None:
        return "good" if row["verdict"] == "pass" else "other"
    if known.verdict == "pass":
        return "good"
    words = {str(d) for d in known.defects} | {d.word for d in known.defects}
    return "meant" if words & set(finding["catches"]) else "other"


def strip(history: ValueHistory) -> Strip:
    """Draw one value along its limit.

    Notes
    -----
    The axis holds every good carton and the limit, and as much again on either side; marks of
    cartons farther out stand at its end. Of more than `MOST_POINTS` cartons of a kind an even
    choice over the range is drawn, the outermost ones always.
    """
    bounds = {
        key: float(history.limit[key])
        for key in ("min", "max", "equals")
        if _is_number(history.limit.get(key))
    }
    low, high = _range(history, list(bounds.values()))

    def across(value: float) -> float:
        share = (value - low) / (high - low)
        return round(SIDE + (WIDTH - 2 * SIDE) * min(max(share, 0.0), 1.0), 1)

    paths: dict[Lane, str] = {}
    for lane, y in _LANES.items():
        pairs = [
            (trigger, float(measured))
            for trigger, measured in zip(
                history.triggers[lane], history.measured[lane], strict=True
            )
            if measured is not None and not math.isnan(measured)
        ]
        marks = (
            _mark(lane, across(value), _spread(y, trigger), (value > high) - (value < low))
            for trigger, value in _thinned(pairs)
        )
        paths[lane] = "".join(marks)
    return Strip(
        history.name,
        limit_text(history.limit) + unit_text(history.unit),
        paths,
        _beyond(bounds, across),
        tuple(across(bound) for bound in bounds.values()),
        tuple((across(tick), number_text(tick)) for tick in _ticks(low, high, history.is_whole)),
        _said(history),
    )


def tally(history: ValueHistory) -> Tally:
    """Count how often the limit of a value that is no number was met."""

    def met(lane: Lane) -> str:
        each = history.is_good[lane]
        return f"{sum(each)} of {len(each)}" if each else "-"

    return Tally(history.name, limit_text(history.limit), met("good"), met("meant"), met("other"))


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e300


def _range(history: ValueHistory, bounds: Sequence[float]) -> tuple[float, float]:
    lanes = history.measured
    inner = [float(v) for v in lanes["good"] if v is not None and not math.isnan(v)] + list(bounds)
    everything = inner + [
        float(v) for lane in ("meant", "other") for v in lanes[lane] if v is not None and v == v
    ]
    low, high = min(inner), max(inner)
    span = (high - low) or (max(everything) - min(everything)) or abs(high) * 0.1 or 1.0
    left = max(min(everything), low - span)
    right = min(max(everything), high + span)
    room = 0.04 * ((right - left) or span)
    return left - room, right + room


def _thinned(pairs: list[tuple[int, float]]) -> list[tuple[int, float]]:
    if len(pairs) <= MOST_POINTS:
        return pairs
    ordered = sorted(pairs, key=lambda pair: pair[1])
    chosen: NDArray[np.int64] = np.unique(
        np.linspace(0, len(ordered) - 1, MOST_POINTS).round().astype(np.int64)
    )
    return [ordered[i] for i in chosen.tolist()]


def _spread(y: float, trigger: int) -> float:
    """Move a mark up or down a little, the same way every time, so that marks are told apart."""
    return round(y + (trigger * 0.618034 % 1 - 0.5) * 10, 1)


def _mark(lane: Lane, x: float, y: float, off: int) -> str:
    """Give a dot, a diamond or a cross; an arrow where the value is off the scale."""
    if off:
        return f"M{x:g} {y:g}m{-3 * off}-4l{6 * off} 4l{-6 * off} 4"
    if lane == "good":
        return f"M{x:g} {y:g}h0"
    if lane == "meant":
        return f"M{x:g} {y:g}m0-4.5l4 4.5-4 4.5-4-4.5z"
    return f"M{x:g} {y:g}m-3-3l6 6m0-6l-6 6"


def _beyond(bounds: Mapping[str, float], across: Any) -> tuple[tuple[float, float], ...]:
    parts: list[tuple[float, float]] = []
    if "min" in bounds:
        parts.append((0.0, across(bounds["min"])))
    if "max" in bounds:
        left = across(bounds["max"])
        parts.append((left, round(WIDTH - left, 1)))
    return tuple(parts)


def _ticks(low: float, high: float, whole: bool = False) -> list[float]:
    """Give three to six round numbers in a range, only whole ones if asked.

    Examples
    --------
    >>> _ticks(-0.1, 3.2)
    [0.0, 1.0, 2.0, 3.0]
    """
    rough = (high - low) / 4
    if not rough > 0 or not math.isfinite(rough):
        return []
    power = 10.0 ** math.floor(math.log10(rough))
    step = min((1, 2, 2.5, 5, 10), key=lambda factor: abs(factor * power - rough)) * power
    if whole:
        step = max(1.0, round(step))
    first, last = math.ceil(low / step), math.floor(high / step)
    if last - first > 8:
        return []
    return [float(f"{i * step:.10g}") for i in range(first, last + 1)]


def _said(history: ValueHistory) -> tuple[str, ...]:
    """Say which cartons fell on the wrong side, and how many were not measured."""
    said: list[str] = []
    wrong = [
        trigger
        for trigger, good in zip(history.triggers["good"], history.is_good["good"], strict=True)
        if not good
    ]
    if wrong:
        said.append(f"good, yet outside: {_names(wrong)}")
    passed = [
        trigger
        for trigger, good in zip(history.triggers["meant"], history.is_good["meant"], strict=True)
        if good
    ]
    if passed:
        said.append(f"to be caught, yet inside: {_names(passed)}")
    missing = sum(m is None for lane in history.measured.values() for m in lane)
    if missing:
        said.append(f"not measured: {missing}")
    drawn = [lane for lane in _LANES if len(history.measured[lane]) > MOST_POINTS]
    if drawn:
        said.append(f"{MOST_POINTS} of each kind drawn")
    return tuple(said)


def _names(triggers: Sequence[int], most: int = 6) -> str:
    more = f" and {len(triggers) - most} more" if len(triggers) > most else ""
    return ", ".join(map(trigger_name, triggers[:most])) + more
