"""How far the bars of a linear code reach, found from one place where the code was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.straighten import slopes
from steps.contract import Gray

_ROWS = 128
"""Rows in which the height of the bars is looked for [count]."""
_SEGMENTS = 10
"""Parts of the width that are followed on their own [count]."""
_SUPPORT = 4
"""How many parts must be bars for a row to count as bars [count]."""
_REACH = 1.25
"""How far the bars are followed up and down, as a share of their width."""
_GAP = 0.05
"""Longest damage that is passed over, as a share of the rows that are looked at."""
_SHIFTS = range(-3, 4)
_LIKE = 0.7
"""Smallest correlation with the bars where the code was read, for a row to be bars."""


@dataclass(frozen=True, slots=True, eq=False)
class BarExtent:
    """A parallelogram: the bars' full width and height in the view."""

    corners: NDArray[np.float64]
    """(4, 2) float64 (x, y) in pixels of the view: the code's own top left, clockwise."""

    @property
    def width(self) -> float:
        """From the first to the last bar [px]."""
        return float(np.linalg.norm(self.corners[1] - self.corners[0]))

    @property
    def height(self) -> float:
        """Along the bars [px]."""
        return float(np.linalg.norm(self.corners[3] - self.corners[0]))


UprightLine: TypeAlias = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
"""Where a line across the bars meets the first and the last one, and the unit vector along them."""


def find_bar_extent(
    gray: Gray, corners: NDArray[np.float64], line: UprightLine | None = None
) -> BarExtent:
    """Follow the bars up and down from where a reader found them.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    corners : (4, 2) float64
        Where the code was read: top left, top right, bottom right, bottom left; it may be as flat
        as one scan line.
    line : UprightLine, optional
        What `upright_line` says of the same corners, where that is known already.

    Returns
    -------
    BarExtent
        The parallelogram of the bars.

    Notes
    -----
    The width is cut into ten parts; in each, rows are compared with the rows that were read. A row
    is bars where four of the parts say so: voids and scratches in the others do not shorten the
    bars, and print below does not lengthen them. Long guard bars are not counted.
    """
    left, right, down = line or upright_line(gray, corners)
    across = right - left
    width = max(float(np.linalg.norm(across)), 1.0)
    steps = np.linspace(-_REACH * width, _REACH * width, _ROWS + 1)
    columns = int(np.clip(width, 60, 400))
    grid = _sample(gray, left, across, np.multiply.outer(steps, down), columns)
    read_height = abs(float((corners[3] - corners[0]) @ down))
    half = int(read_height / 2 / (steps[1] - steps[0]))
    middle = _clearest(grid, half)
    alike, shift = _likeness(grid, middle, min(half, 3))
    top, bottom = _reach(alike, middle, -1), _reach(alike, middle, 1)
    inside = slice(top, bottom + 1)
    drift = _drift(shift[inside], alike[inside], steps[inside]) / columns
    down = down + drift * across
    down = down / np.linalg.norm(down)
    half = np.array([down[1], -down[0]]) * width / 2
    ends = [(left + right) / 2 + steps[row] * down for row in (top, bottom)]
    return BarExtent(np.array([ends[0] - half, ends[0] + half, ends[1] + half, ends[1] - half]))


def reading_line(
    corners: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give both ends of the line on which a code was read.

    Notes
    -----
    Codes of several parts may be read on several rows, with corners that make no rectangle: then
    the line runs as far as any corner lies.
    """
    top, bottom = corners[1] - corners[0], corners[2] - corners[3]
    lengths = float(np.linalg.norm(top)), float(np.linalg.norm(bottom))
    along = (
        top / max(lengths[0], 1e-6) if lengths[0] > lengths[1] else bottom / max(lengths[1], 1e-6)
    )
    u = corners @ along
    middle = corners.mean(axis=0)
    if float(u.max() - u.min()) < 1.15 * min(lengths):
        return (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
    at = float(middle @ along)
    return middle + (float(u.min()) - at) * along, middle + (float(u.max()) - at) * along


def upright_line(gray: Gray, corners: NDArray[np.float64]) -> UprightLine:
    """Turn the line of reading about its middle until it crosses the bars at a right angle.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    corners : (4, 2) float64
        Where the code was read, at whatever slant to the bars.

    Returns
    -------
    UprightLine
        Three (2,) float64.
    """
    left, right = reading_line(corners)
    line = right - left
    across = line / max(float(np.linalg.norm(line)), 1.0)
    down = _bar_direction(gray, corners, np.array([-across[1], across[0]]))
    across = np.array([down[1], -down[0]])
    half = across * float(line @ across) / 2
    middle = (left + right) / 2
    return middle - half, middle + half, down


def sample_bars(
    gray: Gray, extent: BarExtent, rows: int, columns: int, margin: float = 0.0
) -> NDArray[np.uint8]:
    """Resample the bars upright.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    extent : BarExtent
        Where the bars are.
    rows, columns : int
        Size of the result; columns are those between the first and the last bar [px].
    margin : float
        How much more to the left and right, as a share of the width.

    Returns
    -------
    (rows, columns * (1 + 2 margin)) uint8
        The bars, upright; light where the view ends.
    """
    top_left, top_right, _, bottom_left = extent.corners
    more = round(margin * columns)
    across, down = (top_right - top_left) / columns, (bottom_left - top_left) / rows
    to_view = np.stack([across, down, top_left + across * (0.5 - more) + down * 0.5], axis=1)
    upright = cv2.warpAffine(
        gray,
        to_view,
        (columns + 2 * more, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float(np.percentile(gray[::4, ::4], 90)),
    )
    return np.asarray(upright, np.uint8)


def _bar_direction(
    gray: Gray, corners: NDArray[np.float64], down: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Find the unit vector along the bars, from the slopes along the inner line of reading."""
    left, right = reading_line(corners)
    ends = np.array([left + 0.15 * (right - left), right + 0.15 * (left - right)])
    band = max(2.5, 0.03 * float(np.linalg.norm(right - left)))
    x0, y0 = (int(v - band) for v in ends.min(axis=0))
    x1, y1 = (int(v + band) + 2 for v in ends.max(axis=0))
    x0, y0 = max(x0, 0), max(y0, 0)
    part = gray[y0 : max(y1, 0), x0 : max(x1, 0)]
    if min(part.shape) < 3:
        return down
    gx, gy = slopes(part)
    ys, xs = np.indices(part.shape, np.float64)
    away = (xs + (x0 - left[0])) * down[0] + (ys + (y0 - left[1])) * down[1]
    near = np.abs(away) <= band
    gx, gy = gx[near], gy[near]
    xx, yy, xy = float(gx @ gx), float(gy @ gy), float(gx @ gy)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    found = np.array([-np.sin(angle), np.cos(angle)])
    return found if found @ down > 0 else -found


def _sample(
    gray: Gray,
    left: NDArray[np.float64],
    across: NDArray[np.float64],
    offsets: NDArray[np.float64],
    columns: int,
) -> NDArray[np.float32]:
    """Sample rows along the code, each moved by one of `offsets`; (rows, columns) float32."""
    share = (np.arange(columns) + 0.5) / columns
    x = (left[0] + share * across[0] + offsets[:, :1]).astype(np.float32)
    y = (left[1] + share * across[1] + offsets[:, 1:]).astype(np.float32)
    sampled = cv2.remap(gray, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(sampled, np.float32)


def _clearest(grid: NDArray[np.float32], half: int) -> int:
    """Choose the row to start from: the middle, unless others that were read show far more edges.

    The middle may be blank where a reader takes two equal codes, one above the other, for one.
    """
    middle = len(grid) // 2
    first = max(middle - half, 0)
    edges = np.abs(np.diff(grid[first : middle + half + 1], axis=1)).sum(axis=1)
    return middle if edges[middle - first] > 0.6 * edges.max() else first + int(edges.argmax())


def _likeness(
    grid: NDArray[np.float32], middle: int, half: int
) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
    """Correlate each part of each row with the rows that were read.

    Returns
    -------
    (rows, parts) float32 and (rows, parts) int
        Best correlation over small shifts, and the shift where it is [columns].
    """
    size = grid.shape[1] // _SEGMENTS
    used = slice(0, size * _SEGMENTS)
    rows = grid[:, used].reshape(len(grid), _SEGMENTS, size)
    near = slice(max(middle - half, 0), middle + half + 1)
    read = grid[near].mean(axis=0)
    rows = np.ascontiguousarray((rows - rows.mean(axis=2, keepdims=True)).transpose(1, 0, 2))
    moved = np.stack([np.roll(read, shift)[used] for shift in _SHIFTS])
    moved = moved.reshape(len(_SHIFTS), _SEGMENTS, size).transpose(1, 2, 0)
    moved = moved - moved.mean(axis=1, keepdims=True)
    power = np.sqrt((rows * rows).sum(axis=2)) + 1e-3
    scale = np.sqrt((moved * moved).sum(axis=1)) + 1e-3
    every = rows @ moved / (power[:, :, None] * scale[:, None, :])
    best = every.max(axis=2)
    best[power < 0.3 * np.median(power[:, near], axis=1)[:, None]] = 0
    return best.T, every.argmax(axis=2).T - len(_SHIFTS) // 2


def _reach(alike: NDArray[np.float32], middle: int, way: int) -> int:
    """Say up to which row the bars reach, going up (-1) or down (+1) from the middle."""
    good = np.flatnonzero((alike[middle::way] >= _LIKE).sum(axis=1) >= _SUPPORT)
    last = 0
    for row in good.tolist():
        if row - last > _GAP * _ROWS:
            break
        last = row
    return middle + way * last


def _drift(
    shift: NDArray[np.intp], alike: NDArray[np.float32], steps: NDArray[np.float64]
) -> float:
    """By how many columns the bars drift per pixel downwards: the error of their direction."""
    rows, parts = np.nonzero(alike >= _LIKE)
    if len(rows) < 8:
        return 0.0
    t = steps[rows]
    return float(t @ shift[rows, parts]) / max(float(t @ t), 1.0)
