"""How the raw frame shows the plane that a rectified view lies in."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps.contract import View


@dataclass(frozen=True, slots=True)
class FrameScale:
    """Scale of the frame about a quad."""

    mm_per_px: float
    """Along the quad's first side [mm/px]; nan where the view's scale is not known."""
    height_ratio: float
    """Pixels a mm along its second side over those along its first."""


def frame_scale(
    view: View, to_frame: NDArray[np.float64], corners: NDArray[np.float64]
) -> FrameScale:
    """Scale of the frame at a quad, from that of the view.

    Parameters
    ----------
    view : View
        Rectified, at `mm_per_px`.
    to_frame : (3, 3) float64
        Maps pixels of the view to pixels of the frame.
    corners : (4, 2) float64
        (x, y) in the frame: the first side from 0 to 1, the second from 1 to 2.

    Returns
    -------
    FrameScale

    Examples
    --------
    >>> view = View(np.zeros((9, 9), np.uint8), mm_per_px=0.1, frame=np.zeros((9, 9), np.uint8))
    >>> quad = np.array([[0.0, 0], [40, 0], [40, 10], [0, 10]])
    >>> frame_scale(view, np.diag([2.0, 1.0, 1.0]), quad)
    FrameScale(mm_per_px=0.05, height_ratio=0.5)
    """
    known = bool(np.isfinite(view.mm_per_px))
    if view.frame is None or not known:
        return FrameScale(view.mm_per_px if known else np.nan, 1.0)
    flat = np.asarray(cv2.perspectiveTransform(corners[None], np.linalg.inv(to_frame))[0])
    along, down = _sides(corners)
    flat_along, flat_down = _sides(np.asarray(flat, np.float64))
    if min(along, down, flat_along, flat_down) <= 0:
        return FrameScale(np.nan, 1.0)
    return FrameScale(
        view.mm_per_px * flat_along / along, (down / flat_down) / (along / flat_along)
    )


def _sides(quad: NDArray[np.float64]) -> tuple[float, float]:
    """Mean lengths of the first and third, second and fourth side."""
    along, down = quad[1] + quad[2] - quad[0] - quad[3], quad[2] + quad[3] - quad[0] - quad[1]
    return float(np.hypot(*along) / 2.0), float(np.hypot(*down) / 2.0)
