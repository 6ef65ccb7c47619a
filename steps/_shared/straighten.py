"""Find patches of parallel bars at any tilt, and cut them out with the bars upright."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from steps.contract import Gray, Matrix

_POOLED_SIDE = 480
"""Longer side of the pooled structure tensor [px]."""
_LEAST_ENERGY = 50.0
"""Energy of slopes below which nothing is printed [squared slope of Scharr's weights]."""
_PARALLEL = float(np.cos(2 * np.radians(12)))
"""Edges within 12 degrees of each other belong together."""


@dataclass(frozen=True, slots=True)
class BarPatch:
    """A patch of parallel bars, as a turned rectangle in the image."""

    angle: float
    """Direction across the bars [rad], x to the right, y down."""
    across: tuple[float, float]
    """From where to where along `angle` [px], measured from the image's origin."""
    along: tuple[float, float]
    """From where to where along the bars, a quarter turn further [px]."""

    @property
    def corners(self) -> NDArray[np.float64]:
        """The four corners, (4, 2) float64 (x, y)."""
        (u0, u1), (v0, v1) = self.across, self.along
        uv = np.array([(u0, v0), (u1, v0), (u1, v1), (u0, v1)])
        return uv @ _axes(self.angle)


def bar_patches(gray: Gray, most: int = 3) -> list[BarPatch]:
    """Find patches in which all edges run the same way, as in a bar code.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    most : int
        How many patches at most [count].

    Returns
    -------
    list of BarPatch
        The strongest first.

    Notes
    -----
    Gradients are taken at full detail and only then pooled to about 480 px: fine bars vanish when
    a picture is reduced, the energy of their gradients does not. The structure tensor's coherence
    tells bars (one direction) from text (several).

    References
    ----------
    Bigun & Granlund 1987, optimal orientation detection of linear symmetry (from memory).
    """
    if min(gray.shape) < 16:
        return []
    xx, yy, xy, pool = _pooled_tensor(gray)
    window = max(5, min(xx.shape) // 16) | 1
    xx, yy, xy = (_box(t, window) for t in (xx, yy, xy))
    energy = xx + yy
    stretch = np.sqrt((xx - yy) ** 2 + 4 * xy**2)
    coherence = stretch / (energy + 1e-3)
    cosine, sine = (xx - yy) / (stretch + 1e-3), 2 * xy / (stretch + 1e-3)  # of twice the angle
    score = _box(np.asarray(energy * coherence**4, np.float32), 2 * window + 1)
    kernel = np.ones((window, window), np.uint8)
    patches: list[BarPatch] = []
    for _ in range(2 * most):
        y, x = (int(i) for i in np.unravel_index(np.argmax(score), score.shape))
        if score[y, x] <= _LEAST_ENERGY or len(patches) == most:
            break
        parallel = cosine * cosine[y, x] + sine * sine[y, x] > _PARALLEL
        alike = parallel & (coherence > 0.5) & (energy > 0.08 * energy[y, x])
        closed = cv2.morphologyEx(alike.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
        labels = cv2.connectedComponents(closed)[1]
        patch = labels == labels[y, x]
        score[max(0, y - window) : y + window + 1, max(0, x - window) : x + window + 1] = 0
        if labels[y, x] == 0:
            continue
        score[cv2.dilate(patch.astype(np.uint8), kernel) > 0] = 0
        if patch.sum() >= 4 * window:
            mean = 0.5 * atan2(2 * float(np.sum(xy[patch])), float(np.sum((xx - yy)[patch])))
            patches.append(_rectangle(patch, mean, pool, window))
    return patches


def cut_patch(gray: Gray, patch: BarPatch, scale: float = 2.0) -> tuple[Gray, Matrix] | None:
    """Cut a patch out with its bars upright, enlarged.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    patch : BarPatch
        Where.
    scale : float
        Enlargement.

    Returns
    -------
    (K, L) uint8 and (3, 3) float64, or None
        The cut-out, and the map from its pixels to those of `gray`; None where the patch is too
        narrow or too wide to hold a code.
    """
    (u0, u1), (v0, v1) = patch.across, patch.along
    margin = 0.12 * (u1 - u0) + 4
    u0, u1 = u0 - margin, u1 + margin
    middle, half = (v0 + v1) / 2, min(max((v1 - v0) / 2, 4.0), 80.0)
    width, height = int((u1 - u0) * scale), int(2 * half * scale)
    if not 30 <= width <= 8000:
        return None
    axes = _axes(patch.angle)
    to_view = np.eye(3)
    to_view[:2, :2] = axes.T / scale
    to_view[:2, 2] = axes.T @ [u0 + 0.5 / scale, middle - half + 0.5 / scale]
    upright = cv2.warpAffine(
        gray,
        to_view[:2],
        (width, height),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(upright, np.uint8), to_view


def restore_bars(upright: Gray, blur_px: float, bands: int = 5, rounds: int = 30) -> Gray:
    """Undo blur across the bars of an upright patch.

    Parameters
    ----------
    upright : (M, N) uint8
        A patch whose bars run down the columns.
    blur_px : float
        Sigma of the blur that is undone [px].
    bands : int
        How many bands of rows are averaged and restored on their own [count].
    rounds : int
        Iterations [count].

    Returns
    -------
    (6 bands, N) uint8
        Each band as six equal rows, light and dark at full contrast.

    References
    ----------
    Richardson 1972, Lucy 1974 (from memory): iterative restoration that keeps light positive.
    """
    rows = np.array_split(upright.astype(np.float32), bands)
    lines = np.stack([band.mean(axis=0) for band in rows if len(band)])
    side = max(9, lines.shape[1] // 8)
    kernel = np.ones((1, side), np.uint8)
    high = cv2.blur(cv2.dilate(lines, kernel), (side, 1))
    low = cv2.blur(cv2.erode(lines, kernel), (side, 1))
    seen = 0.05 + 0.9 * np.clip((lines - low) / (high - low + 8), 0, 1)
    blur = cv2.getGaussianKernel(int(6 * blur_px) | 1, blur_px, cv2.CV_32F).T
    light = np.full(seen.shape, 0.5, np.float32)
    for _ in range(rounds):
        fit = _blurred(light, blur) + 1e-3
        light = np.minimum(light * _blurred(np.asarray(seen / fit, np.float32), blur), 1.15)
    return np.repeat(np.clip(230 * light, 0, 255).astype(np.uint8), 6, axis=0)


def slopes(gray: Gray) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Give the slopes of grey levels along x and y, with little bias of their direction.

    Notes
    -----
    Scharr's weights (3, 10, 3) on the smoothed picture: with Sobel's on fine bars the direction
    is off by more than a degree.
    """
    smooth = cv2.GaussianBlur(gray, (3, 3), 0.8)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    return np.asarray(gx, np.float32), np.asarray(gy, np.float32)


def _axes(angle: float) -> NDArray[np.float64]:
    """Give unit vectors across and along the bars, as rows."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([(c, s), (-s, c)])


def _pooled_tensor(
    gray: Gray,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], float]:
    """Products of the gradients, pooled; and how many pixels of the image make one of theirs."""
    pool = max(1.0, max(gray.shape) / _POOLED_SIDE)
    size = (max(1, round(gray.shape[1] / pool)), max(1, round(gray.shape[0] / pool)))
    gx, gy = slopes(gray)
    products = (gx * gx, gy * gy, gx * gy)
    xx, yy, xy = (
        np.asarray(cv2.resize(p, size, interpolation=cv2.INTER_AREA), np.float32) for p in products
    )
    return xx, yy, xy, pool


def _blurred(lines: NDArray[np.float32], kernel: NDArray[Any]) -> NDArray[np.float32]:
    """Blur along the rows."""
    blurred = cv2.filter2D(lines, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(blurred, np.float32)


def _box(values: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """Average over squares."""
    return np.asarray(cv2.boxFilter(values, -1, (side, side)), np.float32)


def _rectangle(patch: NDArray[np.bool_], angle: float, pool: float, window: int) -> BarPatch:
    """Lay a turned rectangle around the pixels of a patch."""
    rows, columns = np.nonzero(patch)
    points = np.stack([(columns + 0.5) * pool - 0.5, (rows + 0.5) * pool - 0.5], axis=1)
    u, v = (points @ _axes(angle).T).T
    u0, u1 = np.percentile(u, [0.5, 99.5])
    v0, v1 = np.percentile(v, [10, 90])
    edge = window * pool * 0.5
    return BarPatch(angle, (float(u0 - edge), float(u1 + edge)), (float(v0), float(v1)))
