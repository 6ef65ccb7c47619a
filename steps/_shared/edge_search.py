"""Search for a reference by the directions of its edges, in a much reduced view."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.poses import moved, reduced, through
from steps.contract import Matrix

Float = NDArray[np.float32]

_SOFT = 5.0
"""Slope at which an edge counts half [grey levels/px of the reduced view]."""


@dataclass(frozen=True, slots=True, eq=False)
class Kernel:
    """The edge directions of the reference, turned and scaled one way."""

    move: Matrix
    """From the nominal place to this one, in pixels of the canonical view."""
    x: Float
    y: Float
    total: float
    """Best score that this kernel can reach."""


@dataclass(frozen=True, slots=True)
class Reach:
    """How far from its nominal place the reference is looked for, in reduced pixels."""

    left: int
    right: int
    up: int
    down: int

    @property
    def size(self) -> tuple[int, int]:
        """Rows and columns of the map of places."""
        return self.up + self.down + 1, self.left + self.right + 1


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """A place to start a fit from."""

    move: Matrix
    """From the nominal place, in pixels of the canonical view, without any offset of the view."""
    score: float
    """Agreement of edge directions, at most about 1."""


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """All kernels of a reference at one reduction."""

    factor: int
    corner: tuple[int, int]
    """(x, y) of the kernels' first pixel in the reduced canonical view."""
    kernels: tuple[Kernel, ...]
    usual: tuple[tuple[int, int], NDArray[np.complex64]] | None = None
    """Size of the usual search window, and the kernels' spectra at it."""

    def spectra(self, window: tuple[int, int]) -> NDArray[np.complex64]:
        """Give the conjugate spectra of all kernels, (K, 2, M, N)."""
        if self.usual is not None and self.usual[0] == window:
            return self.usual[1]
        stack = np.stack([[k.x / k.total, k.y / k.total] for k in self.kernels])
        return np.conj(np.fft.rfft2(stack, window)).astype(np.complex64)


def directions(gray: NDArray[np.uint8], mask: NDArray[np.uint8] | None) -> tuple[Float, Float]:
    """Give the gradient's direction at each pixel, its length 0 to 1 by strength."""
    gx = np.asarray(cv2.Scharr(gray, cv2.CV_32F, 1, 0), np.float32)
    gy = np.asarray(cv2.Scharr(gray, cv2.CV_32F, 0, 1), np.float32)
    soft = np.sqrt(gx * gx + gy * gy) + np.float32(32 * _SOFT)  # cv2.magnitude: see edge_model
    if mask is not None:
        inside = np.asarray(cv2.erode(mask, np.ones((3, 3), np.uint8), borderValue=0), np.float32)
        gx, gy = gx * (inside > 0), gy * (inside > 0)
    return np.asarray(gx / soft, np.float32), np.asarray(gy / soft, np.float32)


def kernels_of(
    image: NDArray[np.uint8],
    usable: NDArray[np.uint8],
    to_canonical: Matrix,
    moves: Sequence[Matrix],
    factor: int,
) -> tuple[tuple[int, int], tuple[Kernel, ...]]:
    """Render the reference under each move in the reduced view and take its edge directions.

    Parameters
    ----------
    image, usable : (M, N) uint8
        The reference as the view would show it, and where it can be relied on.
    to_canonical : (3, 3) float64
        From pixels of `image` to pixels of the canonical view.
    moves : sequence of (3, 3) float64
        From the nominal place to each place, in pixels of the canonical view.
    factor : int
        Reduction of the view.
    """
    h, w = image.shape
    outline = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float)
    ends = np.concatenate([through(reduced(factor) @ m @ to_canonical, outline) for m in moves])
    x0, y0 = (int(v) for v in np.floor(ends.min(axis=0)) - 1)
    x1, y1 = (int(v) for v in np.ceil(ends.max(axis=0)) + 2)
    fine = max(1, factor // 2)
    small, seen = _shrunk(image, fine), _shrunk(usable, fine)
    ratio = factor // fine
    found: list[Kernel] = []
    for move in moves:
        whole = reduced(fine) @ move @ to_canonical @ np.linalg.inv(reduced(fine))
        put = moved(-x0 * ratio, -y0 * ratio) @ whole
        size = ((x1 - x0) * ratio, (y1 - y0) * ratio)
        shown = cv2.warpPerspective(small, put, size, borderMode=cv2.BORDER_REPLICATE)
        inside = cv2.warpPerspective(seen, put, size, borderValue=0)
        inside = _shrunk(np.asarray(inside, np.uint8), ratio)
        whole = np.where(inside >= 250, np.uint8(255), np.uint8(0))
        x, y = directions(_shrunk(np.asarray(shown, np.uint8), ratio), whole)
        found.append(Kernel(move, x, y, max(float(np.hypot(x, y).sum()), 1e-3)))
    return (x0, y0), tuple(found)


def _shrunk(image: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Reduce by a whole factor, mean of each block; what does not fill a block is cut off."""
    if factor == 1:
        return image
    h, w = image.shape[0] // factor, image.shape[1] // factor
    cut = image[: h * factor, : w * factor]
    return np.asarray(cv2.resize(cut, (w, h), interpolation=cv2.INTER_AREA), np.uint8)


def window_size(search: Search, reach: Reach) -> tuple[int, int]:
    """Give rows and columns of the transforms that a search needs."""
    rows, cols = search.kernels[0].x.shape
    return _fast_size(rows + reach.up + reach.down), _fast_size(cols + reach.left + reach.right)


def _fast_size(least: int) -> int:
    """Give the next size that has only the factors 2, 3 and 5, and is even."""
    return int(cv2.getOptimalDFTSize((least + 1) // 2)) * 2


def best_starts(
    search: Search,
    view: NDArray[np.uint8],
    mask: NDArray[np.uint8] | None,
    offset: tuple[int, int],
    reach: Reach,
    most: int,
) -> list[Start]:
    """Find the places where edge directions agree best.

    Parameters
    ----------
    search : Search
        The kernels.
    view, mask : (M, N) uint8
        The reduced view, and where it may be measured.
    offset : tuple of int
        Where the canonical view's origin lies in the view [reduced px].
    reach : Reach
        How far to look.
    most : int
        How many places to give, best first, not next to each other.
    """
    x, y = directions(view, mask)
    size = window_size(search, reach)
    left = search.corner[0] + offset[0] - reach.left
    top = search.corner[1] + offset[1] - reach.up
    spectra = search.spectra(size)
    window = np.fft.rfft2(np.stack([_cut(x, left, top, size), _cut(y, left, top, size)]))
    product = spectra[:, 0] * window[0].astype(np.complex64)
    product += spectra[:, 1] * window[1].astype(np.complex64)
    rows, cols = reach.size
    maps = np.fft.irfft2(product, size)[:, :rows, :cols].astype(np.float32)
    return [_start(search, maps, at, reach) for at in _peaks(maps, most)]


def _cut(field: Float, left: int, top: int, size: tuple[int, int]) -> Float:
    """Cut a window out of a field, zero where it leaves the field."""
    out = np.zeros(size, np.float32)
    x0, y0 = max(left, 0), max(top, 0)
    x1, y1 = min(left + size[1], field.shape[1]), min(top + size[0], field.shape[0])
    if x1 > x0 and y1 > y0:
        out[y0 - top : y1 - top, x0 - left : x1 - left] = field[y0:y1, x0:x1]
    return out


def _peaks(maps: Float, most: int) -> list[tuple[int, int, int]]:
    """Give (kernel, row, column) of the highest places, at least 3 px from each other."""
    best = maps.max(axis=0)
    found: list[tuple[int, int, int]] = []
    for _ in range(most):
        row, col = (int(v) for v in np.unravel_index(int(best.argmax()), best.shape))
        if not best[row, col] > 0:
            break
        found.append((int(maps[:, row, col].argmax()), row, col))
        best[max(0, row - 3) : row + 4, max(0, col - 3) : col + 4] = -math.inf
    return found


def _start(search: Search, maps: Float, at: tuple[int, int, int], reach: Reach) -> Start:
    """Turn a place of a map into a move, to a fraction of a reduced pixel."""
    kernel, row, col = at
    shown = maps[kernel]
    dx = _vertex(shown[row, max(col - 1, 0) : col + 2], 0 < col < shown.shape[1] - 1)
    dy = _vertex(shown[max(row - 1, 0) : row + 2, col], 0 < row < shown.shape[0] - 1)
    x, y = (col - reach.left + dx) * search.factor, (row - reach.up + dy) * search.factor
    return Start(moved(x, y) @ search.kernels[kernel].move, round(float(shown[row, col]), 4))


def _vertex(three: Float, inner: bool) -> float:
    """Give the top of the parabola through three heights, from the middle one, to an eighth.

    Finer would let the last bits of the transforms through, which differ from call to call.
    """
    if not inner:
        return 0.0
    a, b, c = (float(v) for v in three)
    bend = a - 2 * b + c
    return round(8 * min(max(0.5 * (a - c) / bend, -0.5), 0.5)) / 8 if bend < 0 else 0.0
