"""The raw frame about a code, in linear light, and how much of it is clipped."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.light import to_linear
from steps.contract import View


@dataclass(frozen=True, slots=True, eq=False)
class RawLight:
    """A part of the raw frame."""

    coded: NDArray[Any]
    """(M, N) uint8 or uint16 as the camera gave it."""
    light: NDArray[np.float32]
    """(M, N) linear light, share of full scale."""
    origin: NDArray[np.float64]
    """(2,) place of its first pixel in the frame, (x, y)."""

    def clipped_share(self, quad: NDArray[np.float64]) -> float:
        """Share of the light part of a quad that is at full scale.

        Parameters
        ----------
        quad : (4, 2) float64
            Corners (x, y) in pixels of this part.

        Returns
        -------
        float
            0 for a quad outside the picture or without light pixels.
        """
        unit = np.array([[-0.03, 0], [1.03, 0], [1.03, 1], [-0.03, 1]], np.float32)
        matrix = cv2.getPerspectiveTransform(unit, quad.astype(np.float32))
        s, t = np.meshgrid(np.linspace(-0.03, 1.03, 200), np.linspace(0.05, 0.95, 40))
        grid = np.stack((s.ravel(), t.ravel()), axis=1)[None]
        points = cv2.perspectiveTransform(grid, matrix)[0]
        x, y = np.rint(points).astype(np.intp).T
        rows, columns = self.coded.shape
        inside = (x >= 0) & (x < columns) & (y >= 0) & (y < rows)
        values = self.coded[y[inside], x[inside]]
        if not values.size:
            return 0.0
        lit = values > (float(values.max()) + float(values.min())) / 2.0
        full = values >= np.iinfo(values.dtype).max
        return float(np.count_nonzero(full & lit)) / max(int(np.count_nonzero(lit)), 1)


def visible(view: View) -> NDArray[np.uint8]:
    """Grey levels of a view, what may not be measured covered with its mean level.

    Examples
    --------
    >>> mask = np.array([[255, 0]], np.uint8)
    >>> visible(View(np.array([[10, 99]], np.uint8), mask=mask)).tolist()
    [[10, 10]]
    """
    if view.mask is None or not view.gray.size or view.mask.all():
        return view.gray
    open_ = view.mask > 0
    level = float(np.mean(view.gray[open_])) if open_.any() else 0.0
    return np.where(open_, view.gray, np.uint8(round(level)))


def raw_light(
    view: View, points: NDArray[np.float64], channel: str, reach: float
) -> RawLight | None:
    """Cut the raw frame about points and turn it into linear light.

    Parameters
    ----------
    view : View
        Its `frame`, or where there is none its `gray`.
    points : (K, 2) float64
        (x, y) in pixels of the frame (of the view where there is no frame).
    channel : str
        ``"red"`` or ``"grey"``; of a grey camera there is one only.
    reach : float
        How far about the points [px].

    Returns
    -------
    RawLight or None
        None where the points lie outside the frame.

    Examples
    --------
    >>> view = View(np.full((20, 30), 255, np.uint8), gamma="srgb")
    >>> part = raw_light(view, np.array([[10.0, 5.0], [12.0, 5.0]]), "red", 4.0)
    >>> part.light.shape, part.origin.tolist(), float(part.light.max())
    ((9, 11), [6.0, 1.0], 1.0)
    """
    frame: NDArray[Any] = view.gray if view.frame is None else view.frame
    if not np.isfinite(points).all():
        return None
    size = np.array(frame.shape[1::-1])
    low = np.clip(np.floor(points.min(axis=0) - reach), 0, size).astype(int)
    high = np.clip(np.ceil(points.max(axis=0) + reach) + 1, 0, size).astype(int)
    part: NDArray[Any] = np.ascontiguousarray(frame[low[1] : high[1], low[0] : high[0]])
    if part.size == 0:
        return None
    if part.ndim == 3 and channel == "red":
        part = np.ascontiguousarray(part[..., 0])
    elif part.ndim == 3:
        part = np.asarray(cv2.cvtColor(part, cv2.COLOR_RGB2GRAY))
    return RawLight(part, to_linear(part, view.gamma), low.astype(np.float64))
