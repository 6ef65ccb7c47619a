"""Find a linear code in a view: by reading it, or, where it cannot be read, by its bars."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from steps._shared.symbologies import SYMBOLOGIES, Symbology


@dataclass(frozen=True, slots=True, eq=False)
class FoundLine:
    """A line across the bars of a code."""

    line: NDArray[np.float64]
    """(2, 2) float64, (x, y) of the start and the end of the bars, in pixels of the view."""
    text: str | None
    """What the reader read; None where the bars alone were found."""


def find_linear(gray: NDArray[np.uint8], symbology: str) -> FoundLine | None:
    """Find the code of one symbology.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    symbology : str
        As ``"ean13"``.

    Returns
    -------
    FoundLine or None
        Of several codes the widest.

    Notes
    -----
    Tried in turn: the view as it is, with its local contrast raised, the same at twice the size,
    and last the largest block of parallel bars, which has no text.

    Examples
    --------
    >>> find_linear(np.full((50, 80), 200, np.uint8), "ean13") is None
    True
    """
    gray = np.ascontiguousarray(gray)
    if min(gray.shape) < 8:
        return None
    known = SYMBOLOGIES["itf14" if symbology == "itf" else symbology]
    found = _read(gray, known, 1.0)
    if found is None:
        clearer = cv2.createCLAHE(4.0, (16, 16))
        found = _read(clearer.apply(gray), known, 1.0)
        if found is None and gray.size <= 1_500_000:
            large = cv2.resize(gray, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
            found = _read(clearer.apply(large), known, 2.0)
    return found or find_bars(gray)


def _read(picture: NDArray[Any], known: Symbology, scale: float) -> FoundLine | None:
    """Read codes and take the widest, of those with the right identifier where there are some."""
    wanted: Any = list(known.formats)
    codes = zxingcpp.read_barcodes(
        picture, formats=wanted, text_mode=zxingcpp.TextMode.Plain, try_downscale=scale == 1.0
    )
    best: tuple[tuple[bool, float], FoundLine] | None = None
    for code in codes:
        p = code.position
        corners = np.array(
            [[q.x, q.y] for q in (p.top_left, p.bottom_left, p.top_right, p.bottom_right)],
            np.float64,
        )
        ends = np.array([corners[:2].mean(axis=0), corners[2:].mean(axis=0)])
        ends = (ends + 0.5) / scale - 0.5
        rank = (
            known.identifier in ("", code.symbology_identifier),
            float(np.hypot(*(ends[1] - ends[0]))),
        )
        if best is None or rank > best[0]:
            best = rank, FoundLine(ends, code.text)
    return None if best is None else best[1]


def find_bars(gray: NDArray[np.uint8]) -> FoundLine | None:
    """Find the largest block of parallel bars.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.

    Returns
    -------
    FoundLine or None
        A line across the middle of the block; None where nothing looks like bars.

    Notes
    -----
    Gradients of one direction, dense over an area wider than 20 px: the structure tensor, pooled.
    Lines of print are less even in direction; a ruled border is less wide.

    Examples
    --------
    >>> gray = np.full((90, 160), 210, np.uint8)
    >>> for x in range(40, 120, 8):
    ...     gray[20:70, x : x + 4] = 40
    >>> line = find_bars(gray).line
    >>> bool(np.abs(line - [[40, 45], [116, 45]]).max() < 12)
    True
    """
    size = max(gray.shape)
    scale = min(1.0, 800.0 / size)
    small = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = small.astype(np.float32)
    gx, gy = cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1)
    pool = (15, 15)
    xx, xy, yy = (
        np.asarray(cv2.boxFilter(a, -1, pool), np.float64) for a in (gx * gx, gx * gy, gy * gy)
    )
    energy = xx + yy
    even = np.sqrt((xx - yy) ** 2 + 4.0 * xy * xy) / np.maximum(energy, 1e-3)
    floor = max(0.1 * float(np.quantile(energy, 0.98)), 60.0)
    marked = ((even > 0.8) & (energy > floor)).astype(np.uint8)
    marked = cv2.morphologyEx(marked, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    marked = cv2.morphologyEx(marked, cv2.MORPH_CLOSE, np.ones((25, 25), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(marked)
    if count < 2:
        return None
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    chosen = labels == best
    sxx, sxy, syy = float(np.sum(xx[chosen])), float(np.sum(xy[chosen])), float(np.sum(yy[chosen]))
    angle = 0.5 * np.arctan2(2.0 * sxy, sxx - syy)
    across = np.array([np.cos(angle), np.sin(angle)])
    large = [
        k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > 0.08 * np.count_nonzero(chosen)
    ]
    blocks = {k: _block(labels == k, across) for k in large}
    low, high, row = _joined(blocks, best)
    if high - low < 20.0:
        return None
    middle = row * np.array([-across[1], across[0]])
    # Pooling reaches half its size over the outer bars.
    ends = np.array([low + 6.0, high - 6.0])
    line = middle + ends[:, None] * across
    return FoundLine((line + 0.5) / scale - 0.5, None)


_Block = tuple[float, float, float, float]
"""Reach across the bars (low, high) and along them (low, high)."""


def _block(marked: NDArray[Any], across: NDArray[np.float64]) -> _Block:
    """Reach of a marked area across and along the bars, a few stray points left out."""
    rows, columns = np.nonzero(marked)
    u = columns * across[0] + rows * across[1]
    v = rows * across[0] - columns * across[1]
    low, high = np.quantile(u, (0.005, 0.995))
    top, bottom = np.quantile(v, (0.05, 0.95))
    return float(low), float(high), float(top), float(bottom)


def _joined(blocks: dict[int, _Block], best: int) -> tuple[float, float, float]:
    """Join blocks that stand in line with the best one: a torn strip may part a code.

    Returns the reach across the bars and the middle along them.
    """
    low, high, top, bottom = blocks[best]
    for k, (a, b, c, d) in sorted(blocks.items(), key=lambda item: -(item[1][1] - item[1][0])):
        shared = min(bottom, d) - max(top, c)
        gap = max(a - high, low - b)
        alike = shared > 0.6 * max(bottom - top, d - c)
        if k != best and alike and gap < 0.5 * (max(b, high) - min(a, low)):
            low, high = min(low, a), max(high, b)
    return low, high, (top + bottom) / 2.0
