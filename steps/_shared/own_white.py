"""The label's own white: the light of bare paper, against which colours are told."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.light import to_linear

Bytes = NDArray[np.uint8]

CLIPPED = 254
"""From this grey level on a channel may be cut off."""

FEWEST_PX = 16
"""Fewest pixels from which a colour is told."""

DARKEST = 0.01
"""Light below which a white is no reference [share of full scale]."""


def white_of(pixels: Bytes, gamma: str | float) -> NDArray[np.float64] | str:
    """Give the light of a white, (3,) float64, from its (P, 3) pixels, or why there is none.

    The median of each channel is taken, between grey levels: print on the paper and pixels at the
    end of the scale do not move it while they are fewer than 40 %.

    Examples
    --------
    >>> white_of(np.full((20, 3), 128, np.uint8), 1.0).round(3)
    array([0.502, 0.502, 0.502])
    >>> white_of(np.full((20, 3), 255, np.uint8), 1.0)
    'the white is cut off at full scale'
    """
    if len(pixels) < FEWEST_PX:
        return "too little of the white is seen"
    if (pixels >= CLIPPED).mean(axis=0).max() > 0.4:
        return "the white is cut off at full scale"
    light = median_light(pixels, gamma)
    if light.min() < DARKEST:
        return "the white is too dark to be a reference"
    return light


def median_light(pixels: Bytes, gamma: str | float) -> NDArray[np.float64]:
    """Give the light at the median of each channel, (3,) float64, of (P, 3) pixels."""
    levels = np.array([_median(channel) for channel in pixels.T])
    return to_linear(levels, gamma).astype(np.float64)


def brightest(rgb: Bytes, mask: Bytes | None) -> Bytes:
    """Choose the brightest unclipped tenth of a region, without the brightest hundredth: (P, 3).

    Gathering over squares of 5 px keeps single noisy pixels from being chosen; every other pixel
    each way is looked at.
    """
    red, green, blue = (np.ascontiguousarray(rgb[..., k]) for k in range(3))
    square = np.ones((5, 5), np.uint8)
    least = np.minimum(np.minimum(red, green), blue).astype(np.float32)
    level = cv2.blur(least, (5, 5))[::2, ::2].ravel()
    peak = cv2.dilate(np.maximum(np.maximum(red, green), blue), square)[::2, ::2].ravel()
    pixels = rgb[::2, ::2].reshape(-1, 3)
    valid = np.ones(len(level), bool) if mask is None else mask[::2, ::2].ravel() > 0
    usable = valid & (peak < CLIPPED)
    if usable.sum() < max(1, 0.5 * valid.sum()):
        return pixels[valid]
    low, high = np.quantile(level[usable], (0.89, 0.99))
    return pixels[usable & (level >= low) & (level <= high)]


def _median(channel: Bytes) -> float:
    """Give the median of whole grey levels, told between them by how many share its level."""
    counts = np.bincount(channel, minlength=256)
    below = np.cumsum(counts)
    half = len(channel) / 2
    level = int(np.searchsorted(below, half))
    return level - 0.5 + (half - (below[level] - counts[level])) / counts[level]
