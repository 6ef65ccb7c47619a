"""A drawn label with bars, text-like print and an edge above it, as a scene for made-up defects."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from engine.frame import Frame
from engine.result import PlacedMark, StepResult
from engine.study.camera_look import Look
from engine.study.scene import Scene

MM = 6.0
"""Pixels per mm."""
LABEL = (20.0, 25.0, 40.0, 30.0)
"""Left, top, width and height of the label [mm]."""


def _frame() -> Frame:
    """Draw a light label with black bars and print on a mid-grey board."""
    pixels = np.full((450, 540), 110, np.uint8)
    pixels[:50] = 60
    x, y, w, h = (round(v * MM) for v in LABEL)
    pixels[y : y + h, x : x + w] = 220
    for k in range(0, 20, 2):
        pixels[y + 96 : y + 162, x + 60 + 6 * k : x + 66 + 6 * k] = 40
    for k in range(6):
        cv2.rectangle(pixels, (x + 18 + 34 * k, y + 24), (x + 42 + 34 * k, y + 48), (40,), -1)
    return Frame("front", 1, pixels)


GOOD = _frame()


def scene(*, look: Look | None = None, line: bool = False) -> Scene:
    """Give the scene; with `line`, its region lies about the label's upper edge."""
    x, y, w, _ = LABEL
    region = (x, y - 10, w, 20.0) if line else LABEL
    bars = ((x + 10, y + 16), (x + 29, y + 16), (x + 29, y + 27), (x + 10, y + 27))
    at = tuple((px * MM - 0.5, py * MM - 0.5) for px, py in bars)
    edge = ((x * MM - 0.5, y * MM - 0.5), ((x + w) * MM - 0.5, y * MM - 0.5))
    marks = (
        PlacedMark(at, "shape", "", "measured"),
        PlacedMark(edge, "line", "edge", "measured"),
    )
    values = {"symbology": "code128", "px_per_module": 6.0, "text": ""}
    planned: Any = SimpleNamespace(
        camera="front", name="code", placed_by=0, limits=(),
        step=SimpleNamespace(name="code_content"),
        params=SimpleNamespace(symbology="code128", along="rows"),
    )  # fmt: skip
    result = StepResult("front", "code", values, marks=marks)
    plane = np.array([[MM, 0, -0.5], [0, MM, -0.5], [0, 0, 1.0]])
    seen = look or Look(0.7, (128.0,), (1.0,))
    return Scene(GOOD, "srgb", seen, planned, result, plane, region, None)
