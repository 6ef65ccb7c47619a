"""How strongly what is left of a view stands out, at several sizes, in units of its noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

SIDES = (1, 3, 5, 9)
"""Sides of the squares over which differences are gathered [px]."""

MOST_OVER = 2.0
"""How far the spread of what is left may exceed the noise between neighbours [ratio]."""


@dataclass(frozen=True, slots=True, eq=False)
class Deviation:
    """Where and how strongly a view differs."""

    strength: Floats
    """(M, N) float32, in units of noise and spread: the largest over the sizes; 0 where masked."""
    fine: Floats
    """(M, N) float32, signed: the same at squares of 3 px."""
    at: tuple[int, int]
    """Row and column of the strongest."""
    strongest: float
    """Strength there."""
    lighter: bool
    """Whether the view is lighter there than expected."""


def deviation(left: Floats, variance: Floats, valid: NDArray[np.bool_]) -> Deviation:
    """Measure how far what is left lies outside its usual spread and this frame's noise.

    Parameters
    ----------
    left : (M, N) float32
        What a fit leaves of the view [grey levels].
    variance : (M, N) float32
        Usual variance beyond noise.
    valid : (M, N) bool
        Where differences count.

    Notes
    -----
    The noise of the frame is 1.4826 times the median of the absolute rest. Sums over a square of
    side k are divided by k, which leaves white noise at 1; a larger robust spread (noise that
    hangs together) divides once more. Neither may exceed `MOST_OVER` times what neighbouring
    pixels tell, so that a view that differs nearly everywhere does not pass for a noisy one.
    """
    places = _some(valid)
    noise = min(_robust_spread(left, places), MOST_OVER * _noise(left, places))
    scaled = np.sqrt(variance + np.float32(noise * noise + 0.25))
    np.divide(left, scaled, out=scaled)
    scaled *= valid
    maps: list[Floats] = [scaled]
    strength = np.abs(scaled)
    for side in SIDES[1:]:
        gathered = np.empty_like(scaled)
        cv2.boxFilter(scaled, -1, (side, side), gathered, borderType=cv2.BORDER_REFLECT)
        factor = side / min(max(1.0, side * _robust_spread(gathered, places)), MOST_OVER)
        gathered *= np.float32(factor)
        gathered *= valid
        maps.append(gathered)
        np.maximum(strength, np.abs(gathered), out=strength)
    row, column = divmod(int(strength.argmax()), strength.shape[1])
    there = max((float(m[row, column]) for m in maps), key=abs)
    return Deviation(strength, maps[1], (row, column), abs(there), there > 0)


def _some(valid: NDArray[np.bool_], wanted: int = 8192) -> NDArray[np.intp]:
    """Choose places at which the noise is measured."""
    places = np.flatnonzero(valid)
    return places[:: max(1, len(places) // wanted)]


def _noise(left: Floats, places: NDArray[np.intp]) -> float:
    """Give the noise that pixels 3 px apart tell, whatever the level there."""
    flat = left.ravel()
    places = places[places < len(flat) - 3]
    if not len(places):
        return 0.0
    return 1.4826 * float(np.median(np.abs(flat[places + 3] - flat[places]))) / math.sqrt(2)


def _robust_spread(values: Floats, places: NDArray[np.intp]) -> float:
    """Give 1.4826 times the median absolute value, which is sigma for normal noise."""
    if not len(places):
        return 0.0
    return 1.4826 * float(np.median(np.abs(values.ravel()[places])))
