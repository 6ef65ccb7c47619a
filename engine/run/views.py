"""Views of a frame: each step's part of it, rectified to the plane of what places it."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.frame import CameraGeometry, Frame, to_8_bit
from engine.graph.plan import PlannedStep
from steps.contract import Matrix, View


class FrameImages:
    """Grey and colour pixels of one frame, made once and shared by its steps, read-only."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.shape = frame.pixels.shape[:2]

    @cached_property
    def rgb(self) -> NDArray[np.uint8] | None:
        """(R, C, 3) uint8, or None from a grey camera."""
        if self.frame.pixels.ndim != 3:
            return None
        return _locked(to_8_bit(self.frame.pixels, self.frame.bits))

    @cached_property
    def gray(self) -> NDArray[np.uint8]:
        """(R, C) uint8."""
        colour = self.rgb
        if colour is None:
            return _locked(to_8_bit(self.frame.pixels, self.frame.bits))
        return _locked(np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY), np.uint8))


def make_view(
    images: FrameImages,
    planned: PlannedStep,
    poses: dict[int, Matrix],
    geometry: CameraGeometry,
) -> tuple[View, Outline]:
    """Make the view of one step.

    Parameters
    ----------
    images : FrameImages
        Pixels of the frame.
    planned : PlannedStep
        The step.
    poses : dict
        By position in the plan, the pose that a step found: mm in its reference to frame pixels.
    geometry : CameraGeometry
        What is known of the camera.

    Returns
    -------
    view : View
        Warped once from the frame for a placed step; a part of the frame, not copied, for others.
    outline : tuple
        Its corners in pixels of the frame.
    """
    frame = images.frame
    common: dict[str, Any] = {
        "mm_per_px": planned.mm_per_px,
        "origin_mm": planned.origin_mm,
        "frame": frame.pixels,
        "gamma": geometry.gamma,
        "taken_at": frame.taken_at,
    }
    if planned.placed_by is None or planned.size_px is None:
        view = _cut(images, planned, common)
        return view, outline(view)
    to_frame = poses[planned.placed_by] @ _view_to_mm(planned)
    colour = images.rgb if planned.step.rgb else None
    rgb = None if colour is None else _warped(colour, to_frame, planned.size_px)
    gray = _warped(images.gray, to_frame, planned.size_px)
    view = View(gray=gray, rgb=rgb, to_frame=to_frame, **common)
    around = outline(view)
    mask = _mask(images, planned, view, around, poses)
    return (view if mask is None else replace(view, mask=mask)), around


Outline = tuple[tuple[float, float], ...]
"""Corners of a view in pixels of the frame, clockwise from its top left."""


def outline(view: View) -> Outline:
    """Give the outer corners of a view in pixels of the frame.

    Written out for four points: arrays this small cost more than their arithmetic.
    """
    rows, columns = view.gray.shape
    (a, b, c), (d, e, f), (g, h, i) = view.to_frame.tolist()
    corners: list[tuple[float, float]] = []
    for x, y in (
        (-0.5, -0.5),
        (columns - 0.5, -0.5),
        (columns - 0.5, rows - 0.5),
        (-0.5, rows - 0.5),
    ):
        w = g * x + h * y + i
        corners.append(((a * x + b * y + c) / w, (d * x + e * y + f) / w))
    return tuple(corners)


def through(matrix: Matrix, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map (K, 2) points through a homography."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return mapped[:, :2] / mapped[:, 2:]


def _view_to_mm(planned: PlannedStep) -> Matrix:
    """Map pixel centres of a view to mm of the placing reference."""
    s = planned.mm_per_px
    x, y = planned.origin_mm
    return np.array([[s, 0, x + s / 2], [0, s, y + s / 2], [0, 0, 1]])


def _cut(images: FrameImages, planned: PlannedStep, common: dict[str, Any]) -> View:
    x, y = planned.offset_px
    rows, columns = images.shape
    width, height = planned.size_px or (columns, rows)
    part = (slice(y, y + height), slice(x, x + width))
    colour = images.rgb if planned.step.rgb else None
    to_frame = np.array([[1.0, 0, x], [0, 1.0, y], [0, 0, 1.0]])
    return View(
        gray=images.gray[part],
        rgb=None if colour is None else colour[part],
        mask=None,
        to_frame=to_frame,
        **common,
    )


def _warped(
    pixels: NDArray[np.uint8], to_frame: Matrix, size: tuple[int, int]
) -> NDArray[np.uint8]:
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    border = cv2.BORDER_REPLICATE
    warped = cv2.warpPerspective(pixels, to_frame, size, flags=flags, borderMode=border)
    return _locked(np.asarray(warped, np.uint8))


def _mask(
    images: FrameImages,
    planned: PlannedStep,
    view: View,
    around: Outline,
    poses: dict[int, Matrix],
) -> NDArray[np.uint8] | None:
    """Give what may be looked at, or None where that is all of the view."""
    rows, columns = images.shape
    right, bottom = columns - 0.5, rows - 0.5
    inside = True
    for x, y in around:
        inside = inside and -0.5 <= x <= right and -0.5 <= y <= bottom
    if inside and not planned.left:
        return planned.mask
    mask = planned.mask
    mask = np.full(view.gray.shape, 255, np.uint8) if mask is None else mask.copy()
    back: Matrix = np.asarray(np.linalg.inv(view.to_frame), np.float64)
    if not inside:
        edge = np.array([[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], float)
        frame_area = np.zeros_like(mask)
        cv2.fillConvexPoly(frame_area, np.rint(through(back, edge)).astype(np.int32), (255,))
        mask &= frame_area
    for left in planned.left:
        matrix = poses.get(left.placed_by) if left.placed_by is not None else None
        if matrix is not None:
            corners = through(np.asarray(back @ matrix, np.float64), left.corners_mm)
            cv2.fillConvexPoly(mask, np.rint(corners).astype(np.int32), (0,))
    return _locked(mask)


def _locked(array: NDArray[Any]) -> NDArray[Any]:
    array.setflags(write=False)
    return array
