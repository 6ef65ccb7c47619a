"""Views of a frame: each step's part of it, rectified to the plane of what places it."""

from __future__ import annotations

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
) -> View:
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
    View
        Warped once from the frame for a placed step; a part of the frame, not copied, for others.
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
        return _cut(images, planned, common)
    to_frame = poses[planned.placed_by] @ _view_to_mm(planned)
    rgb = _warp(images.rgb, to_frame, planned.size_px) if planned.step.rgb else None
    gray = _warp(images.gray, to_frame, planned.size_px)
    mask = _mask(images, planned, to_frame, poses)
    return View(gray=gray, rgb=rgb, mask=mask, to_frame=to_frame, **common)


def outline(view: View) -> NDArray[np.float64]:
    """Give the corners of a view in pixels of the frame, (4, 2) float64."""
    height, width = view.gray.shape
    corners = np.array(
        [[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]]
    )
    return through(view.to_frame, corners)


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


def _warp(
    pixels: NDArray[np.uint8] | None, to_frame: Matrix, size: tuple[int, int]
) -> NDArray[Any] | None:
    if pixels is None:
        return None
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    warped = cv2.warpPerspective(
        pixels, to_frame, size, flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return _locked(np.asarray(warped, np.uint8))


def _mask(
    images: FrameImages, planned: PlannedStep, to_frame: Matrix, poses: dict[int, Matrix]
) -> NDArray[np.uint8] | None:
    width, height = planned.size_px or (0, 0)
    corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float)
    seen = through(to_frame, corners)
    rows, columns = images.shape
    inside = (seen >= 0).all() and (seen <= (columns - 1, rows - 1)).all()
    if inside and not planned.left:
        return planned.mask
    mask = np.full((height, width), 255, np.uint8) if planned.mask is None else planned.mask.copy()
    back = np.linalg.inv(to_frame)
    if not inside:
        edge = np.array([[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], float)
        frame_area = np.zeros_like(mask)
        cv2.fillConvexPoly(frame_area, np.rint(through(back, edge)).astype(np.int32), (255,))
        mask &= frame_area
    for left in planned.left:
        matrix = poses.get(left.placed_by) if left.placed_by is not None else None
        if matrix is not None:
            corners = through(back @ matrix, left.corners_mm)
            cv2.fillConvexPoly(mask, np.rint(corners).astype(np.int32), (0,))
    return _locked(mask)


def _locked(array: NDArray[Any]) -> NDArray[Any]:
    array.setflags(write=False)
    return array
