"""Counting round items of one known size: votes of their edges, and cores of the covered area.

The first measure asks of every place how much of a circle of edges lies around it, whatever its
contrast. The second parts the view into item and ground by level alone and counts what is left of
the covered area when it shrinks; it uses no circle and none of the first measure's places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from steps.contract import NotMeasured, View

Floats = NDArray[np.float32]

WORK_PX = 18.0
"""Diameter at which items are counted, unless the view has fewer pixels [px]."""
LEAST_PX = 8.0
"""Smallest diameter that can be counted [px]."""
EDGE_NOISE = 3.0
"""An edge counts half where its slope is this many times the noise of slopes."""
LEAST_SHARE = 0.24
"""Share of a circle of full edges that makes an item: faint and touching ones have less than one,
what lies between items has below 0.2."""
APART = 0.7
"""Middles closer than this share of a diameter belong to one item."""
CORE = 0.7
"""Depth inside the covered area, as a share of the radius, that makes a core."""
LEAST_CONTRAST = 6.0
"""Smallest difference of item and ground, in noise of the smoothed view, that parts them."""


@dataclass(frozen=True, slots=True, eq=False)
class Rounds:
    """Round items as counted."""

    middles: NDArray[np.float64]
    """(K, 2) x, y of the middles in the view [px]."""
    by_area: int
    """Items by the covered area."""
    diameter: float
    """Diameter in the view [px]."""


def count_rounds(view: View, diameter: float) -> Rounds | NotMeasured:
    """Count round items.

    Parameters
    ----------
    view : View
        Where they lie, brighter or darker than the ground, all the same way.
    diameter : float
        Their diameter [px]; true to 10 %.

    Returns
    -------
    Rounds or NotMeasured
        Not measured where the items have fewer than 8 pixels, are larger than the view, or more
        than half of the view is masked.
    """
    if diameter < LEAST_PX:
        return NotMeasured(f"round items have {diameter:.1f} pixels; 8 are needed")
    if diameter > min(view.gray.shape):
        return NotMeasured("round items are larger than the region")
    factor = min(1.0, WORK_PX / diameter)
    size = (round(view.gray.shape[1] * factor), round(view.gray.shape[0] * factor))
    gray = np.asarray(cv2.resize(view.gray, size, interpolation=cv2.INTER_AREA), np.float32)
    shown = np.ones(gray.shape, np.bool_)
    if view.mask is not None:
        shown = np.asarray(cv2.resize(view.mask, size, interpolation=cv2.INTER_NEAREST)) > 0
        if shown.mean() < 0.5:
            return NotMeasured("more than half of the region is masked or outside the frame")
    work = diameter * factor
    smooth = np.asarray(cv2.GaussianBlur(gray, (0, 0), 1.0), np.float32)
    across = np.asarray(cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32), np.float32)
    down = np.asarray(cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32), np.float32)
    slope = np.hypot(across, down)
    noise = 0.05 + float(np.quantile(slope[shown][::3], 0.3)) / 0.845
    inner = cv2.erode(shown.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    middles, sign = circles(across, down, slope, noise, inner, work)
    flat = flattened(smooth, across, down, (slope < 3 * noise) & inner)
    area = cores(flat, slope, noise, inner, sign, work)
    scale = np.array([view.gray.shape[1] / size[0], view.gray.shape[0] / size[1]])
    return Rounds((middles + 0.5) * scale - 0.5, area, diameter)


@lru_cache(maxsize=16)
def circle_kernels(diameter: float) -> tuple[Floats, Floats]:
    """Kernels that give the share of a circle of outward slopes around a place."""
    reach = math.ceil(diameter * 0.65)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float64)
    away = np.hypot(x, y) + 1e-9
    ring = np.exp(-0.5 * ((away - diameter / 2) / (0.07 * diameter)) ** 2)
    ring /= ring.sum()
    kernels = (ring * x / away).astype(np.float32), (ring * y / away).astype(np.float32)
    for kernel in kernels:
        kernel.setflags(write=False)
    return kernels


def circles(
    across: Floats,
    down: Floats,
    slope: Floats,
    noise: float,
    inner: NDArray[np.bool_],
    diameter: float,
) -> tuple[NDArray[np.float64], float]:
    """Middles of circles, (K, 2), and +1 where the items are darker than the ground, else -1."""
    weight = np.where(inner, 1 / np.sqrt(slope**2 + (EDGE_NOISE * noise) ** 2), 0)
    kx, ky = circle_kernels(round(diameter, 1))
    border = cv2.BORDER_CONSTANT
    share: Floats = np.asarray(
        cv2.filter2D((across * weight).astype(np.float32), cv2.CV_32F, kx, borderType=border)
        + cv2.filter2D((down * weight).astype(np.float32), cv2.CV_32F, ky, borderType=border),
        np.float32,
    )
    sign = 1.0 if power(share) > power(-share) else -1.0
    return peaks(share * np.float32(sign), diameter), sign


def power(share: Floats) -> float:
    """Sum of the squares of what is large enough for an item."""
    large = share[share >= LEAST_SHARE]
    return float((large * large).sum())


def peaks(share: Floats, diameter: float) -> NDArray[np.float64]:
    """Largest values, `APART` diameters from each other, (K, 2) as x, y."""
    width = 2 * int(APART * diameter / 1.5) + 1
    window = np.ones((width, width), np.uint8)
    y, x = np.nonzero((share >= cv2.dilate(share, window)) & (share >= LEAST_SHARE))
    order = np.argsort(-share[y, x], kind="stable")
    places = np.column_stack([x, y]).astype(np.float64)[order]
    kept: list[int] = []
    for i, place in enumerate(places):
        away = places[kept] - place
        if not kept or float((away * away).sum(axis=1).min()) >= (APART * diameter) ** 2:
            kept.append(i)
    return places[kept]


def flattened(smooth: Floats, across: Floats, down: Floats, flat: NDArray[np.bool_]) -> Floats:
    """Take off the light: a quadric in the logarithm, fitted to the slopes of flat places.

    Items and ground share the relative slope of the light, so neither must be known.
    """
    rows, columns = smooth.shape
    level = np.maximum(smooth, np.float32(4))
    x = ((np.arange(columns, dtype=np.float32) + 0.5) / columns - 0.5)[None, :]
    y = ((np.arange(rows, dtype=np.float32) + 0.5) / rows - 0.5)[:, None]
    held = flat.astype(np.float32)
    parts = (held, held * across / level * columns, held * down / level * rows, held * x, held * y)
    share, right, fall, u, v = (
        np.asarray(cv2.resize(p, (4, 4), interpolation=cv2.INTER_AREA), np.float64).ravel()
        for p in parts
    )
    count, none = np.sqrt(share + 1e-9), np.zeros(16)
    basis = np.vstack(
        [
            np.column_stack([share, none, 2 * u, v, none]) / count[:, None],
            np.column_stack([none, share, none, u, 2 * v]) / count[:, None],
        ]
    )
    slopes = np.concatenate([right / count, fall / count])
    normal = basis.T @ basis + 1e-4 * np.eye(5)
    a, b, c, d, e = (float(f) for f in np.linalg.solve(normal, basis.T @ slopes))
    light = np.clip(a * x + b * y + c * x * x + d * x * y + e * y * y, -0.7, 0.7)
    return np.asarray(level * np.exp(-light), np.float32)


def cores(
    flat: Floats,
    slope: Floats,
    noise: float,
    inner: NDArray[np.bool_],
    sign: float,
    diameter: float,
) -> int:
    """Count what is left of the covered area when it shrinks; 0 where nothing parts from ground.

    The level between item and ground is the one found on edges, so a view that shows only one of
    them is not split in two.
    """
    edge = inner & (slope >= max(EDGE_NOISE * noise, 0.5 * float(slope[inner].max(initial=0))))
    if edge.sum() < diameter:
        return 0
    between = float(np.median(flat[edge]))
    covered = (flat < between) if sign > 0 else (flat > between)
    covered &= inner
    open_ground = ~covered & inner
    if not covered.any() or not open_ground.any():
        return 0
    contrast = abs(float(flat[covered].mean()) - float(flat[open_ground].mean()))
    if contrast < LEAST_CONTRAST * noise:
        return 0
    deep = cv2.distanceTransform(covered.astype(np.uint8), cv2.DIST_L2, 5)
    count, _, stats, _ = cv2.connectedComponentsWithStats(
        (deep >= CORE * diameter / 2).astype(np.uint8), connectivity=8
    )
    return int((stats[1:count, cv2.CC_STAT_AREA] >= 2).sum())
