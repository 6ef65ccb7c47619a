"""Where a straight edge, gap or board line runs, how it is turned, and how much of it is seen."""

from __future__ import annotations

import math
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from steps._shared.line_fan import Band, Followed, Line, band_response, candidates, follow
from steps.contract import Mark, Marks, NotMeasured, Params, Values, View, no_marks, step

KERNEL_PX = 1.2
"""Spread of the kernel that answers to a step or a thin line [px]."""


class FlapEdgeParams(Params):
    """Which edge is looked for, and from when on it counts as seen."""

    kind: Literal["step", "dark_line", "light_line"] = "step"
    """`step`: two areas of different brightness meet; `dark_line` or `light_line`: a thin line, as
    a gap or the cut edge of the board shows it."""

    below: Literal["any", "brighter", "darker"] = "any"
    """Of a step: what lies below it (or to the right of it, along columns)."""

    along: Literal["rows", "columns"] = "rows"
    """Whether the edge runs from left to right (`rows`) or from top to bottom (`columns`)."""

    pick: Literal["strongest", "first", "last"] = "strongest"
    """Which edge is meant where the region shows several; first = nearest the top (or the left)."""

    expected_mm: float | None = Field(None)
    """Where the edge of a good carton lies, from the top (or the left) of the region; None: no gap
    is measured [mm]."""

    turn_deg: float = Field(0.0, ge=-45, le=45)
    """How the edge of a good carton is turned in the region [deg]."""

    max_turn_deg: float = Field(3.0, ge=0, le=15)
    """How far the edge may be turned from `turn_deg`; 0 holds it there, which keeps two lines close
    together apart [deg]."""

    line_width_mm: float | None = Field(None, gt=0)
    """Width of a line; None: as thin as the view shows it, up to about 3 pixels [mm]."""

    min_contrast: float = Field(3.0, ge=0, le=255)
    """Change of brightness from which on an edge counts as seen [grey levels]."""

    min_snr: float = Field(6.0, ge=0)
    """Response of the edge in units of the noise from which on it counts as seen [ratio]."""

    min_coverage: float = Field(0.5, ge=0, le=1)
    """Share of the visible length from which on an edge counts as seen [fraction]."""

    min_visible: float = Field(0.3, ge=0, le=1)
    """Share of the length that must be visible, neither masked nor saturated; with less, the edge
    is hidden [fraction]."""


class FlapEdgeValues(Values):
    """What is measured of the edge."""

    seen: str
    """`seen`, `not there`, or `hidden` (masked, outside the frame or saturated over most of it)."""

    present: bool | None
    """Whether the edge is there; None where it is hidden."""

    coverage: float | None
    """Share of the visible length in which the edge is seen; 0 where it is not there, None where
    it is hidden [fraction]."""

    visible: float
    """Share of the length in which the edge could be seen [fraction]."""

    offset_mm: float | None
    """Distance of the edge from the top (or the left) of the region, at its middle; None unless
    seen, and where the scale is not known [mm]."""

    start_mm: float | None
    """The same at the left (or upper) end of the region [mm]."""

    end_mm: float | None
    """The same at the right (or lower) end of the region [mm]."""

    gap_mm: float | None
    """Distance of the edge from `expected_mm`, at the end where it is larger; without sign [mm]."""

    angle_deg: float | None
    """Turn of the edge as seen, clockwise positive: it falls to the right, or (along columns) leans
    to the left downwards [deg]."""

    scatter_mm: float | None
    """Robust spread of the edge about its straight line: bent, torn or doubled edges [mm]."""

    contrast: float | None
    """Change of brightness across the step, or of the line against its surroundings; positive =
    brighter below, or a light line [grey levels]."""

    snr: float
    """Response of the strongest edge in units of the noise; print that runs along it raises it too
    [ratio]."""

    marks: Marks = Field(default_factory=no_marks)
    """The edge as found, and where it is expected."""


@step
def flap_edge(view: View, params: FlapEdgeParams) -> FlapEdgeValues | NotMeasured:
    """Find a nearly straight edge: where it runs, its turn, and in what share of its length.

    Parameters
    ----------
    view : View
        Region around the edge, (M, N) uint8 grey, with room for it to move.
    params : FlapEdgeParams
        Which edge is looked for.

    Returns
    -------
    FlapEdgeValues or NotMeasured
        Not measured when the region has fewer than 16 pixels across the edge, or 24 along it.

    Notes
    -----
    The region is filtered across the edge (derivative of a Gaussian for a step, its curvature for a
    line) and the response is summed along every line of a fan of slopes, each place clipped at four
    times the noise so that print cannot lead. Around the best line each block of columns gives its
    own sub-pixel place, and a robust straight line is fitted to these. A line of the fan counts as
    the edge when its response, its coverage and its contrast all reach their thresholds: print
    strokes parallel to the edge fool the first alone.

    Needs 5 pixels of room above and below the edge. Fails where another edge of the same kind runs
    within about 4 pixels (hold the turn, or choose `first` or `last`), and where the edge is curved
    by more than 2 pixels (coverage falls). O(M N) time.

    References
    ----------
    .. [1] J. Canny, "A computational approach to edge detection", IEEE PAMI 8(6), 1986: the
       derivative of a Gaussian as the best filter for a step in noise.
    .. [2] P. J. Huber, E. M. Ronchetti, "Robust Statistics", 2nd ed., Wiley, 2009: M-estimates of a
       line.

    Examples
    --------
    >>> carton = np.full((40, 120), 60, np.uint8)
    >>> carton[18:] = 120
    >>> values = flap_edge(View(carton, mm_per_px=0.2), FlapEdgeParams(expected_mm=3.0))
    >>> values.seen, round(values.offset_mm, 2), round(values.gap_mm, 2), values.coverage
    ('seen', 3.6, 0.6, 1.0)
    """
    rows = params.along == "rows"
    gray = view.gray if rows else np.ascontiguousarray(view.gray.T)
    mask = view.mask if rows or view.mask is None else np.ascontiguousarray(view.mask.T)
    if gray.shape[0] < 16 or gray.shape[1] < 24:
        return NotMeasured("the region is smaller than 16 pixels across the edge or 24 along it")
    kind = "step" if params.kind == "step" else "line"
    block = int(np.clip(gray.shape[1] // 40, 1, 4))
    band = band_response(gray, mask, kind, kernel_px(view, params, len(gray)), block)
    lines = candidates(
        band,
        math.tan(math.radians(params.turn_deg)),
        math.tan(math.radians(params.max_turn_deg)),
        wanted_sign(params),
    )
    snr = max((line.snr for line in lines), default=0.0)
    found: list[tuple[Followed, float]] = []
    for line in lines:
        if line.snr < params.min_snr:
            break
        way = follow(band, line, held=params.max_turn_deg == 0)
        contrast = contrast_across(gray, band, way, kind)
        if is_seen(way, contrast, params):
            found.append((way, contrast))
            if params.pick == "strongest":
                break
    if not found:
        return unseen(band, params, snr)
    place = {"strongest": 0.0, "first": 1.0, "last": -1.0}[params.pick]
    way, contrast = min(found, key=lambda f: place * f[0].line.offset)
    return measured(view, params, way, contrast)


def wanted_sign(params: FlapEdgeParams) -> int:
    """Sign of the response that is looked for; 0 for either."""
    if params.kind == "step":
        return {"any": 0, "brighter": 1, "darker": -1}[params.below]
    return 1 if params.kind == "light_line" else -1


def kernel_px(view: View, params: FlapEdgeParams, rows: int) -> float:
    """Spread of the kernel for the width of the line [px]."""
    if params.kind == "step" or params.line_width_mm is None or not view.mm_per_px > 0:
        return KERNEL_PX
    width = params.line_width_mm / view.mm_per_px
    return float(np.clip(width / 2, KERNEL_PX, max(KERNEL_PX, rows / 12)))


def contrast_across(gray: NDArray[np.uint8], band: Band, way: Followed, kind: str) -> float:
    """Median change of brightness across the edge, over the blocks where it is seen."""
    reach = float(band.margin)
    x = (band.x[way.seen] + (gray.shape[1] - 1) / 2).astype(np.float32)
    if not len(x):
        return 0.0
    y = way.line.offset + way.line.slope * band.x[way.seen]
    at = np.stack([y - reach, y - 1, y, y + 1, y + reach]).astype(np.float32)
    block = float(band.x[1] - band.x[0])
    levels = np.mean(
        [
            cv2.remap(
                gray, np.tile(x + dx, (5, 1)), at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
            for dx in (-block / 4, block / 4)
        ],
        axis=0,
    )
    if kind == "step":
        return float(np.median(levels[4] - levels[0]))
    sides = (levels[0] + levels[4]) / 2
    middle = levels[1:4].max(axis=0) if way.line.sign > 0 else levels[1:4].min(axis=0)
    return float(np.median(middle - sides))


def is_seen(way: Followed, contrast: float, params: FlapEdgeParams) -> bool:
    """Whether a line found is an edge: covered, strong enough, and enough of it visible."""
    visible = int(way.visible.sum())
    return (
        visible >= max(1.0, params.min_visible * len(way.visible))
        and int(way.seen.sum()) >= params.min_coverage * visible
        and abs(contrast) >= params.min_contrast
    )


def unseen(band: Band, params: FlapEdgeParams, snr: float) -> FlapEdgeValues:
    """Values where no edge is found: `not there`, or `hidden` where too little is visible."""
    inner = band.visible[band.margin : len(band.visible) - band.margin]
    visible = float((inner.mean(axis=0) >= 0.5).mean()) if inner.size else 0.0
    hidden = visible < params.min_visible
    return FlapEdgeValues(
        seen="hidden" if hidden else "not there",
        present=None if hidden else False,
        coverage=None if hidden else 0.0,
        visible=visible,
        offset_mm=None,
        start_mm=None,
        end_mm=None,
        gap_mm=None,
        angle_deg=None,
        scatter_mm=None,
        contrast=None,
        snr=snr,
    )


def measured(view: View, params: FlapEdgeParams, way: Followed, contrast: float) -> FlapEdgeValues:
    """Values of an edge that was found."""
    rows = params.along == "rows"
    length = view.gray.shape[1] if rows else view.gray.shape[0]
    line, scale = way.line, view.mm_per_px
    ends = [line.offset + line.slope * s * length / 2 for s in (-1, 0, 1)]
    start, middle, end = ((e + 0.5) * scale for e in ends)
    known = scale > 0
    gap = None
    if params.expected_mm is not None and known:
        tilt = math.tan(math.radians(params.turn_deg)) * length / 2 * scale
        gap = max(abs(start - params.expected_mm + tilt), abs(end - params.expected_mm - tilt))
    turn = math.degrees(math.atan(line.slope))
    return FlapEdgeValues(
        seen="seen",
        present=True,
        coverage=float(way.seen.sum() / way.visible.sum()),
        visible=float(way.visible.mean()),
        offset_mm=middle if known else None,
        start_mm=start if known else None,
        end_mm=end if known else None,
        gap_mm=gap,
        angle_deg=turn if rows else -turn,
        scatter_mm=way.scatter * scale if known else None,
        contrast=contrast,
        snr=line.snr,
        marks=marks_of(params, line, length, scale),
    )


def marks_of(params: FlapEdgeParams, line: Line, length: int, scale: float) -> Marks:
    """Give the edge as found and as expected, in pixels of the view."""
    found = [line.offset - line.slope * length / 2, line.offset + line.slope * length / 2]
    lines = [(found, "measured")]
    if params.expected_mm is not None and scale > 0:
        y = params.expected_mm / scale - 0.5
        tilt = math.tan(math.radians(params.turn_deg)) * length / 2
        lines.insert(0, ([y - tilt, y + tilt], "expected"))
    marks: list[Mark] = []
    for (a, b), tone in lines:
        points = np.array([[-0.5, a], [length - 0.5, b]])
        if params.along == "columns":
            points = points[:, ::-1].copy()
        marks.append(Mark(points, text="edge" if tone == "measured" else "expected", tone=tone))
    return tuple(marks)
