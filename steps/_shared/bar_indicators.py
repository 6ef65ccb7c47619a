"""What can be said of bars at any number of pixels: contrast, damaged height, voids and spots."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.bars_area import BarsArea

Floats = NDArray[np.float64]

_EDGE = 0.3
"""Nearer than this to an edge nothing counts as a void or spot [X]."""


def print_contrast(light: NDArray[np.float32], area: BarsArea) -> tuple[float, float, float]:
    """Measure (light - dark) / light of the print.

    Parameters
    ----------
    light : (M, N) float32
        Linear light.
    area : BarsArea
        Where the bars lie.

    Returns
    -------
    (float, float, float)
        Contrast [fraction], light and dark [share of full scale]: the values that 5 % of the
        pixels between the outer bars lie above and below.

    Examples
    --------
    >>> light = np.tile(np.repeat([0.8, 0.2, 0.8, 0.2], 10).astype(np.float32), (30, 1))
    >>> area = BarsArea(np.array([[0, 2], [39, 2], [39, 25], [0, 25]], np.float64), np.ones(1))
    >>> round(print_contrast(light, area)[0], 2)
    0.75
    """
    count = int(np.clip(2 * area.width_px, 32, 2000))
    s, t = np.meshgrid(np.linspace(0, 1, count), np.linspace(0.1, 0.9, 12))
    grid = np.stack((s.ravel(), t.ravel()), axis=1)[None]
    points = np.rint(cv2.perspectiveTransform(grid, area.matrix)[0]).astype(np.intp)
    x = np.clip(points[:, 0], 0, light.shape[1] - 1)
    y = np.clip(points[:, 1], 0, light.shape[0] - 1)
    dark, high = (float(v) for v in np.quantile(light[y, x], (0.05, 0.95)))
    return (high - dark) / high if high > 0 else 0.0, high, dark


@dataclass(frozen=True, slots=True)
class Flaws:
    """The worst void and spot."""

    void: float
    """Side of a square as large as the largest light place in a bar [X]."""
    spot: float
    """Side of a square as large as the largest dark place in a space [X]."""


def worst_flaws(
    rows: Floats, edges: Floats, module: float, row_modules: float, levels: tuple[float, float]
) -> Flaws:
    """Find the largest void in a bar and the largest spot in a space.

    Parameters
    ----------
    rows : (R, N) float64
        Light along R lines over the height of the bars.
    edges : (K,) float64
        Edges of a line that decodes, first bar to last bar [samples].
    module : float
        Width of a module [samples].
    row_modules : float
        Distance of the lines [X].
    levels : (float, float)
        Light of spaces and of bars.

    Returns
    -------
    Flaws

    Notes
    -----
    A place is a flaw where it is past the middle of both levels and farther than 0.3 X from an
    edge. What bridges two bars counts once for each space.

    Examples
    --------
    >>> rows = np.tile(np.repeat([0.9, 0.1, 0.9], 20), (20, 1))
    >>> rows[5:9, 28:32] = 0.9
    >>> flaws = worst_flaws(rows, np.array([19.5, 39.5]), 10.0, 0.1, (0.9, 0.1))
    >>> round(flaws.void, 2), flaws.spot
    (0.4, 0.0)
    """
    count = rows.shape[1]
    x = np.arange(count, dtype=np.float64)
    near: NDArray[np.intp] = np.asarray(np.searchsorted(edges, x), np.intp)
    bar: NDArray[np.bool_] = np.asarray(np.mod(near, 2) == 1)
    padded = np.concatenate(([-np.inf], edges, [np.inf]))
    distance = np.minimum(x - padded[near], padded[near + 1] - x)
    within: NDArray[np.bool_] = np.asarray(
        (distance > _EDGE * module) & (x > edges[0]) & (x < edges[-1])
    )
    middle = (levels[0] + levels[1]) / 2.0
    area = row_modules / max(module, 1e-9)
    void = _largest((rows > middle) & np.logical_and(within, bar))
    spot = _largest((rows < middle) & np.logical_and(within, np.logical_not(bar)))
    return Flaws(float(np.sqrt(void * area)), float(np.sqrt(spot * area)))


def _largest(marked: NDArray[Any]) -> int:
    """Count the samples of the largest connected place."""
    if not marked.any():
        return 0
    _, _, stats, _ = cv2.connectedComponentsWithStats(marked.astype(np.uint8), connectivity=4)
    return int(stats[1:, cv2.CC_STAT_AREA].max())
