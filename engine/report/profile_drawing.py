"""A scan reflectance profile as shapes: the curve, its edges, and where it is worst."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

WIDTH, HEIGHT = 1140, 380
"""Size of a drawing, in its own units."""
_LEFT, _RIGHT, _TOP, _FOOT = 44.0, 96.0, 52.0, 62.0
"""Room beside the curve: for numbers, for names of levels, for notes, for bars and axis."""
_STRIP = 16.0
"""Height of the bars drawn below the curve."""
_NEAR = 0.12
"""Levels nearer to each other than this share of the height have one name between them."""


@dataclass(frozen=True, slots=True)
class Note:
    """A word about one place of the curve, with the line that leads to it."""

    x: float
    y: float
    text: str
    anchor: str
    leader: str
    """SVG path from the word to the place."""
    shape: str
    """SVG path of what is meant."""
    tone: str
    """`contrast` or `uneven`."""


@dataclass(frozen=True, slots=True)
class ProfileDrawing:
    """One profile, in units of a drawing of `WIDTH` by `HEIGHT`."""

    curve: str
    bars: str
    edges: str
    """Short marks where each edge is taken."""
    levels: tuple[tuple[float, str, str], ...]
    """Height, name and kind (`threshold` or `level`) of each level line."""
    quiet: tuple[tuple[float, float, str], ...]
    """Left end, width and name of the quiet zones that are asked for."""
    notes: tuple[Note, ...]
    across: tuple[tuple[float, str], ...]
    """Ticks along the scan."""
    up: tuple[tuple[float, str], ...]
    """Ticks of reflectance."""
    left: float
    right: float
    floor: float
    ceiling: float


def draw_profile(scan: Mapping[str, Any]) -> ProfileDrawing:
    """Draw one scan.

    Parameters
    ----------
    scan : mapping
        One of the ``scans`` that a step gives with a linear code: places in modules from the
        first edge, reflectance as a share of 1. Worst places are named where it has grades.

    Returns
    -------
    ProfileDrawing
    """
    profile = scan["profile"]
    samples = np.asarray(profile["samples"], np.float64)
    places = profile["start"] + profile["step"] * np.arange(len(samples))
    axes = _Axes(float(places[0]), float(places[-1]), max(1.0, float(samples.max())))
    edges = [float(edge) for edge in profile["edges"]]
    threshold = (profile["rmax"] + profile["rmin"]) / 2.0
    levels = [
        ("level", f"Rmax {profile['rmax']:.2f}", profile["rmax"]),
        ("threshold", f"threshold {threshold:.2f}", threshold),
        ("level", f"Rmin {profile['rmin']:.2f}", profile["rmin"]),
    ]
    if profile["rmax"] - profile["rmin"] < _NEAR:
        levels = levels[1:2]
    marks = zip(edges, profile["levels"], strict=True)
    return ProfileDrawing(
        curve=_curve(axes, places, samples),
        bars=_bars(axes, edges, places),
        edges="".join(f"M{axes.x(e):.1f} {axes.y(level) - 3:.1f}v6" for e, level in marks),
        levels=tuple((axes.y(value), text, kind) for kind, text, value in levels),
        quiet=tuple(_quiet(axes, edges, profile["quiet_asked"])),
        notes=tuple(_notes(axes, profile, scan["values"])) if "values" in scan else (),
        across=tuple((axes.x(v), f"{v:g}") for v in _whole(axes.start, axes.end)),
        up=tuple((axes.y(v), f"{v:.1f}") for v in np.arange(0.0, axes.top + 0.01, 0.2)),
        left=_LEFT,
        right=WIDTH - _RIGHT,
        floor=axes.y(0.0),
        ceiling=_TOP,
    )


@dataclass(frozen=True, slots=True)
class _Axes:
    """From modules and reflectance to units of the drawing."""

    start: float
    end: float
    top: float

    def x(self, place: float) -> float:
        share = (place - self.start) / max(self.end - self.start, 1e-9)
        return round(_LEFT + (WIDTH - _LEFT - _RIGHT) * share, 1)

    def y(self, reflectance: float) -> float:
        share = reflectance / self.top
        return round(HEIGHT - _FOOT - (HEIGHT - _TOP - _FOOT) * share, 1)


def _curve(axes: _Axes, places: Any, samples: Any) -> str:
    """Path through all samples."""
    points = [f"{axes.x(x):.1f} {axes.y(y):.1f}" for x, y in zip(places, samples, strict=True)]
    return "M" + "L".join(points)


def _bars(axes: _Axes, edges: Sequence[float], places: Any) -> str:
    """Path of the bars between the edges, below the curve."""
    top = axes.y(0.0) + 8
    ends = edges if len(edges) % 2 == 0 else [*edges, float(places[-1])]
    return "".join(
        f"M{axes.x(a):.1f} {top:.1f}H{axes.x(b):.1f}v{_STRIP:g}H{axes.x(a):.1f}z"
        for a, b in zip(ends[::2], ends[1::2], strict=True)
    )


def _quiet(
    axes: _Axes, edges: Sequence[float], asked: Sequence[float]
) -> Iterable[tuple[float, float, str]]:
    """Quiet zones before and after the bars."""
    if not edges:
        return
    for low, high, width in (
        (edges[0] - asked[0], edges[0], asked[0]),
        (edges[-1], edges[-1] + asked[1], asked[1]),
    ):
        a, b = axes.x(max(low, axes.start)), axes.x(min(high, axes.end))
        yield a, round(b - a, 1), f"{width:g} X"


def _notes(axes: _Axes, profile: Mapping[str, Any], values: Mapping[str, Any]) -> Iterable[Note]:
    """Name the worst edge and the least even element."""
    edge = profile["worst_edge"]
    if edge is not None:
        x, high, low = axes.x(edge["at"]), axes.y(edge["space"]), axes.y(edge["bar"])
        text = f"ECmin {values['ECmin']:.2f}, MOD {values['MOD']:.2f}"
        shape = f"M{x - 5} {high}h10M{x} {high}V{low}M{x - 5} {low}h10"
        yield _note(x, 18.0, high, text, shape, "contrast")
    element = profile["worst_element"]
    if element is not None:
        a = axes.x(axes.start if element["start"] is None else element["start"])
        b = axes.x(axes.end if element["end"] is None else element["end"])
        high, low = axes.y(element["peak"]), axes.y(element["valley"])
        shape = f"M{a} {high}H{b}V{low}H{a}z"
        defects = values["Defects"]
        # What is even to a hundredth needs no word.
        if defects >= 0.005:
            text = f"ERNmax {element['peak'] - element['valley']:.2f}, Defects {defects:.2f}"
            yield _note((a + b) / 2.0, 38.0, high, text, shape, "uneven")


def _note(x: float, y: float, to: float, text: str, shape: str, tone: str) -> Note:
    """Put a word above the curve, to the side where there is room."""
    to_the_left = x > WIDTH / 2.0
    anchor = "end" if to_the_left else "start"
    at = x - 6 if to_the_left else x + 6
    return Note(round(at, 1), y, text, anchor, f"M{x:.1f} {y - 9:.1f}V{to:.1f}", shape, tone)


def _whole(start: float, end: float) -> list[float]:
    """Places along the scan that bear a number."""
    step = next(s for s in (10, 20, 50, 100, 1000, 10**9) if (end - start) / s <= 16)
    return [float(v) for v in range(-(-int(start) // step) * step, int(end) + 1, step)]
