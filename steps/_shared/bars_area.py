"""The area that the bars of a linear code cover, from a rough line across them."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_STAGES = (0.06, 0.15, 0.35, 0.8, 1.6, 3.0)
"""How far from the line the bars are followed, step by step [widths of the code]."""
_ALIKE = 0.45
"""Correlation with the line's own bars from which a row still belongs to the code."""
_ASIDE = (0.0, 0.02, -0.02, 0.05, -0.05)
"""How far beside the line it is tried again where nothing can be followed: a reader's line may run
along the very end of the bars [widths of the code]."""
_GAP = 0.12
"""Longest part of the bars that may be damaged over the whole width [widths of the code]."""


@dataclass(frozen=True, slots=True, eq=False)
class BarsArea:
    """Where the bars lie, in pixels of the picture; pixel centres at whole numbers."""

    corners: Floats
    """(4, 2) float64, (x, y): start of the scan at one end of the bars, end of the scan there,
    end of the scan at the other end, start of the scan there."""
    likeness: Floats
    """(K,) correlation of rows along the bars with the code's mean row."""

    @property
    def matrix(self) -> Floats:
        """(3, 3) map from shares of width and height (0 to 1) to pixels of the picture."""
        unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
        return cv2.getPerspectiveTransform(unit, self.corners.astype(np.float32)).astype(np.float64)

    @property
    def width_px(self) -> float:
        """Mean length along the scan [px]."""
        c = self.corners
        return float(np.hypot(*(c[1] + c[2] - c[0] - c[3])) / 2.0)

    @property
    def direction(self) -> tuple[float, float]:
        """Unit vector of the scan (x, y)."""
        c = self.corners
        along = (c[1] + c[2] - c[0] - c[3]) / max(2.0 * self.width_px, 1e-9)
        return float(along[0]), float(along[1])

    @property
    def height_px(self) -> float:
        """Mean length along the bars [px]."""
        c = self.corners
        return float(np.hypot(*(c[2] + c[3] - c[0] - c[1])) / 2.0)


def find_bars_area(picture: NDArray[Any], line: Floats) -> BarsArea | None:
    """Follow the bars from a line across them to their ends.

    Parameters
    ----------
    picture : (M, N) uint8, uint16 or float32
        Grey levels.
    line : (2, 2) float64
        (x, y) where the code's first bar begins and its last one ends, as a reader gives it; some
        modules off, and slanted across the bars, are fine.

    Returns
    -------
    BarsArea or None
        None where the line crosses no bars.

    Notes
    -----
    The direction of the bars is that of the grey-level structure about the line. Rows further and
    further out are then compared with the code's mean row; a slant and a widening that best carry
    one into the other are fitted by least squares (Lucas-Kanade in one dimension, on all rows at
    once). The bars end where rows are like the code no more; damage over the whole width may be
    0.12 widths high. Needs bars about straight and parallel, and 2 px a module. Print above or
    below that repeats the bars (a second equal code) is taken in.

    Examples
    --------
    >>> picture = np.full((80, 140), 200, np.uint8)
    >>> for x in (20, 26, 36, 42, 50, 60, 70, 84, 92, 100, 112, 118):
    ...     picture[15:61, x : x + 4] = 30
    >>> area = find_bars_area(picture, np.array([[21.0, 40.0], [120.0, 40.0]]))
    >>> expected = [[19.5, 14.5], [121.5, 14.5], [121.5, 60.5], [19.5, 60.5]]
    >>> bool(np.abs(area.corners - expected).max() < 0.2)
    True
    """
    start, end = np.asarray(line, np.float64)
    along = end - start
    width = float(np.hypot(*along))
    if not np.isfinite(width) or width < 16.0 or min(picture.shape) < 4:
        return None
    across = np.array([-along[1], along[0]])
    for aside in _ASIDE:
        area = _follow(picture, start + aside * across, along, across)
        if area is not None and 0.6 * width < area.width_px < 1.6 * width:
            return _from_the_middle(picture, area, (start + end) / 2.0)
    return None


def _from_the_middle(picture: NDArray[Any], area: BarsArea, line_middle: Floats) -> BarsArea:
    """Follow bars again from their middle where the line lay at their end: more may be found."""
    place = cv2.perspectiveTransform(line_middle[None, None], np.linalg.inv(area.matrix))[0, 0]
    if 0.06 < place[1] < 0.94:
        return area
    c = area.corners
    start = (c[0] + c[3]) / 2.0
    along = (c[1] + c[2]) / 2.0 - start
    again = _follow(picture, start, along, np.array([-along[1], along[0]]))
    return again if again is not None and again.height_px > area.height_px else area


def _follow(picture: NDArray[Any], start: Floats, along: Floats, across: Floats) -> BarsArea | None:
    """Follow the bars from one line across them."""
    width = float(np.hypot(*along))
    slant = _slant(picture, start, along, across)
    if slant is None:
        return None
    across = across + slant * along
    shape, reach = np.zeros(3), np.zeros(2)
    likeness = np.zeros(1)
    for stage in _STAGES:
        rows = np.linspace(-stage, stage, 37)
        for _ in range(2 if stage < 0.2 else 1):
            values = _rows(picture, start, along, across, rows, shape)
            likeness, shape = _refine(values, rows, shape)
        reach = _span(likeness, rows)
        if max(-reach[0], reach[1]) < 0.8 * stage and stage > _STAGES[0]:
            break
    low, high = reach
    if high - low <= 0:
        return None
    margin = 0.15 * (high - low) + 4.0 / width
    count = int(np.clip((high - low + 2 * margin) * width, 16, 200))
    rows = np.linspace(low - margin, high + margin, count)
    values = _rows(picture, start, along, across, rows, shape)
    # At right angles to the bars a line of the code changes its row by this much over the width.
    level = -float(along @ across) / float(across @ across)
    ends = _ends(values, rows, level)
    if ends is None:
        return None
    top, bottom, (first, last), likeness = ends
    corners = [
        _place(start, along, across, np.array(s), np.array(end[0] + end[1] * (s - 0.5)), shape)
        for s, end in ((first, top), (last, top), (last, bottom), (first, bottom))
    ]
    return BarsArea(np.array(corners), likeness)


_S_LOW, _S_HIGH = -0.06, 1.06


def _columns(width: float) -> Floats:
    """Shares of the width at which rows are sampled, at most one a pixel."""
    return np.linspace(_S_LOW, _S_HIGH, int(np.clip(1.15 * width, 96, 560)))


def _place(
    start: Floats, along: Floats, across: Floats, s: Floats, t: Floats, shape: Floats
) -> Floats:
    """Picture point at share s of the width, t widths along the bars; the last axis is (x, y)."""
    s = s + t * (shape[0] + shape[1] * s) + shape[2] * t * t
    return start + s[..., None] * along + t[..., None] * across


def _rows(
    picture: NDArray[Any],
    start: Floats,
    along: Floats,
    across: Floats,
    rows: Floats,
    shape: Floats,
) -> NDArray[np.float32]:
    """Sample rows along the scan; outside the picture its border is repeated."""
    s = _columns(float(np.hypot(*along)))
    shift = shape[0] * rows + shape[2] * rows * rows
    place = np.outer(1.0 + shape[1] * rows, s).astype(np.float32)
    place += shift.astype(np.float32)[:, None]
    x, y = (
        place * np.float32(along[k]) + (start[k] + rows * across[k]).astype(np.float32)[:, None]
        for k in (0, 1)
    )
    values = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return values.astype(np.float32)


def _slant(picture: NDArray[Any], start: Floats, along: Floats, across: Floats) -> float | None:
    """Slant of the bars against the perpendicular of the line, by the structure tensor."""
    width = float(np.hypot(*along))
    rows = np.arange(-8.0, 8.5, 1.0) / width
    s = np.arange(0.0, 1.0, 1.0 / width)
    points = _place(start, along, across, s[None, :], rows[:, None], np.zeros(3)).astype(np.float32)
    patch = cv2.remap(
        picture, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    patch = cv2.GaussianBlur(patch.astype(np.float32), (0, 0), 1.0)
    gx = cv2.Sobel(patch, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(patch, cv2.CV_32F, 0, 1)
    xx, xy, yy = float(np.mean(gx * gx)), float(np.mean(gx * gy)), float(np.mean(gy * gy))
    if xx + yy <= 1e-12:
        return None
    # Gradients point across the bars: the bars' direction is the eigenvector of the small one.
    angle = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    return float(-np.tan(np.clip(angle, -1.2, 1.2)))


def _standard(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rows with mean 0 and spread 1, over the code's own width."""
    inner = values[:, _inside(values.shape[1])]
    spread = np.maximum(inner.std(axis=1, keepdims=True), 1e-6)
    return (values - inner.mean(axis=1, keepdims=True)) / spread


def _inside(count: int) -> slice:
    """Columns of a row that lie between the code's ends."""
    scale = (count - 1) / (_S_HIGH - _S_LOW)
    return slice(round(-_S_LOW * scale), round((1.0 - _S_LOW) * scale) + 1)


def _likeness(standard: NDArray[np.float32], rows: Floats) -> tuple[Floats, NDArray[np.float32]]:
    """Correlation of each row with the mean of the rows that are like the line's."""
    inside = _inside(standard.shape[1])
    near = np.abs(rows) <= max(0.012, 1.5 * float(rows[1] - rows[0]))
    mean = standard[near].mean(axis=0)
    likeness = np.zeros(len(rows), np.float32)
    for _ in range(2):
        mean = _standard(mean[None])[0]
        likeness = (standard[:, inside] @ mean[inside]) / (inside.stop - inside.start)
        low, high = _span(likeness, rows)
        good = (likeness > 0.7) & (rows >= low) & (rows <= high)
        if good.any():
            mean = standard[good].mean(axis=0)
    return likeness.astype(np.float64), mean


def _refine(values: NDArray[np.float32], rows: Floats, shape: Floats) -> tuple[Floats, Floats]:
    """One step of the fit of slant, widening and bend."""
    standard = _standard(values)
    likeness, mean = _likeness(standard, rows)
    low, high = _span(likeness, rows)
    good = (likeness > 0.55) & (rows >= low) & (rows <= high)
    if np.count_nonzero(good) < 5:
        return likeness, shape
    inside = _inside(values.shape[1])
    s = _columns_like(values.shape[1])
    slope = np.gradient(mean, s)[inside]
    wrong = (mean[None, inside] - standard[good][:, inside]).astype(np.float64)
    t = rows[good]
    # d row / d shape = slope * (t, t s, t t); sums over s first, then over t.
    g0, g1, g2 = (float(np.sum(slope * slope * s[inside] ** k)) for k in range(3))
    h0 = wrong @ slope
    h1 = wrong @ (slope * s[inside])
    m2, m3, m4 = (float(np.sum(t**k)) for k in (2, 3, 4))
    normal = np.array(
        [[m2 * g0, m2 * g1, m3 * g0], [m2 * g1, m2 * g2, m3 * g1], [m3 * g0, m3 * g1, m4 * g0]]
    )
    right = np.array([np.sum(t * h0), np.sum(t * h1), np.sum(t * t * h0)])
    damped = normal + np.diag(np.diag(normal) * 1e-6 + 1e-12)
    change = np.linalg.solve(damped, right)
    # A bend is not meant: it only takes up what perspective leaves, and is held small.
    return likeness, shape + np.clip(change, -0.05, 0.05)


def _columns_like(count: int) -> Floats:
    """Shares of the width of `count` columns."""
    return np.linspace(_S_LOW, _S_HIGH, count)


def _span(likeness: Floats, rows: Floats) -> Floats:
    """How far the rows about 0 are like the code, gaps of damage bridged."""
    alike = likeness >= _ALIKE
    step = float(rows[1] - rows[0])
    bridge = max(1, int(_GAP / step))
    middle = int(np.argmin(np.abs(rows)))
    limits: list[float] = []
    for direction in (-1, 1):
        side = alike[middle::direction]
        places = np.nonzero(side)[0]
        if not len(places):
            return np.zeros(2)
        gaps = np.diff(places, prepend=0)
        broken = np.nonzero(gaps > bridge + 1)[0]
        last = places[broken[0] - 1] if len(broken) and broken[0] > 0 else places[-1]
        if len(broken) and broken[0] == 0:
            last = 0
        limits.append(float(rows[middle + direction * int(last)]))
    return np.array(limits)


def _ends(
    values: NDArray[np.float32], rows: Floats, level: float
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float], Floats] | None:
    """Both ends of the bars, where their contrast has fallen to half, and of the scan.

    Returns the row in the middle and its change over the width, for one end and the other; the
    first and the last edge; the likeness of all rows. `level` is the change to be expected.
    """
    likeness, mean = _likeness(_standard(values), rows)
    low, high = _span(likeness, rows)
    good = (rows >= low) & (rows <= high)
    if np.count_nonzero(good) < 3:
        return None
    inside = _inside(values.shape[1])
    middle = (inside.start + inside.stop) // 2
    found: list[tuple[float, float]] = []
    for part in (slice(inside.start, middle), slice(middle, inside.stop)):
        inner = values[:, part] - values[:, part].mean(axis=1, keepdims=True)
        wave = mean[part] - mean[part].mean()
        contrast = (inner @ wave).astype(np.float64)
        found.append(_half_heights(contrast, rows, (low, high), int(np.count_nonzero(good))))
    (top_left, bottom_left), (top_right, bottom_right) = found
    top = ((top_left + top_right) / 2.0, 2.0 * (top_right - top_left))
    bottom = ((bottom_left + bottom_right) / 2.0, 2.0 * (bottom_right - bottom_left))
    if abs(top[1] - bottom[1]) > 0.06:
        # Damage at one corner: the end that lies more nearly as expected tells for both.
        other = min(top[1], bottom[1], key=lambda tilt: abs(tilt - level))
        top, bottom = (top[0], other), (bottom[0], other)
    row = values[good].mean(axis=0).astype(np.float64)
    s = _columns_like(len(row))
    return top, bottom, _outer_edges(row, s), likeness


def _half_heights(
    contrast: Floats, rows: Floats, limits: tuple[float, float], count: int
) -> tuple[float, float]:
    """Rows about both limits at which the contrast has fallen to half of what it is inside."""
    ends: list[float] = []
    for limit, direction in ((limits[0], -1), (limits[1], 1)):
        k = int(np.argmin(np.abs(rows - limit)))
        reach = max(3, int(0.25 * count))
        last = k - direction * reach
        inward = contrast[k : last if last >= 0 else None : -direction]
        ends.append(_half_crossing(contrast, rows, k, direction, 0.5 * float(np.median(inward))))
    return ends[0], ends[1]


def _half_crossing(contrast: Floats, rows: Floats, k: int, direction: int, half: float) -> float:
    """Row outside or just inside k at which the contrast falls below half."""
    while 0 <= k - direction < len(rows) and contrast[k] < half:
        k -= direction
    while 0 <= k + direction < len(rows) and contrast[k + direction] >= half:
        k += direction
    if not 0 <= k + direction < len(rows):
        return float(rows[k])
    a, b = contrast[k], contrast[k + direction]
    share = (a - half) / (a - b) if a != b else 0.5
    return float(rows[k] + share * (rows[k + direction] - rows[k]))


def _outer_edges(row: Floats, s: Floats) -> tuple[float, float]:
    """Find the first and last edge of the bars.

    Those nearest to where the reader saw them, or further out where another bar stands within 4.6
    modules: no symbology has a wider space inside.
    """
    middle = (float(row.max()) + float(row.min())) / 2.0
    light = row >= middle
    places = np.nonzero(light[:-1] != light[1:])[0]
    share = (row[places] - middle) / (row[places] - row[places + 1])
    edges = s[places] + share * float(s[1] - s[0])
    falling = light[places]
    if not falling.any() or falling.all():
        return 0.0, 1.0
    room = 4.6 * float(np.quantile(np.diff(edges), 0.2))
    begins, ends = edges[falling], edges[~falling]
    first = float(begins[np.argmin(np.abs(begins))])
    for other in begins[begins < first][::-1]:
        before = ends[(ends > other) & (ends < first)]
        if not len(before) or first - float(before[-1]) > room:
            break
        first = float(other)
    last = float(ends[np.argmin(np.abs(ends - 1.0))])
    for other in ends[ends > last]:
        after = begins[(begins < other) & (begins > last)]
        if not len(after) or float(after[0]) - last > room:
            break
        last = float(other)
    return first, last
