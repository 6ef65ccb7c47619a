"""Places as four corners: their middle, boxes around them, what of a panel is always in view."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Corners = NDArray[np.float64]
"""(4, 2) float64, (x, y), clockwise from the top left."""
Matrix = NDArray[np.float64]
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Places:
    """How one thing lies on many cartons."""

    middle: int
    """The carton on which it lies nearest the median of all."""
    farthest_px: float
    """How far its corners lie from there on the farthest carton [px]."""


def through(matrix: Matrix, points: Corners) -> Corners:
    """Map (K, 2) points through a homography."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:], np.float64)


def widest_apart(placed: Mapping[int, Corners]) -> Places:
    """Find the carton in the middle, and how far the others lie from it.

    Examples
    --------
    >>> square = np.array([[0, 0], [9, 0], [9, 9], [0, 9.0]])
    >>> widest_apart({1: square, 2: square + [6, 8], 3: square + [3, 4]})
    Places(middle=3, farthest_px=5.0)
    """
    median = np.median(list(placed.values()), axis=0)
    off = {t: float(np.abs(c - median).max(axis=0).sum()) for t, c in placed.items()}
    middle = min(off, key=lambda trigger: off[trigger])
    away = [np.hypot(*(c - placed[middle]).T).max() for c in placed.values()]
    return Places(middle, float(max(away)))


def corners_of(pose: Matrix, size_mm: tuple[float, float]) -> Corners:
    """Give the corners of a thing whose pose maps its mm to pixels of a frame."""
    width, height = size_mm
    return through(pose, np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64))


def plane_of(corners: Corners, size_mm: tuple[float, float]) -> Matrix:
    """Give the pose of a thing of known size by its corners: mm to pixels of the frame."""
    width, height = size_mm
    mm = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    return np.asarray(cv2.getPerspectiveTransform(mm, corners.astype(np.float32)), np.float64)


def around(points: Iterable[Corners], margin: float) -> Box:
    """Give the upright box around points, wider by a margin, to half a millimetre.

    Examples
    --------
    >>> around([np.array([[1.0, 2.1], [10.2, 7]])], 1)
    (0.0, 1.0, 11.5, 7.0)
    """
    every = np.concatenate(list(points))
    low = np.floor((every.min(axis=0) - margin) * 2) / 2
    high = np.ceil((every.max(axis=0) + margin) * 2) / 2
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def lies_in(inner: Box, outer: Box) -> bool:
    """Say whether the middle of a box lies in another."""
    x, y = inner[0] + inner[2] / 2, inner[1] + inner[3] / 2
    return outer[0] <= x <= outer[0] + outer[2] and outer[1] <= y <= outer[1] + outer[3]


def out_of_view(
    poses: Iterable[Matrix], size_mm: tuple[float, float], frame_px: tuple[int, int]
) -> tuple[Box, ...]:
    """Give strips along the sides of a panel that are not in view on every carton.

    Parameters
    ----------
    poses : iterable of (3, 3) float64
        The panel on each carton: its mm to pixels of the frame.
    size_mm : tuple of float
        Width and height of the panel [mm].
    frame_px : tuple of int
        Width and height of a frame [px].
    """
    width, height = size_mm
    x, y = np.meshgrid(np.linspace(0, width, 61), np.linspace(0, height, 61))
    points = np.column_stack([x.ravel(), y.ravel()])
    seen = np.ones(x.shape, bool)
    for pose in poses:
        px = through(pose, points).reshape(*x.shape, 2)
        seen &= ((px > 2) & (px < np.array(frame_px) - 3)).all(axis=2)
    rows = np.flatnonzero(seen.mean(axis=1) > 0.5)
    columns = np.flatnonzero(seen.mean(axis=0) > 0.4)
    if not len(rows) or not len(columns):
        return ()
    top, bottom = np.ceil(y[rows[0], 0]), np.floor(y[rows[-1], 0])
    left, right = np.ceil(x[0, columns[0]]), np.floor(x[0, columns[-1]])
    strips = [
        (0.0, 0.0, width, top),
        (0.0, bottom, width, height - bottom),
        (0.0, 0.0, left, height),
        (right, 0.0, width - right, height),
    ]
    return tuple(
        (float(a), float(b), float(c), float(d)) for a, b, c, d in strips if min(c, d) >= 1
    )
