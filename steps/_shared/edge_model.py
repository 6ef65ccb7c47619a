"""The edges of a reference, as points with normals and grey-level profiles across them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.poses import carry
from steps.contract import Matrix

Float = NDArray[np.float32]

SMOOTH_PX = 1.0
"""Sigma of the blur on every image before edges are measured in it [px]."""
PROFILE_PX = 3.0
"""Half length of the profile that is kept of every edge point [px]."""
STEP_PX = 0.5
"""Distance of the samples of a profile [px]."""
_CELLS = (10, 8)
_MARGIN_PX = 4
_COARSE_MARGIN_PX = 2
_MOST_ROWS = 32000
_BORDER_SLOPE = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class EdgeModel:
    """Edge points of a reference image at one reduction."""

    factor: int
    """The image was reduced by this factor before its edges were taken."""
    points: NDArray[np.float64]
    """(K, 2) places in the plane of the reference, on the edge to a fraction of a pixel."""
    normals: NDArray[np.float64]
    """(K, 2) unit vectors across the edge in that plane, towards the lighter side."""
    strengths: NDArray[np.float64]
    """(K,) slope across the edge [grey levels/px]."""
    profiles: Float
    """(K, P) grey levels across the edge, `PROFILE_PX` to either side, every `STEP_PX`."""
    solvers: Float
    """(K, 4, P): from a profile to gain, offset, shift times gain, and change of sharpness."""

    borders: int = 0
    """How many of the points, the last ones, lie on the physical border, where the edge may be a
    rise or a fall; profiles and solvers are 0 there."""

    @property
    def count(self) -> int:
        """How many edge points there are."""
        return len(self.points)

    def part(self, chosen: NDArray[np.bool_]) -> EdgeModel:
        """Give the model of some of its points."""
        return EdgeModel(
            self.factor,
            self.points[chosen],
            self.normals[chosen],
            self.strengths[chosen],
            self.profiles[chosen],
            self.solvers[chosen],
            int(chosen[self.printed :].sum()),
        )

    @property
    def printed(self) -> int:
        """How many of the points, the first ones, lie on print."""
        return len(self.points) - self.borders


def smoothed(image: NDArray[np.uint8] | Float) -> Float:
    """Blur as edges are measured: float32, sigma `SMOOTH_PX`."""
    return np.asarray(cv2.GaussianBlur(image.astype(np.float32), (0, 0), SMOOTH_PX), np.float32)


def profile_offsets(half_px: float) -> Float:
    """Give the places of samples along a normal [px], symmetrical about 0."""
    count = round(half_px / STEP_PX)
    return (np.arange(-count, count + 1) * STEP_PX).astype(np.float32)


def sample_across(
    image: Float, points: NDArray[np.float64], normals: NDArray[np.float64], offsets: Float
) -> Float:
    """Sample grey levels along normals: (K, P) for K points and P offsets."""
    if not len(points):
        return np.empty((0, len(offsets)), np.float32)
    if len(points) > _MOST_ROWS:
        halves = (slice(None, len(points) // 2), slice(len(points) // 2, None))
        parts = [sample_across(image, points[half], normals[half], offsets) for half in halves]
        return np.concatenate(parts)
    x = (points[:, :1] + normals[:, :1] * offsets).astype(np.float32)
    y = (points[:, 1:] + normals[:, 1:] * offsets).astype(np.float32)
    shown = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(shown, np.float32)


def peaks_across(profiles: Float, either_way: bool = False) -> tuple[Float, Float]:
    """Find the steepest rise in each profile.

    Parameters
    ----------
    profiles : (K, P) float32
        Grey levels every `STEP_PX`, towards the side that should be lighter.
    either_way : bool
        Whether a fall counts as well.

    Returns
    -------
    places, rises : (K,) float32
        Place of the steepest rise from the middle of the profile [px], nan where the steepest is
        at an end; and its slope [grey levels/px].
    """
    rise = (profiles[:, 2:] - profiles[:, :-2]) / np.float32(2 * STEP_PX)
    if either_way:
        rise = np.abs(rise)
    best = rise.argmax(axis=1)
    last = rise.shape[1] - 1
    inner = np.clip(best, 1, last - 1)
    rows = np.arange(len(rise))
    before, at, after = rise[rows, inner - 1], rise[rows, inner], rise[rows, inner + 1]
    bend = np.minimum(before - 2 * at + after, np.float32(-1e-6))
    place = (inner - last / 2 + 0.5 * (before - after) / bend) * STEP_PX
    place = np.where((best > 0) & (best < last), place, np.nan)
    return place.astype(np.float32), rise[rows, best]


def noise_of(image: Float) -> float:
    """Estimate the noise of an image from what a second difference leaves in it [grey levels].

    References
    ----------
    J. Immerkaer, "Fast noise variance estimation", Computer Vision and Image Understanding 64,
    1996; here with the median in place of the mean, so that edges do not count.
    """
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    return float(np.median(np.abs(cv2.filter2D(image, cv2.CV_32F, mask)))) / (0.6745 * 6.0)


def edge_model(
    image: NDArray[np.uint8],
    usable: NDArray[np.uint8],
    factor: int,
    most: int,
    to_plane: Matrix,
) -> EdgeModel:
    """Take the edges of a reference image.

    Parameters
    ----------
    image : (M, N) uint8
        The reference, reduced by `factor` already.
    usable : (M, N) uint8
        0 where the reference shows nothing that can be relied on.
    factor : int
        By how much it was reduced.
    most : int
        About how many points to keep, spread over the image.
    to_plane : (3, 3) float64
        From pixels of `image` to the plane in which the points are given.

    Notes
    -----
    Ridges of the gradient above the noise and above a tenth of the strong edges are candidates;
    the strongest in each cell of a grid are kept. Each is then measured on the reference itself:
    what does not return to its place is dropped, the others are set to where they were found.
    """
    smooth = smoothed(image)
    margin = _MARGIN_PX if factor == 1 else _COARSE_MARGIN_PX
    shrunk = cv2.erode(usable, np.ones((2 * margin + 1,) * 2, np.uint8), borderValue=0)
    noise = noise_of(image.astype(np.float32))
    points, normals = _ridges(smooth, np.asarray(shrunk, np.uint8), noise, most)
    for _ in range(2):
        place, rise = peaks_across(
            sample_across(smooth, points, normals, profile_offsets(2.5)),
        )
        stays = np.abs(np.nan_to_num(place, nan=9.0)) < 1.0
        points = points[stays] + normals[stays] * place[stays, None]
        normals, rise = normals[stays], rise[stays]
    place, rise = peaks_across(sample_across(smooth, points, normals, profile_offsets(2.5)))
    stays = np.abs(np.nan_to_num(place, nan=9.0)) < 0.1
    points, normals, rise = points[stays], normals[stays], rise[stays]
    profiles, solvers = _solvers(smooth, points, normals)
    there = carry(to_plane, points, normals)
    return EdgeModel(
        factor, there.points, there.normals, rise.astype(np.float64), profiles, solvers
    )


def _ridges(
    smooth: Float, usable: NDArray[np.uint8], noise: float, most: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give pixels on ridges of the gradient, the strongest of each cell, and their normals."""
    gx = cv2.filter2D(smooth, cv2.CV_32F, np.array([[-0.5, 0.0, 0.5]], np.float32))
    gy = cv2.filter2D(smooth, cv2.CV_32F, np.array([[-0.5], [0.0], [0.5]], np.float32))
    slope = np.sqrt(gx * gx + gy * gy)  # cv2.magnitude differs with where arrays lie
    # Noise of sigma s leaves about 0.2 s in the slope of an image blurred with sigma 1.
    strong = (usable > 0) & (slope > max(1.5, noise))
    rows, cols = np.nonzero(strong)
    if not len(rows):
        return np.empty((0, 2)), np.empty((0, 2))
    at = np.column_stack([cols, rows]).astype(np.float64)
    normal = np.column_stack([gx[rows, cols], gy[rows, cols]]).astype(np.float64)
    normal /= slope[rows, cols, None]
    beside = sample_across(slope, at, normal, np.array([-1.0, 0.0, 1.0], np.float32))
    ridge = (beside[:, 1] >= beside[:, 0]) & (beside[:, 1] >= beside[:, 2])
    if not ridge.any():
        return np.empty((0, 2)), np.empty((0, 2))
    ridge &= beside[:, 1] > 0.1 * np.percentile(beside[ridge, 1], 95)
    at, normal, height = at[ridge], normal[ridge], beside[ridge, 1]
    kept = _spread(at, height, smooth.shape, most)
    return at[kept], normal[kept]


def _spread(
    at: NDArray[np.float64], height: Float, shape: tuple[int, ...], most: int
) -> NDArray[np.intp]:
    """Choose about `most` points, the strongest of each cell, and more where cells are empty."""
    across, down = _CELLS
    cell = (at[:, 1] * down // shape[0]) * across + at[:, 0] * across // shape[1]
    order = np.lexsort((-height, cell))
    sorted_cell = cell[order]
    first = np.searchsorted(sorted_cell, sorted_cell, side="left")
    rank = np.arange(len(order)) - first
    kept = order[np.argsort(rank, kind="stable")[:most]]
    return np.sort(kept)


def _solvers(
    smooth: Float, points: NDArray[np.float64], normals: NDArray[np.float64]
) -> tuple[Float, Float]:
    """Give profiles and what turns a new profile into gain, offset, shift and sharpness."""
    wide = sample_across(smooth, points, normals, profile_offsets(PROFILE_PX + STEP_PX))
    own = wide[:, 1:-1]
    first = (wide[:, 2:] - wide[:, :-2]) / np.float32(2 * STEP_PX)
    second = (wide[:, 2:] - 2 * own + wide[:, :-2]) / np.float32(STEP_PX**2)
    basis = np.stack([own, np.ones_like(own), first, second], axis=2).astype(np.float64)
    if not len(points):
        return own, np.empty((0, 4, own.shape[1]), np.float32)
    return own, np.linalg.pinv(basis, rcond=1e-4).astype(np.float32)


def with_borders(
    model: EdgeModel, image: NDArray[np.uint8], corners: NDArray[np.float64], to_plane: Matrix
) -> EdgeModel:
    """Add points on the physical border to a model.

    Parameters
    ----------
    model : EdgeModel
        The printed edges.
    image : (M, N) uint8
        The reference, with some of what is around it where that is known.
    corners : (4, 2) float64
        Its corners, clockwise [px of `image`].
    to_plane : (3, 3) float64
        From pixels of `image` to the plane in which points are given.

    Notes
    -----
    Points lie on the straight lines between the corners, not near the corners. Where `image` shows
    an edge within 3 px of the line, the point is set on it.
    """
    each = max(8, model.count // 16)
    along = np.linspace(0.06, 0.94, each)[:, None]
    sides = np.roll(corners, -1, axis=0) - corners
    points = np.concatenate([c + along * s for c, s in zip(corners, sides, strict=True)])
    outward = np.column_stack([sides[:, 1], -sides[:, 0]]) / np.hypot(*sides.T)[:, None]
    normals = np.repeat(outward, each, axis=0)
    across = sample_across(smoothed(image), points, normals, profile_offsets(3.0))
    place, rise = peaks_across(across, either_way=True)
    near = np.where((rise > _BORDER_SLOPE) & np.isfinite(place), place, 0.0)
    there = carry(to_plane, points + normals * near[:, None], normals)
    total = len(points)
    return EdgeModel(
        model.factor,
        np.concatenate([model.points, there.points]),
        np.concatenate([model.normals, there.normals]),
        np.concatenate([model.strengths, np.full(total, _BORDER_SLOPE)]),
        np.pad(model.profiles, ((0, total), (0, 0))),
        np.pad(model.solvers, ((0, total), (0, 0), (0, 0))),
        total,
    )


def level_factors(coarsest: int) -> list[int]:
    """Give the reductions of the levels below a coarse search, largest first, ending in 1."""
    factor = max(1, coarsest // 2)
    return [factor >> k for k in range(int(math.log2(factor)) + 1)]
