"""Disturbances of whole frames: light, blur, noise, and frames that come late or not at all."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.frame import Frame
from engine.study.camera_look import Look
from engine.study.painting import decoded, encoded

Change: TypeAlias = Callable[
    [NDArray[np.floating[Any]], float, np.random.Generator], NDArray[np.floating[Any]]
]


@dataclass(frozen=True, slots=True)
class Disturbance:
    """One kind of disturbance, with the sizes it is tried at."""

    name: str
    title: str
    unit: str
    sizes: tuple[float, ...]
    words: str
    change: Change
    in_light: bool = True
    """Whether `change` is given linear light; else coded values, in grey levels of 256."""

    def apply(self, frame: Frame, gamma: str | float, size: float, seed: list[int]) -> Frame:
        """Give the frame as it would look."""
        rng = np.random.default_rng(seed)
        top = 2**frame.bits - 1
        if self.in_light:
            table = decoded(np.arange(top + 1) / top, gamma).astype(np.float32)
            light = self.change(table[frame.pixels], size, rng)
            values = encoded(light, gamma) * top
        else:
            values = self.change(frame.pixels * np.float32(255 / top), size, rng) * (top / 255)
        pixels = np.clip(np.rint(values), 0, top).astype(frame.pixels.dtype)
        return replace(frame, pixels=pixels)


def _dimmer(light: NDArray[Any], size: float, rng: np.random.Generator) -> NDArray[Any]:  # noqa: ARG001
    return light * (1 - size / 100)


def _brighter(light: NDArray[Any], size: float, rng: np.random.Generator) -> NDArray[Any]:  # noqa: ARG001
    return light * (1 + size / 100)


def _blurred(light: NDArray[Any], size: float, rng: np.random.Generator) -> NDArray[Any]:  # noqa: ARG001
    return np.asarray(cv2.GaussianBlur(light, (0, 0), size))


def _noisy(values: NDArray[Any], size: float, rng: np.random.Generator) -> NDArray[Any]:
    return values + rng.standard_normal(values.shape, np.float32) * np.float32(size)


DISTURBANCES: Mapping[str, Disturbance] = {
    d.name: d
    for d in (
        Disturbance("light-down", "less light", "%", (10, 20, 30, 40, 50, 60, 70, 80, 90, 95),
                    "All light less by so many per cent; noise shrinks with it.", _dimmer),
        Disturbance("light-up", "more light", "%", (10, 20, 30, 40, 60, 80, 120, 200),
                    "All light more by so many per cent; what is over full is clipped.", _brighter),
        Disturbance("blur", "blur", "px", (0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.2, 3.0, 4.0),
                    "Blurred by a normal curve of so many px (standard deviation), on top of the "
                    "camera's own.", _blurred),
        Disturbance("noise", "noise", "grey levels", (1, 2, 3, 4, 6, 8, 12, 16, 24, 32),
                    "Normal noise of so many grey levels added to each value, on top of the "
                    "camera's own.", _noisy, in_light=False),
    )
}  # fmt: skip
"""Every kind of disturbance, by name."""


def own(look: Look, name: str) -> str:
    """Give what the camera has of a disturbance by itself, in words."""
    if name == "blur":
        return f"{look.blur_px:.2f} px of its own"
    if name == "noise":
        return f"{max(look.noise):.2g} grey levels of its own"
    return ""
