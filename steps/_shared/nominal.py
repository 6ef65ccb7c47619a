"""A reference as a camera would show it in its nominal place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.poses import corners_of, moved, reduced, slope_at, through
from steps.contract import Gray, Matrix

_AROUND_PX = 8


@dataclass(frozen=True, slots=True, eq=False)
class Nominal:
    """A reference rendered at the scale and slant of its nominal place."""

    image: Gray
    """(M, N) uint8 the reference, sides whole multiples of `block`."""
    usable: NDArray[np.uint8]
    """(M, N) uint8, 0 where it shows nothing that can be relied on."""
    pose: Matrix
    """From mm of the reference to pixels of the canonical view."""
    origin: tuple[int, int]
    """(x, y) of the first pixel of `image` in the canonical view."""
    size_mm: tuple[float, float]

    @property
    def to_canonical(self) -> Matrix:
        """From pixels of `image` to pixels of the canonical view."""
        return moved(*self.origin)

    @property
    def from_plane(self) -> Matrix:
        """From the plane of the reference to mm.

        The plane's origin is the middle of the reference and its unit half the longer side, which
        keeps the equations of a fit well scaled.
        """
        w, h = self.size_mm
        half = max(w, h) / 2
        return np.array([[half, 0.0, w / 2], [0.0, half, h / 2], [0.0, 0.0, 1.0]])


def gray_of(image: NDArray[np.uint8]) -> Gray:
    """Give grey levels of a grey or RGB image."""
    if image.ndim == 2:
        return image
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)


def render(
    image: Gray,
    to_reference: Matrix,
    pose: Matrix,
    size_mm: tuple[float, float],
    leave_out_mm: Sequence[tuple[float, float, float, float]],
    block: int,
) -> Nominal:
    """Render a reference in its nominal place.

    Parameters
    ----------
    image : (M, N) uint8
        The reference image: a print file, a cut-out or a whole frame.
    to_reference : (3, 3) float64
        From mm to pixels of `image`.
    pose : (3, 3) float64
        From mm to pixels of the canonical view.
    size_mm : tuple of float
        Width and height of the reference [mm].
    leave_out_mm : sequence of (x, y, width, height)
        Parts of the reference that do not count [mm].
    block : int
        The sides of the result are whole multiples of this [px].

    Notes
    -----
    An image finer than the view is averaged over areas first, so that it shows what a pixel of
    the camera would.
    """
    corners = through(pose, corners_of(size_mm))
    x0, y0 = (int(v) - _AROUND_PX for v in np.floor(corners.min(axis=0)))
    x1, y1 = (int(v) + 1 + _AROUND_PX for v in np.ceil(corners.max(axis=0)))
    width, height = -(-(x1 - x0) // block) * block, -(-(y1 - y0) // block) * block
    middle = (size_mm[0] / 2, size_mm[1] / 2)
    per_px = slope_at(to_reference, *middle) @ np.linalg.inv(slope_at(pose, *middle))
    source, to_source = _averaged(image, to_reference, float(abs(np.linalg.det(per_px)) ** 0.5))
    put = moved(-x0, -y0) @ pose @ np.linalg.inv(to_source)
    shown = cv2.warpPerspective(
        source, put, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    covered = np.full(source.shape, 255, np.uint8)
    usable = cv2.warpPerspective(covered, put, (width, height), borderValue=0)
    inside = np.zeros((height, width), np.uint8)
    here = moved(-x0, -y0) @ pose
    cv2.fillConvexPoly(inside, _rounded(through(here, corners_of(size_mm))), 255)
    usable = np.where((usable >= 250) & (inside > 0), np.uint8(255), np.uint8(0))
    for x, y, w, h in leave_out_mm:
        area = through(here @ moved(x, y), corners_of((w, h)))
        cv2.fillConvexPoly(usable, _rounded(area), 0)
    return Nominal(np.asarray(shown, np.uint8), usable, pose, (x0, y0), size_mm)


def _rounded(points: NDArray[np.float64]) -> NDArray[np.int32]:
    """Round points to pixels."""
    return np.rint(points).astype(np.int32)


def _averaged(image: Gray, to_image: Matrix, ratio: float) -> tuple[Gray, Matrix]:
    """Average an image that is `ratio` times finer than the view; give also mm -> its pixels."""
    whole = int(ratio + 1e-6)
    if whole >= 2:
        h, w = image.shape[0] // whole, image.shape[1] // whole
        cut = image[: h * whole, : w * whole]
        image = np.asarray(cv2.resize(cut, (w, h), interpolation=cv2.INTER_AREA), np.uint8)
        to_image = reduced(whole) @ to_image
        ratio /= whole
    if ratio > 1.1:
        sigma = 0.5 * (ratio**2 - 1) ** 0.5
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.uint8)
    return image, to_image
