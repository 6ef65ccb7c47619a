"""Detection over size as shapes of an inline picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from engine.report.wording import number_text
from engine.study.detection import PodFit
from engine.study.stress_results import Curve, Disturbed, Trial

WIDTH, HEIGHT = 420, 210
"""Size of a plot, in its own units."""
LEFT, RIGHT, TOP, BOTTOM = 34, 12, 18, 34
_POINTS = 60


@dataclass(frozen=True, slots=True)
class Dot:
    """One trial."""

    x: float
    y: float
    state: str
    """`right`, `other` (caught by another step) or `missed`."""
    said: str


@dataclass(frozen=True, slots=True)
class Line:
    """One curve with its bound and its sizes."""

    name: str
    curve: str
    lower: str
    marks: tuple[tuple[float, str], ...]
    """Place and name of a50, a90 and a90/95."""


@dataclass(frozen=True, slots=True)
class Plot:
    """A detection curve."""

    dots: tuple[Dot, ...]
    lines: tuple[Line, ...]
    ticks: tuple[tuple[float, str], ...]
    levels: tuple[tuple[float, str], ...]
    unit: str


class _Axis:
    """Sizes to places across."""

    def __init__(self, low: float, high: float, log: bool) -> None:
        self.log = log and low > 0
        self.low, self.high = low, high if high > low else low + 1
        self.a, self.b = (math.log(v) if self.log else v for v in (self.low, self.high))

    def at(self, size: float) -> float:
        value = math.log(max(size, 1e-9)) if self.log else size
        share = min(max((value - self.a) / (self.b - self.a), -0.02), 1.02)
        return round(LEFT + (WIDTH - LEFT - RIGHT) * share, 1)

    def sizes(self) -> list[float]:
        values = np.linspace(self.a, self.b, _POINTS)
        return [float(v) for v in (np.exp(values) if self.log else values)]

    def ticks(self) -> list[tuple[float, str]]:
        if not self.log:
            step = 10 ** math.floor(math.log10(self.b - self.a))
            wide = self.b - self.a
            step = next(s for s in (step / 5, step / 2, step, 2 * step) if wide / s < 8)
            first = math.ceil(self.a / step)
            values = [k * step for k in range(first, math.floor(self.b / step) + 1)]
        else:
            powers = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            values = [m * 10.0**p for p in powers for m in (1, 2, 5)]
            values = [v for v in values if self.low <= v <= self.high]
        return [(self.at(v), f"{v:.3g}") for v in values]


def plot(curve: Curve) -> Plot:
    """Draw one defect's trials, the fitted curves and their lower bounds."""
    sizes = [t.size for t in curve.trials]
    axis = _Axis(min(sizes), max(sizes), curve.defect.log)
    shaken = np.random.default_rng(0).uniform(-0.02, 0.02, len(sizes)).tolist()
    dots = tuple(
        _dot(trial, axis, shake, curve.defect.unit)
        for trial, shake in zip(curve.trials, shaken, strict=True)
    )
    lines = tuple(
        _line(name, fit, axis)
        for name, fit in (("any", curve.any_fit), ("right", curve.right_fit))
        if fit is not None
    )
    levels = tuple((_up(share), f"{share:.0%}") for share in (0, 0.5, 0.9, 1))
    return Plot(dots, lines, tuple(axis.ticks()), levels, curve.defect.unit)


def _up(share: float) -> float:
    return round(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * share, 1)


def _dot(trial: Trial, axis: _Axis, shake: float, unit: str) -> Dot:
    state = "right" if trial.right and trial.hit else "other" if trial.hit else "missed"
    said = trial.reason or "passed"
    text = f"carton {trial.trigger:06d}, {number_text(trial.size)} {unit}: {said}"
    return Dot(axis.at(trial.size), round(_up(float(trial.hit) + shake), 1), state, text)


def _line(name: str, fit: PodFit, axis: _Axis) -> Line:
    marks = tuple(
        (axis.at(size), label)
        for label, size in (("a50", fit.a50), ("a90", fit.a90), ("a90/95", fit.a90_95))
        if size is not None and axis.low <= size <= axis.high
    )
    if fit.kind != "curve":
        if fit.between is None:
            return Line(name, "", "", marks)
        low, high = (axis.at(size) for size in fit.between)
        step = f"M{axis.at(axis.low)} {_up(0)}H{low}L{high} {_up(1)}H{axis.at(axis.high)}"
        return Line(name, step, "", marks)
    sizes = axis.sizes()
    upper = _path([(axis.at(s), _up(float(p))) for s, p in zip(sizes, fit.pod(sizes), strict=True)])
    return Line(name, upper, _lower(fit, axis, sizes[::4]), marks)


def _lower(fit: PodFit, axis: _Axis, sizes: Sequence[float]) -> str:
    """Draw the lower bound, where it can be had: far from the trials it has no solution."""
    points: list[tuple[float, float]] = []
    for size in sizes:
        try:
            points.append((axis.at(size), _up(float(fit.lower([size])[0]))))
        except ValueError:
            continue
    return _path(points) if points else ""


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


@dataclass(frozen=True, slots=True)
class Bars:
    """How many good cartons failed at each size of a disturbance."""

    bars: tuple[tuple[float, float, float, str], ...]
    """Left, top and height of each, and what it says."""
    labels: tuple[tuple[float, str], ...]
    width: float


def bars(found: Disturbed) -> Bars:
    """Draw the share of good cartons that failed, size by size."""
    sizes = found.disturbance.sizes
    wide, high = 300.0, 50.0
    each = wide / len(sizes)
    drawn: list[tuple[float, float, float, str]] = []
    for k, (size, failed, tried) in enumerate(
        zip(found.sizes, found.failed, found.tried, strict=True)
    ):
        share = failed / tried if tried else 0.0
        tall = max(1.5, high * share)
        said = (
            f"{number_text(size)} {found.disturbance.unit}: {failed} of {tried} good cartons fail"
        )
        drawn.append((round(k * each + 2, 1), round(high - tall, 1), round(tall, 1), said))
    labels = tuple((round((k + 0.5) * each, 1), f"{s:g}") for k, s in enumerate(sizes))
    return Bars(tuple(drawn), labels, round(each - 4, 1))
