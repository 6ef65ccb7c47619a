"""Places of flat things: on a carton, or before a camera."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike

from engine.calibrate.boards import Points
from engine.problems import Problem, ProblemsFound, quoted

Place = tuple[float, float, float, float, float, float]
"""x, y, z [mm] and turns about x, y, z [deg]."""


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """Takes places of a thing to places of what it lies on: rotation p + shift."""

    rotation: Points
    """(3, 3)."""
    shift_mm: Points
    """(3,) where the thing's origin lies [mm]."""

    def apply(self, points: Points) -> Points:
        """Take (K, 3) places over."""
        return points @ self.rotation.T + self.shift_mm

    def inverse(self) -> Placing:
        """Give the way back."""
        return Placing(self.rotation.T, -self.rotation.T @ self.shift_mm)

    def after(self, inner: Placing) -> Placing:
        """Give this placing of something that is placed itself."""
        return Placing(self.rotation @ inner.rotation, self.apply(inner.shift_mm[None])[0])


def from_vectors(turn: ArrayLike, shift: ArrayLike) -> Placing:
    """Give the placing of a rotation vector and a shift, as OpenCV hands them out."""
    rotation, _ = cv2.Rodrigues(np.asarray(turn, np.float64).reshape(3, 1))
    return Placing(np.asarray(rotation, np.float64), np.asarray(shift, np.float64).ravel())


def parse_place(text: str) -> Place:
    """Read where a board lies: `x,y,z` [mm] and, if it is turned, `,rx,ry,rz` [deg].

    Examples
    --------
    >>> parse_place("0,0,60,-90,0,0")
    (0.0, 0.0, 60.0, -90.0, 0.0, 0.0)
    """
    parts = text.split(",")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    if len(numbers) not in (3, 6) or not all(math.isfinite(n) and abs(n) < 1e5 for n in numbers):
        what = f"{quoted(text)} is no place. A place is x,y,z in mm, then rx,ry,rz in degrees."
        raise ProblemsFound([Problem("--board-at", 0, 0, "", "option", what)])
    x, y, z, rx, ry, rz = [*numbers, 0.0, 0.0, 0.0][:6]
    return (x, y, z, rx, ry, rz)


def placing_of(place: Place) -> Placing:
    """Give the placing of a board on the carton.

    The board is turned about the carton's x, then y, then z axis, each turn from the first to the
    second of (y, z), (z, x), (x, y); then its origin is put at x, y, z.

    Examples
    --------
    A board on the lid, seen from above with the front panel towards the viewer; the carton is 60 mm
    deep. The board's y runs towards the front, against the carton's z:

    >>> placing_of((0, 0, 60, -90, 0, 0)).apply(np.array([[10.0, 20, 0]])).round(6).tolist()
    [[10.0, 0.0, 40.0]]
    """
    a, b, c = np.radians(place[3:])
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    about_z = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return Placing(about_z @ about_y @ about_x, np.array(place[:3], np.float64))
