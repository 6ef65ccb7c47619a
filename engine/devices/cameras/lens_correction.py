"""The distortion of a lens taken out of frames, once, before any step sees them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.frame import Arrival, Frame, FrameFailure, Lens
from engine.station.geometry import bend_px, matrix_of

SMALLEST_BEND_PX = 0.3
"""Frames are left alone where the lens moves their corners by less than this [px]."""


class LensCorrection:
    """Takes the distortion of one lens out of frames; made once, used by many threads.

    Parameters
    ----------
    lens : Lens
        The lens.

    Notes
    -----
    A corrected frame is what a pinhole with the same focal lengths and centre sees, so straight
    edges are straight and a flat panel is a homography away from its print. Cubic interpolation;
    where the pinhole sees beyond the frame, the edge pixels are repeated.
    """

    def __init__(self, lens: Lens) -> None:
        self.size = (lens.width_px, lens.height_px)
        self.maps: tuple[NDArray[Any], NDArray[Any]] | None = None
        if bend_px(lens) >= SMALLEST_BEND_PX:
            matrix, bent = matrix_of(lens), np.array(lens.distortion)
            first, second = cv2.initUndistortRectifyMap(
                matrix, bent, np.eye(3), matrix, self.size, cv2.CV_16SC2
            )
            self.maps = (np.asarray(first), np.asarray(second))

    def __call__(self, frame: Frame) -> Arrival:
        """Give the frame corrected, or say why it is not of this lens."""
        rows, columns = frame.pixels.shape[:2]
        if (columns, rows) != self.size:
            why = (
                f"it has {columns} x {rows} px, but the camera was calibrated at "
                f"{self.size[0]} x {self.size[1]}"
            )
            return FrameFailure(frame.camera, frame.trigger, "unfit", why)
        if self.maps is None:
            return frame
        across, down = self.maps
        pixels = cv2.remap(
            frame.pixels, across, down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        highest = (1 << frame.bits) - 1
        if frame.pixels.dtype == np.uint16 and highest < 65535:
            np.minimum(pixels, highest, out=pixels)  # cubic weights overshoot at edges
        return replace(frame, pixels=pixels)
