"""How a camera draws: its blur and its noise, measured on frames of good cartons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.frame import Frame, to_8_bit

_FINE, _COARSE = 1.0, 1.6
"""Two scales at which slopes of edges are compared [px]."""
_LEVELS = (0, 64, 128, 192, 256)
"""Bounds of the bands of grey in which noise is measured [grey levels]."""
_LEAST_PIXELS = 400
_DIFFERENCE = 1 / 3
"""Blur that the central difference adds, as a variance [px2]."""
_PIXEL = 1 / 12
"""Blur of the square pixel itself, which painting adds anew, as a variance [px2]."""
_LEAST_BLUR = 0.3
"""Sharper than this no lens is taken to be [px]."""
_FEWEST_EDGES = 20
_SHARPEST = 0.25
"""Of the edges, the sharper part is taken for printed ones; the rest is soft by itself."""

Image = NDArray[np.uint8]
Light = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Look:
    """Blur and noise of one camera."""

    blur_px: float
    """Standard deviation of the blur of a sharp edge [px]."""
    grey: tuple[float, ...]
    """Grey levels at which noise is known, rising."""
    noise: tuple[float, ...]
    """Standard deviation of the noise there [grey levels of 256]."""

    def noise_at(self, grey: Light) -> Light:
        """Give the noise at grey levels of 256."""
        return np.interp(grey, self.grey, self.noise).astype(np.float32)


def measure_look(frames: Sequence[Frame]) -> Look:
    """Measure a camera's blur and noise.

    Parameters
    ----------
    frames : sequence of Frame
        Some frames of good cartons.

    Notes
    -----
    *Blur.* At edges the slope of the frame smoothed by 1 px is held against that smoothed by
    1.6 px: of an edge blurred by s, the ratio R is sqrt((s^2 + 1.6^2) / (s^2 + 1)), whatever its
    height, so s^2 = (1.6^2 - R^2) / (R^2 - 1); the central difference counts as blur of 1/3 px^2.
    Only edges with level ground over 4 to 6 px on both sides count, for thin lines look sharper
    than they are; of these the sharper quarter, for some edges are soft by themselves.

    *Noise.* The response of the mask 1 -2 1 / -2 4 -2 / 1 -2 1 (its noise is six times that of a
    pixel; plane areas give none) over the flatter half of the pixels, by bands of grey; its median
    size over 0.6745 * 6. Noise that a camera has smoothed is taken for less than it is.

    References
    ----------
    J. Immerkaer, Fast noise variance estimation, 1996, for the mask; S. Zhuo and T. Sim, Defocus
    map estimation from a single image, 2011, for the ratio of slopes (both from memory).
    """
    grays = [_gray(frame) for frame in frames]
    blurs = [b for b in map(_blur, grays) if np.isfinite(b)]
    grey, noise = _noise(grays)
    return Look(float(np.median(blurs)) if blurs else 0.7, grey, noise)


def _gray(frame: Frame) -> Image:
    pixels = to_8_bit(frame.pixels, frame.bits)
    if pixels.ndim == 3:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    return pixels


def _slopes(gray: Image, sigma: float) -> tuple[Light, Light, Light]:
    """Give the slope across, down, and its size."""
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), sigma)
    x = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32)
    y = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32)
    return x, y, np.sqrt(x * x + y * y)


def _blur(gray: Image) -> float:
    """Give the blur of the sharper single edges [px]; nan without edges."""
    x, y, fine = _slopes(gray, _FINE)
    ridge = fine >= cv2.dilate(fine, np.ones((3, 3), np.uint8)) - 1e-6
    rows, columns = np.nonzero(ridge & (fine > max(4.0, float(np.percentile(fine, 97)) / 2)))
    if len(rows) < _FEWEST_EDGES:
        return float("nan")
    size = fine[rows, columns]
    out = np.arange(-6, 7, dtype=np.float32)
    at_x = columns[:, None] + (x[rows, columns] / size)[:, None] * out
    at_y = rows[:, None] + (y[rows, columns] / size)[:, None] * out
    profile = cv2.remap(gray, at_x.astype(np.float32), at_y.astype(np.float32), cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_REFLECT).astype(np.float32)  # fmt: skip
    height = profile[:, -3:].mean(axis=1) - profile[:, :3].mean(axis=1)
    level = np.maximum(np.ptp(profile[:, :3], axis=1), np.ptp(profile[:, -3:], axis=1))
    single = (height > 20) & (level < 0.12 * height)
    if np.count_nonzero(single) < _FEWEST_EDGES:
        return float("nan")
    coarse = _slopes(gray, _COARSE)[2][rows, columns]
    ratio = (size[single] / np.maximum(coarse[single], 1e-6)) ** 2
    low, high = _FINE**2 + _DIFFERENCE, _COARSE**2 + _DIFFERENCE
    square = (high - ratio * low) / np.maximum(ratio - 1, 1e-3)
    sharp = float(np.quantile(square, _SHARPEST)) - _PIXEL
    return float(np.sqrt(max(sharp, _LEAST_BLUR**2)))


def _noise(grays: Sequence[Image]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    responses: list[Light] = []
    greys: list[Light] = []
    for gray in grays:
        value = gray.astype(np.float32)
        response = np.abs(cv2.filter2D(value, -1, mask))
        slope = _slopes(gray, 2.0)[2]
        flat = (slope <= np.median(slope)) & (gray > 2) & (gray < 253)
        responses.append(response[flat])
        greys.append(cv2.GaussianBlur(value, (0, 0), 2.0)[flat])  # not by its own noise
    response, grey = np.concatenate(responses), np.concatenate(greys)
    at: list[float] = []
    noise: list[float] = []
    fewest = max(_LEAST_PIXELS, 0.02 * len(grey))
    for low, high in pairwise(_LEVELS):
        here = (grey >= low) & (grey < high)
        if np.count_nonzero(here) >= fewest:
            at.append(float(grey[here].mean()))
            noise.append(_spread(response[here]))
    if not at:
        return (128.0,), (_spread(response) if len(response) else 1.0,)
    return tuple(at), tuple(noise)


def _spread(response: Light) -> float:
    """Give the noise of a pixel; the mean where whole grey levels make the median coarse."""
    middle = float(np.median(response)) / (0.6745 * 6)
    mean = float(response.mean()) * np.sqrt(np.pi / 2) / 6
    return middle if middle > 0.7 else float(min(mean, 0.7))
