"""What a made-up defect is made on: one step's place on one good carton's frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.frame import Frame
from engine.graph.plan import PlannedStep
from engine.result import StepResult, Value
from engine.study.camera_look import Look
from engine.study.painting import Canvas, Light, Matrix, Points, decoded, through

_SMALL = 320
"""Longer side of the picture in which places are looked for [px]."""


@dataclass(frozen=True, eq=False)
class Scene:
    """One step's place on one good frame: where it lies, in mm, and what the step said there."""

    frame: Frame
    gamma: str | float
    look: Look
    planned: PlannedStep
    result: StepResult
    plane: Matrix
    """Maps mm of the plane that places the step to pixels of the frame."""
    region: tuple[float, float, float, float]
    """Left, top, width and height of what the step looks at [mm]."""
    mask: NDArray[np.uint8] | None
    """What of the region may be looked at, at any resolution; None = all."""

    @property
    def smaller_side(self) -> float:
        """Give the smaller side of the region [mm]."""
        return min(self.region[2], self.region[3])

    @property
    def values(self) -> Mapping[str, Value]:
        """Give what the step measured on the good carton."""
        return self.result.values or {}

    @property
    def corners(self) -> Points:
        """Give the region's corners [mm], clockwise from the top left."""
        x, y, w, h = self.region
        return np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])

    @cached_property
    def px_per_mm(self) -> float:
        """Give the frame's pixels per mm at the middle of the region."""
        x, y, w, h = self.region
        middle = np.array([(x + w / 2, y + h / 2)])
        a, b, c = through(self.plane, middle + np.array([(0, 0), (0.5, 0), (0, 0.5)]))
        (ux, uy), (vx, vy) = (b - a) * 2, (c - a) * 2
        return float(np.sqrt(abs(ux * vy - uy * vx))) or 1.0

    def at(self, points_mm: Points) -> Points:
        """Map points in mm to pixels of the frame."""
        return through(self.plane, points_mm)

    def back(self, points_px: Points) -> Points:
        """Map pixels of the frame to mm."""
        return through(np.linalg.inv(self.plane), points_px)

    def canvas(self, points_px: Points, margin: float = 0.0) -> Canvas:
        """Take the part of the frame around some points, to paint on."""
        return Canvas(self.frame, self.gamma, self.look, points_px, margin)

    def shapes(self, text: str | None = None) -> list[Points]:
        """Give the closed shapes that the step marked, in pixels of the frame."""
        marks = [m for m in self.result.marks if m.kind == "shape"]
        chosen = [m for m in marks if m.text == text] if text is not None else marks
        return [np.array(m.points, np.float64) for m in chosen]

    @cached_property
    def small(self) -> tuple[Light, NDArray[np.bool_], float]:
        """Give the region in linear light, what of it may be looked at, and its mm per pixel."""
        x, y, w, h = self.region
        step = max(w, h) / min(_SMALL, max(16.0, max(w, h) * self.px_per_mm))
        size = max(2, round(w / step)), max(2, round(h / step))
        to_mm = np.array([[step, 0, x + step / 2], [0, step, y + step / 2], [0, 0, 1]])
        matrix = self.plane @ to_mm
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        top = 2**self.frame.bits - 1
        warped = cv2.warpPerspective(self.frame.pixels, matrix, size, flags=flags,
                                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
        light = decoded(warped / top, self.gamma).astype(np.float32)
        allowed = np.full(light.shape[:2], True)
        if self.mask is not None:
            allowed = cv2.resize(self.mask, size, interpolation=cv2.INTER_NEAREST) > 0
        inside = cv2.warpPerspective(
            np.full(self.frame.pixels.shape[:2], 255, np.uint8), matrix, size, flags=flags
        )
        return light if light.ndim == 3 else light[:, :, None], allowed & (inside > 254), step

    @cached_property
    def paper(self) -> Light:
        """Give the light of the bare ground: of the lightest tenth of the region, the median."""
        return self._tone(95.0)

    @cached_property
    def ink(self) -> Light:
        """Give the light of full ink: near the darkest of the region."""
        return self._tone(1.0)

    def _tone(self, percent: float) -> Light:
        light, allowed, _ = self.small
        pixels = light[allowed] if allowed.any() else light.reshape(-1, light.shape[2])
        level = pixels.mean(axis=1)
        edge = np.percentile(level, (max(percent - 4, 0), min(percent + 4, 100)))
        near = pixels[(level >= edge[0]) & (level <= edge[1])]
        return np.median(near, axis=0).astype(np.float32)

    def setting(self, name: str) -> Any:
        """Give a setting of the step, None where it has none of that name."""
        return getattr(self.planned.params, name, None)


def plane_of(
    planned: PlannedStep, position: int, poses: Mapping[int, Matrix], mm_per_px: float | None
) -> tuple[Matrix, tuple[float, float, float, float], bool] | None:
    """Give the plane of a step, its region in mm, and whether its view's mask covers just that."""
    size_mm = getattr(planned.params, "size_mm", None)
    if position in poses and size_mm is not None:
        width, height = size_mm
        return poses[position], (0.0, 0.0, float(width), float(height)), False
    if planned.placed_by is not None and planned.size_px is not None:
        if planned.placed_by not in poses:
            return None
        width, height = (side * planned.mm_per_px for side in planned.size_px)
        return poses[planned.placed_by], (*planned.origin_mm, width, height), True
    if mm_per_px is None or planned.size_px is None:
        return None
    x, y = ((o + 0.0) * mm_per_px for o in planned.offset_px)
    width, height = (side * mm_per_px for side in planned.size_px)
    plane = np.diag([1 / mm_per_px, 1 / mm_per_px, 1.0])
    return plane, (x, y, width, height), True


def place_for(
    scene: Scene, size_mm: tuple[float, float], on_ink: bool, rng: np.random.Generator
) -> tuple[float, float] | None:
    """Choose the middle of a patch [mm] that the step may look at as a whole.

    Parameters
    ----------
    scene : Scene
        The step's place.
    size_mm : tuple
        Width and height of the patch.
    on_ink : bool
        Whether it shall lie where most print is; else where the ground is light.
    rng : numpy.random.Generator
        Decides among the better places.

    Returns
    -------
    tuple or None
        None where no place is large enough.

    Notes
    -----
    Places are weighed by the mean darkness of the patch against the bare ground, and one of the
    better third is drawn (or, on light ground, of the lighter half).
    """
    light, allowed, step = scene.small
    half = [max(1, round(s / step / 2)) for s in size_mm]
    window = np.ones((2 * half[1] + 1, 2 * half[0] + 1), np.uint8)
    rows, columns = allowed.shape
    if window.shape[0] > rows or window.shape[1] > columns:
        return None
    inner = cv2.erode(allowed.astype(np.uint8), window, borderType=cv2.BORDER_CONSTANT,
                      borderValue=(0,))  # fmt: skip
    at_row, at_column = np.nonzero(inner)
    if not len(at_row):
        return None
    dark = np.clip(float(scene.paper.mean()) - light.mean(axis=2), 0, None)
    weight = cv2.boxFilter(dark, -1, window.shape[::-1])[at_row, at_column]
    if not on_ink:
        weight = -weight
    good = np.flatnonzero(weight >= np.quantile(weight, 0.67 if on_ink else 0.5))
    k = int(good[rng.integers(len(good))])
    x, y = scene.region[:2]
    return x + (at_column[k] + 0.5) * step, y + (at_row[k] + 0.5) * step


def square(middle: tuple[float, float], width: float, height: float) -> Points:
    """Give the corners of a rectangle about its middle."""
    x, y = middle
    w, h = width / 2, height / 2
    return np.array([(x - w, y - h), (x + w, y - h), (x + w, y + h), (x - w, y + h)])
