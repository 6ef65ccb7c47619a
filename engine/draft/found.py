"""A print file in good frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import CapturedSet
from engine.draft.corners import Corners, through
from engine.frame import Frame, to_8_bit

Gray = NDArray[np.uint8]

_WIDTH = 900
"""Wider frames are made smaller before features are looked for [px]."""
_RATIO = 0.8
"""A feature counts when its match is so much nearer than the second best (Lowe)."""
_LEAST = 15
"""Fewer features in one plane are chance [count]."""
_OFF_PX = 3.0
_SPREAD = 0.1
"""Features must be spread over so much of the print file, or it is one word that both show."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Where a picture was found in one frame."""

    corners: Corners
    """Of the picture, in pixels of the frame, clockwise from its top left."""
    inliers: int
    """Features that lie in one plane [count]."""


@dataclass(frozen=True, slots=True)
class _Features:
    points: NDArray[np.float32]
    words: NDArray[np.float32]
    scale: float
    """Pixels of the frame for one of the picture in which they were looked for."""


def frames_of(captured: CapturedSet, camera: str, triggers: Sequence[int]) -> dict[int, Frame]:
    """Read one camera's frames; those that are missing or torn are left out."""
    source = CapturedSource(captured, [camera], triggers)
    return {a.trigger: a for a in source.arrivals() if isinstance(a, Frame)}


def gray_of(frame: Frame) -> Gray:
    """Give a frame as 8-bit grey."""
    flat = to_8_bit(frame.pixels, frame.bits)
    return flat if flat.ndim == 2 else np.asarray(cv2.cvtColor(flat, cv2.COLOR_RGB2GRAY), np.uint8)


def features(gray: Gray, width: int = _WIDTH) -> _Features:
    """Find features of a picture (scale-invariant ones: D. G. Lowe, IJCV 60(2), 2004)."""
    scale = max(1.0, gray.shape[1] / width)
    if scale > 1:
        size = width, max(1, round(gray.shape[0] / scale))
        gray = np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA), np.uint8)
    finder = cv2.SIFT.create(2500, contrastThreshold=0.01)
    found, words = finder.detectAndCompute(gray, None)
    points = np.array([k.pt for k in found], np.float32).reshape(-1, 2)
    none = np.zeros((0, 128), np.float32)
    return _Features(points, none if words is None else np.asarray(words, np.float32), scale)


def find_picture(
    picture: Gray, frames: Mapping[int, Frame], size_mm: tuple[float, float]
) -> dict[int, Seen]:
    """Find a print file in frames, by features that lie in one plane.

    Parameters
    ----------
    picture : (M, N) uint8
        The print file.
    frames : mapping
        Frames by trigger.
    size_mm : tuple of float
        Its width and height, for its shape [mm].

    Returns
    -------
    dict
        By trigger, where it was found. Frames in which it was not are absent.
    """
    columns = picture.shape[1]
    wide = min(columns, _WIDTH)
    tall = max(1, round(wide * size_mm[1] / size_mm[0]))
    found: dict[int, Seen] = {}
    for width, height in ((wide, tall), (wide // 2, max(1, tall // 2))):
        small = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
        of_print = features(np.asarray(small, np.uint8))
        ends = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64) - 0.5
        for trigger, frame in frames.items():
            seen = _plane(of_print, features(gray_of(frame)))
            if seen is None:
                continue
            matrix, inliers = seen
            corners = through(matrix, ends)
            better = trigger not in found or inliers > found[trigger].inliers
            if better and is_sound(corners):
                found[trigger] = Seen(corners, inliers)
        if len(found) == len(frames) and min(s.inliers for s in found.values()) > 4 * _LEAST:
            break
    return found


def _plane(a: _Features, b: _Features) -> tuple[NDArray[np.float64], int] | None:
    """Give the homography from one picture's pixels to the other's, and how many features fit."""
    if min(len(a.points), len(b.points)) < 4:
        return None
    pairs = cv2.BFMatcher().knnMatch(a.words, b.words, k=2)
    near = [p[0] for p in pairs if len(p) == 2 and p[0].distance < _RATIO * p[1].distance]
    if len(near) < _LEAST:
        return None
    source = np.array([a.points[m.queryIdx] * a.scale for m in near], np.float32)
    target = np.array([b.points[m.trainIdx] * b.scale for m in near], np.float32)
    matrix, fits = cv2.findHomography(
        source, target, cv2.USAC_MAGSAC, _OFF_PX * b.scale, maxIters=4000
    )
    inliers = 0 if fits is None else int(fits.sum())
    if matrix is None or inliers < _LEAST:
        return None
    spread = cv2.contourArea(cv2.convexHull(source[fits.ravel() > 0]))
    if spread < _SPREAD * np.prod(np.ptp(a.points * a.scale, axis=0)):
        return None
    return np.asarray(matrix, np.float64), inliers


def is_sound(corners: Corners) -> bool:
    """Say whether four corners can be those of a flat thing seen from its front."""
    steps = np.roll(corners, -1, axis=0) - corners
    turns = np.cross(np.c_[steps, np.zeros(4)], np.c_[np.roll(steps, -1, axis=0), np.zeros(4)])
    lengths = np.hypot(*steps.T)
    return bool((turns[:, 2] > 0).all() and lengths.min() > 20 and lengths.max() < 20_000)
