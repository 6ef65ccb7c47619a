"""Painting on a part of a frame, in linear light, as the frame's camera would have drawn it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.frame import Frame
from engine.study.camera_look import Look

Light = NDArray[Any]
"""Linear light, 0 to 1 where the frame is full, (M, N, channels)."""
Alpha = NDArray[Any]
"""Share of each pixel that is painted, (M, N)."""
Points = NDArray[np.float64]
"""(K, 2) points (x, y) in pixels of the frame."""
Matrix = NDArray[Any]

_FINER = 4
"""Painted edges are drawn at so many times the resolution of the frame."""


@cache
def _to_light(bits: int, gamma: str | float) -> Light:
    value = np.arange(2**bits) / (2**bits - 1)
    return decoded(value, gamma).astype(np.float32)


def decoded(value: NDArray[Any], gamma: str | float) -> NDArray[Any]:
    """Give the light of values from 0 to 1.

    Examples
    --------
    >>> decoded(np.array([0.0, 0.5, 1.0]), 2.0).tolist()
    [0.0, 0.25, 1.0]
    """
    if gamma == "srgb":
        return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return value ** float(gamma)


def encoded(light: NDArray[Any], gamma: str | float) -> NDArray[Any]:
    """Give the values from 0 to 1 of light; brighter than full is full."""
    light = np.clip(light, 0, 1)
    if gamma == "srgb":
        return np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return light ** (1 / float(gamma))


def through(matrix: Matrix, points: Points) -> Points:
    """Map points through a homography."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return mapped[:, :2] / mapped[:, 2:]


class Canvas:
    """A part of one frame as light, painted on; gives a new frame, the old one is left alone.

    Parameters
    ----------
    frame : Frame
        What is painted on.
    gamma : str or float
        How its values are coded.
    look : Look
        Blur and noise of its camera: painted edges get the blur, painted areas the noise.
    around : (K, 2) array
        What shall be painted lies within these points, in pixels of the frame.
    margin : float
        How much more than that is taken [px].
    """

    def __init__(
        self, frame: Frame, gamma: str | float, look: Look, around: Points, margin: float = 0.0
    ) -> None:
        rows, columns = frame.pixels.shape[:2]
        grow = margin + 4 * look.blur_px + 2
        low = np.floor(around.min(axis=0) - grow)
        high = np.ceil(around.max(axis=0) + grow) + 1
        self.x0, self.y0 = (int(v) for v in np.clip(low, 0, (columns - 1, rows - 1)))
        x1, y1 = (int(v) for v in np.clip(high, (self.x0 + 1, self.y0 + 1), (columns, rows)))
        self.part = (slice(self.y0, y1), slice(self.x0, x1))
        self.frame, self.gamma, self.look = frame, gamma, look
        values = frame.pixels[self.part]
        light = _to_light(frame.bits, gamma)[values]
        self.light: Light = light if light.ndim == 3 else light[:, :, None]
        self.before = self.light
        self.fresh: Alpha = np.zeros(self.light.shape[:2], np.float32)

    def alpha(self, polygons: Iterable[Points], blurred: bool = True) -> Alpha:
        """Draw polygons, given in pixels of the frame, with the camera's blur."""
        rows, columns = self.light.shape[:2]
        share = np.zeros((rows, columns), np.float32)
        for points in polygons:
            share = np.maximum(share, self._share(points))
        return cv2.GaussianBlur(share, (0, 0), self.look.blur_px) if blurred else share

    def _share(self, points: Points) -> Alpha:
        """Give the share of each pixel inside a polygon; right in sum also for tiny ones."""
        rows, columns = self.light.shape[:2]
        at = (points - (self.x0, self.y0) + 0.5) * _FINER - 0.5
        low = np.maximum(np.floor(at.min(axis=0) / _FINER - 1), 0).astype(int)
        high = np.minimum(np.ceil(at.max(axis=0) / _FINER + 2), (columns, rows)).astype(int)
        share = np.zeros((rows, columns), np.float32)
        wide, tall = (high - low).tolist()
        if wide <= 0 or tall <= 0:
            return share
        fine = np.zeros((tall * _FINER, wide * _FINER), np.uint8)
        inner = at - low * _FINER
        cv2.fillPoly(fine, [np.rint(inner * 16).astype(np.int32)], (255,), shift=4)
        drawn = np.count_nonzero(fine)  # with its outline: too much, and much too much when tiny
        x, y = inner.T
        area = abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))) / 2
        part = cv2.resize(fine, (wide, tall), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        inside = (at.min(axis=0) >= 0).all() and (
            at.max(axis=0) < np.array((columns, rows)) * _FINER
        ).all()
        if inside and drawn and area < 400 * _FINER**2:
            part *= min(1.0, area / drawn)
        share[low[1] : high[1], low[0] : high[0]] = part
        return share

    def paint(self, alpha: Alpha, light: Light, *, noisy: bool = False) -> None:
        """Lay light, one colour or one a pixel, over the shares given.

        `noisy` = what is laid on has its own noise: it was taken from a frame.
        """
        share = alpha[:, :, None]
        self.light = self.light * (1 - share) + light * share
        if not noisy:
            self.fresh = np.maximum(self.fresh, 1 - (1 - alpha) ** 2)

    def moved(self, matrix: Matrix) -> Light:
        """Give the light with all points (pixels of the frame) moved by a homography."""
        here = np.array([[1.0, 0, self.x0], [0, 1.0, self.y0], [0, 0, 1.0]])
        inner = np.linalg.inv(here) @ matrix @ here
        rows, columns = self.light.shape[:2]
        return _channels(
            cv2.warpPerspective(self.before, inner, (columns, rows), flags=cv2.INTER_CUBIC,
                                borderMode=cv2.BORDER_REPLICATE)
        )  # fmt: skip

    def drawn_from(self, x: Light, y: Light) -> Light:
        """Give the light that stands at other places, (M, N) pixels of the frame."""
        from_x, from_y = x - np.float32(self.x0), y - np.float32(self.y0)
        return _channels(
            cv2.remap(self.before, from_x, from_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        )

    def filled(self, hole: Alpha) -> Light:
        """Give the light with a hole filled smoothly from what stands around it."""
        return filled(self.before, hole > 0.004)

    def done(self, rng: np.random.Generator) -> Frame:
        """Give the painted frame; pixels on which nothing was painted are as they were."""
        top = 2**self.frame.bits - 1
        values = encoded(self.light, self.gamma) * top
        if self.fresh.any():
            sd = self.look.noise_at((values * (255 / top)).astype(np.float32)) * (top / 255)
            noise = rng.standard_normal(values.shape, np.float32)
            values = values + noise * sd * np.sqrt(self.fresh)[:, :, None]
        old = self.frame.pixels[self.part]
        new = np.clip(np.rint(values), 0, top).astype(old.dtype).reshape(old.shape)
        changed = (np.abs(self.light - self.before).max(axis=2) > 1e-6) | (self.fresh > 1e-3)
        pixels = self.frame.pixels.copy()
        pixels[self.part] = np.where(changed if old.ndim == 2 else changed[:, :, None], new, old)
        return replace(self.frame, pixels=pixels)


def _channels(light: NDArray[Any]) -> Light:
    light = np.maximum(light, 0)
    return light if light.ndim == 3 else light[:, :, None]


def filled(light: Light, hole: NDArray[np.bool_]) -> Light:
    """Fill a hole by averages of what stands around it, coarser the deeper inside.

    Examples
    --------
    >>> light = np.full((8, 8, 1), 0.25, np.float32)
    >>> hole = np.zeros((8, 8), bool)
    >>> hole[2:6, 2:6] = True
    >>> round(float(filled(light, hole)[3, 3, 0]), 3)
    0.25
    """
    known = (~hole).astype(np.float32)
    levels: list[tuple[Light, Alpha]] = [(light * known[:, :, None], known)]
    while min(levels[-1][1].shape) > 2 and levels[-1][1].min() < 1:
        total, weight = levels[-1]
        levels.append((_halved(total), _halved(weight)[:, :, 0]))
        if len(levels) > 14:
            break
    total, weight = levels[-1]
    mean = total.sum(axis=(0, 1)) / max(float(weight.sum()), 1e-6)
    up = np.broadcast_to(mean, total.shape)
    for total, weight in reversed(levels):
        rows, columns = weight.shape
        below = cv2.resize(
            np.ascontiguousarray(up), (columns, rows), interpolation=cv2.INTER_LINEAR
        )
        below = below if below.ndim == 3 else below[:, :, None]
        share = np.minimum(weight, 1)[:, :, None]
        up = total / np.maximum(weight, 1e-6)[:, :, None] * share + below * (1 - share)
    return np.where(hole[:, :, None], up, light).astype(np.float32)


def _halved(image: NDArray[np.float32]) -> Light:
    rows, columns = math.ceil(image.shape[0] / 2), math.ceil(image.shape[1] / 2)
    half = cv2.pyrDown(image, dstsize=(columns, rows))
    return half if half.ndim == 3 else half[:, :, None]
