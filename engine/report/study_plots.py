"""Control charts as shapes of inline pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.report.wording import number_text
from engine.result import trigger_name
from engine.study.values import ValueStudy

WIDTH, HEIGHT = 640, 190
"""Size of a chart, in its own units."""
LEFT, RIGHT, TOP, BOTTOM = 66, 124, 10, 26
MOST = 800
"""Points that one line draws; of more, the smallest and largest of each stretch."""


@dataclass(frozen=True, slots=True)
class Level:
    """A line across the chart."""

    y: float
    name: str
    kind: str
    """`middle`, `control` or `limit`."""


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart over cartons."""

    name: str
    line: str
    band: str
    """Limits that change from carton to carton, as one path; empty where they do not."""
    out: tuple[tuple[float, float, str], ...]
    """Points beyond the limits: place, and what they are."""
    levels: tuple[Level, ...]
    ticks: tuple[tuple[float, str], ...]
    """Heights and their numbers."""
    ends: tuple[str, str]
    """First and last carton."""


def charts(found: ValueStudy) -> list[Chart]:
    """Give the charts of single values, moving ranges and the moving average."""
    single, triggers = found.chart, found.series.triggers
    low, high = found.series.limits
    wanted = [
        _Wanted("single values", single.x, triggers, single.out, [
            ("mean", single.mean, "middle"), ("UCL", single.ucl, "control"),
            ("LCL", single.lcl, "control"), ("limit", low, "limit"), ("limit", high, "limit"),
        ]),
        _Wanted("moving ranges", single.moving_range, triggers[1:], single.range_out, [
            ("mean", single.mean_range, "middle"), ("UCL", single.range_ucl, "control"),
        ]),
    ]  # fmt: skip
    average = found.average
    if average is not None:
        wanted.append(
            _Wanted("moving average (EWMA)", average.z, triggers, average.out,
                    [("mean", average.target, "middle")], (average.lower, average.upper))
        )  # fmt: skip
    return [_chart(each) for each in wanted]


@dataclass(frozen=True, slots=True, eq=False)
class _Wanted:
    name: str
    y: NDArray[np.float64]
    triggers: Sequence[int]
    out: tuple[int, ...]
    levels: list[tuple[str, float | None, str]]
    band: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None


def _chart(wanted: _Wanted) -> Chart:
    shown = [v for _, v, kind in wanted.levels if v is not None and kind != "limit"]
    parts = [wanted.y, np.array(shown), *(wanted.band or ())]
    low, high = (float(f(np.concatenate(parts))) for f in (np.min, np.max))
    room = (high - low) or abs(high) or 1.0
    # A limit far away would press the chart flat: it is drawn only where it is near.
    near = [v for _, v, kind in wanted.levels if v is not None and kind == "limit"]
    near = [v for v in near if low - 1.5 * room <= v <= high + 1.5 * room]
    low, high = min([low, *near]), max([high, *near])
    low, high = low - 0.06 * room, high + 0.06 * room

    def down(value: float) -> float:
        return round(TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM), 1)

    n = len(wanted.y)
    across = np.linspace(LEFT, WIDTH - RIGHT, n).round(1).tolist() if n > 1 else [float(LEFT)]
    levels = tuple(
        Level(down(v), f"{name} {number_text(v)}", kind)
        for name, v, kind in wanted.levels
        if v is not None and low <= v <= high
    )
    band = "" if wanted.band is None else "".join(_path(across, b, down) for b in wanted.band)
    return Chart(
        wanted.name,
        _path(across, wanted.y, down),
        band,
        tuple(
            (across[i], down(float(wanted.y[i])),
             f"{trigger_name(wanted.triggers[i])}: {number_text(float(wanted.y[i]))}")
            for i in wanted.out[:MOST]
        ),
        levels,
        tuple((down(v), number_text(float(f"{v:.3g}"))) for v in np.linspace(low, high, 5)[1:-1]),
        (trigger_name(wanted.triggers[0]), trigger_name(wanted.triggers[-1])),
    )  # fmt: skip


def _path(across: list[float], y: NDArray[np.float64], down: object) -> str:
    points = [f"{across[i]:g} {down(float(y[i])):g}" for i in _kept(y)]  # type: ignore[operator]
    return "M" + "L".join(points)


def _kept(y: NDArray[np.float64]) -> list[int]:
    """Give which points to draw: all, or the smallest and largest of each stretch."""
    if len(y) <= MOST:
        return list(range(len(y)))
    kept: set[int] = {0, len(y) - 1}
    for stretch in np.array_split(np.arange(len(y)), MOST // 2):
        kept |= {int(stretch[y[stretch].argmin()]), int(stretch[y[stretch].argmax()])}
    return sorted(kept)
