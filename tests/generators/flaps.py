"""Made-up views of flap edges with exact truth, for tests and benchmarks.

An edge is drawn by the error function (a step seen through a Gaussian blur) or as the difference of
two of them (a gap line of known width), so its place is exact to rounding of grey levels. Over it
come uneven light, print strokes and sensor noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf


@dataclass(frozen=True)
class Edge:
    """A view and the truth about the edge in it."""

    gray: NDArray[np.uint8]
    offset: float
    """Place at the middle of the view [px], pixel centres at whole numbers."""
    angle: float
    """Turn [deg], positive where it falls to the right."""


def edge(
    seed: int,
    *,
    kind: str = "step",
    contrast: float = 25.0,
    noise: float = 4.0,
    shape: tuple[int, int] = (80, 600),
    max_turn: float = 2.5,
    print_strokes: bool = True,
    width_px: float = 1.6,
) -> Edge:
    """Draw one edge at a random place, turn and blur.

    Parameters
    ----------
    seed : int
        Of everything random.
    kind : str
        `step`, `dark_line`, `light_line` or `none` (only what else is in the view).
    contrast, noise : float
        Height of the edge (of a line: at its full depth before blur), and sigma of the noise
        [grey levels].
    shape : (int, int)
        Rows and columns.
    max_turn : float
        Largest turn [deg].
    print_strokes : bool
        Whether print (short strokes, some along the edge) lies in the view.
    width_px : float
        Width of a line [px].

    Returns
    -------
    Edge
    """
    rng = np.random.default_rng(seed)
    rows, columns = shape
    angle = float(rng.uniform(-max_turn, max_turn))
    slope = np.tan(np.radians(angle))
    room = 10 + abs(slope) * columns / 2
    offset = float(rng.uniform(min(room, rows / 2), max(rows - room, rows / 2)))
    blur = float(rng.uniform(0.5, 1.4))
    x = np.arange(columns) - (columns - 1) / 2
    away = (np.arange(rows)[:, None] - offset - slope * x) * np.cos(np.radians(angle))
    base = rng.uniform(90, 150) * np.ones(shape)
    sign = 1.0 if rng.random() < 0.5 else -1.0
    if kind == "step":
        base += sign * contrast * smooth(away, blur)
    elif kind != "none":
        sign = 1.0 if kind == "light_line" else -1.0
        line = smooth(away + width_px / 2, blur) - smooth(away - width_px / 2, blur)
        base += sign * contrast * line
    if print_strokes:
        strokes(base, away if kind != "none" else None, rng)
    light = 1 + 0.12 * rng.uniform(-1, 1) * x / columns
    light = light + 0.08 * rng.uniform(-1, 1) * np.linspace(-1, 1, rows)[:, None]
    gray = base * light * rng.uniform(0.85, 1.15) + rng.normal(0, noise, shape)
    return Edge(np.clip(np.rint(gray), 0, 255).astype(np.uint8), offset, angle)


def smooth(away: NDArray[np.float64], blur: float) -> NDArray[np.float64]:
    """Give a step from 0 to 1 at 0, seen through a Gaussian of spread `blur`."""
    return 0.5 * (1 + erf(away / (blur * np.sqrt(2))))


def strokes(
    base: NDArray[np.float64], away: NDArray[np.float64] | None, rng: np.random.Generator
) -> None:
    """Draw print into `base`: short strokes in any direction, clear of the edge."""
    rows, columns = base.shape
    ink = np.zeros(base.shape, np.float32)
    for _ in range(int(rng.integers(4, 12))):
        y, x = rng.uniform(0, rows), rng.uniform(0, columns)
        length = rng.uniform(8, columns / 12)
        turn = rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)])
        a = (int(x), int(y))
        b = (int(x + length * np.cos(turn)), int(y + length * np.sin(turn)))
        cv2.line(ink, a, b, float(rng.uniform(20, 70)), int(rng.integers(1, 4)))
    ink = cv2.GaussianBlur(ink, (0, 0), 0.8)
    if away is not None:
        ink[np.abs(away) < 5] = 0
    base -= ink
