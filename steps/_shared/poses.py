"""Poses as 3x3 homographies: points through them, made from corners, taken apart into mm.

Points are (x, y), x to the right, y down; pixel coordinates are those of pixel centres.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from steps.contract import Matrix

_WORST_CONDITION = 1e12

Points = NDArray[np.float64]
"""(K, 2) float64, (x, y)."""


class Departure(NamedTuple):
    """How a pose departs from its nominal place, at the middle of the reference."""

    shift_x_mm: float
    shift_y_mm: float
    turn_deg: float
    scale: float
    aspect: float
    """Scale across over scale down."""


def through(matrix: Matrix, points: ArrayLike) -> Points:
    """Map (K, 2) points through a homography.

    Examples
    --------
    >>> through(moved(3, -1), [[10, 10]])
    array([[13.,  9.]])
    """
    xy = np.asarray(points, np.float64)
    mapped = xy @ matrix[:, :2].T + matrix[:, 2]
    return mapped[:, :2] / mapped[:, 2:]


class Carried(NamedTuple):
    """Points on edges after a homography, with what they were before as seen from there."""

    points: Points
    normals: Points
    """(K, 2) unit vectors square to the mapped edges."""
    slopes: Points
    """(K, 2): a small move d of a point before moves it by slopes . d along its normal after."""


def carry(matrix: Matrix, points: Points, normals: Points) -> Carried:
    """Map points on edges and their normals; a normal stays square to its edge.

    Examples
    --------
    >>> there = carry(turned(90, 2.0, (0.0, 0.0)), np.array([[1.0, 0.0]]), np.array([[1.0, 0.0]]))
    >>> there.points.round(6), there.normals.round(6), there.slopes.round(6)
    (array([[0., 2.]]), array([[0., 1.]]), array([[2., 0.]]))
    """
    x, y = points[:, 0], points[:, 1]
    nx, ny = normals[:, 0], normals[:, 1]
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    w = np.where(np.abs(w) < 1e-9, 1e-9, w)
    u = (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / w
    v = (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / w
    xx, xy = (matrix[0, 0] - u * matrix[2, 0]) / w, (matrix[0, 1] - u * matrix[2, 1]) / w
    yx, yy = (matrix[1, 0] - v * matrix[2, 0]) / w, (matrix[1, 1] - v * matrix[2, 1]) / w
    along_x, along_y = xy * nx - xx * ny, yy * nx - yx * ny
    length = np.maximum(np.hypot(along_x, along_y), 1e-9)
    mx, my = along_y / length, -along_x / length
    slopes = np.column_stack([mx * xx + my * yx, mx * xy + my * yy])
    return Carried(np.column_stack([u, v]), np.column_stack([mx, my]), slopes)


def moved(x: float, y: float) -> Matrix:
    """Give the matrix that shifts points by (x, y)."""
    return np.array([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]])


def reduced(factor: float) -> Matrix:
    """Give the matrix from pixels to those of the image reduced by `factor` (pixel centres)."""
    k = 1.0 / factor
    return np.array([[k, 0.0, (k - 1.0) / 2.0], [0.0, k, (k - 1.0) / 2.0], [0.0, 0.0, 1.0]])


def turned(degrees: float, scale: float, about: tuple[float, float]) -> Matrix:
    """Give the matrix that turns (clockwise in a picture) and scales about a point."""
    c, s = scale * math.cos(math.radians(degrees)), scale * math.sin(math.radians(degrees))
    x, y = about
    return np.array([[c, -s, x - c * x + s * y], [s, c, y - s * x - c * y], [0.0, 0.0, 1.0]])


def mm_to_pixels(mm_per_px: tuple[float, float], at_mm: tuple[float, float] = (0.0, 0.0)) -> Matrix:
    """Give mm -> pixels of an image that shows the plane squarely.

    The outer corner of pixel (0, 0) is at mm (0, 0) before `at_mm` is added.
    """
    kx, ky = 1.0 / mm_per_px[0], 1.0 / mm_per_px[1]
    return np.array(
        [[kx, 0.0, at_mm[0] * kx - 0.5], [0.0, ky, at_mm[1] * ky - 0.5], [0.0, 0.0, 1.0]]
    )


def corners_of(size: tuple[float, float]) -> Points:
    """Give the corners of a rectangle at the origin, clockwise from the top left."""
    w, h = size
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


def from_corners(size: tuple[float, float], corners: ArrayLike) -> Matrix | None:
    """Give the homography that puts a rectangle's corners on four points.

    Parameters
    ----------
    size : tuple of float
        Width and height of the rectangle [mm].
    corners : (4, 2) array_like
        Where its corners lie [px], clockwise from the top left.

    Returns
    -------
    (3, 3) float64 or None
        None where the four points are no convex figure, clockwise in the picture.
    """
    at = np.asarray(corners, np.float64)
    if at.shape != (4, 2) or not np.isfinite(at).all():
        return None
    side = np.roll(at, -1, axis=0) - at
    after = np.roll(side, -1, axis=0)
    if (side[:, 0] * after[:, 1] - side[:, 1] * after[:, 0] <= 1e-6).any():
        return None
    x, y = corners_of(size).T
    u, v = at.T
    zero, one = np.zeros(4), np.ones(4)
    rows = np.concatenate(
        [
            np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y]),
            np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y]),
        ]
    )
    if not np.linalg.cond(rows) < _WORST_CONDITION:
        return None
    entries = np.linalg.solve(rows, np.concatenate([u, v]))
    return np.append(entries, 1.0).reshape(3, 3)


def slope_at(matrix: Matrix, x: float, y: float) -> NDArray[np.float64]:
    """Give the (2, 2) Jacobian of a homography at a point."""
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    u, v = through(matrix, [[x, y]])[0]
    return (matrix[:2, :2] - np.outer((u, v), matrix[2, :2])) / w


def departure(nominal: Matrix, pose: Matrix, size_mm: tuple[float, float]) -> Departure:
    """Say how far a pose lies from the nominal one: shift, turn, scale and aspect at the middle.

    Parameters
    ----------
    nominal, pose : (3, 3) float64
        Both map mm of the reference to pixels of one view.
    size_mm : tuple of float
        Width and height of the reference [mm].

    Examples
    --------
    >>> usual = mm_to_pixels((0.2, 0.2))
    >>> found = usual @ moved(1.5, -0.5) @ turned(2.0, 1.0, (10.0, 5.0))
    >>> [round(value, 6) for value in departure(usual, found, (20.0, 10.0))]
    [1.5, -0.5, 2.0, 1.0, 1.0]
    """
    middle = (size_mm[0] / 2.0, size_mm[1] / 2.0)
    relative = np.asarray(np.linalg.solve(nominal, pose), np.float64)
    x, y = through(relative, [middle])[0]
    j = slope_at(relative, *middle)
    turn = math.degrees(math.atan2(j[1, 0] - j[0, 1], j[0, 0] + j[1, 1]))
    scale = math.sqrt(max(float(np.linalg.det(j)), 0.0))
    across, down = float(np.hypot(j[0, 0], j[1, 0])), float(np.hypot(j[0, 1], j[1, 1]))
    aspect = across / max(down, 1e-9)
    return Departure(float(x) - middle[0], float(y) - middle[1], turn, scale, aspect)


def mean_mm_per_px(matrix: Matrix, size_mm: tuple[float, float]) -> float:
    """Give the scale at the middle of the reference, mean of the two directions [mm/px]."""
    j = slope_at(matrix, size_mm[0] / 2.0, size_mm[1] / 2.0)
    return float(abs(np.linalg.det(j)) ** -0.5)
