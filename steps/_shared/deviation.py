"""How strongly what is left of a view stands out, at several sizes, in units of its noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

SIDES = (3, 5, 9)
"""Sides of the squares over which differences are gathered [px]."""

MOST_OVER = 2.0
"""How far the spread of what is left may exceed the noise between neighbours [ratio]."""

LEAST_SPREAD, MOST_SPREAD = 0.1, 9.0
"""Between these the variance of good prints is scaled to a frame [ratio]."""


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


def busy_places(variance: Floats, usable: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Choose places among the 3 % of greatest spread (edges of the print, mostly), at most 4096."""
    if not usable.any():
        return np.empty(0, np.intp)
    least = max(float(np.quantile(variance[usable], 0.97)), 1e-6)
    places = np.flatnonzero((variance >= least) & usable)
    return places[:: max(1, len(places) // 4096)]


def deviation(
    left: Floats,
    variance: Floats,
    valid: NDArray[np.bool_],
    busy: NDArray[np.intp],
    smoothed: float = 0.0,
) -> Deviation:
    """Measure how far what is left lies outside its usual spread and this frame's noise.

    Parameters
    ----------
    left : (M, N) float32
        What a fit leaves of the view [grey levels].
    variance : (M, N) float32
        Usual variance beyond noise.
    valid : (M, N) bool
        Where differences count.
    busy : (P,) int
        Places (`busy_places`) at which this frame tells how far it strays.
    smoothed : float
        Variance of a blur that was given to the view; it hid noise, which is put back [px2].

    Notes
    -----
    The usual spread is scaled to this frame, between `LEAST_SPREAD` and `MOST_SPREAD`: a frame a
    little out of place or focus strays at all edges, and a sharp one at none. It is told from the
    median of what is left at busy places, which a defect does not move.

    The noise of the frame is 1.4826 times the median of the absolute rest. Sums over a square of
    side k are divided by k, which leaves white noise at 1; a larger robust spread (noise that
    hangs together) divides once more. Neither may exceed `MOST_OVER` times what neighbouring
    pixels tell, so that a view that differs nearly everywhere does not pass for a noisy one.
    """
    places = _some(valid)
    noise = min(_robust_spread(left, places), MOST_OVER * _noise(left, places))
    noise *= _hidden(smoothed)
    busy = busy[valid.ravel()[busy]]
    factor = _spread_factor(left.ravel()[busy], variance.ravel()[busy], noise)
    scaled = np.sqrt(np.float32(factor) * variance + np.float32(noise * noise + 0.25))
    np.divide(left, scaled, out=scaled)
    scaled *= valid
    maps: list[Floats] = []
    strength = np.zeros_like(scaled)
    for side in SIDES:
        gathered = np.empty_like(scaled)
        cv2.boxFilter(scaled, -1, (side, side), gathered, borderType=cv2.BORDER_REFLECT)
        together = side * _robust_spread(gathered, places)
        gathered *= np.float32(side / min(max(1.0, together), MOST_OVER))
        gathered *= valid
        maps.append(gathered)
        np.maximum(strength, np.abs(gathered), out=strength)
    row, column = divmod(int(strength.argmax()), strength.shape[1])
    there = max((float(m[row, column]) for m in maps), key=abs)
    return Deviation(strength, maps[0], (row, column), abs(there), there > 0)


def _hidden(smoothed: float) -> float:
    """Give the factor by which a blur of a variance lowers white noise."""
    if smoothed <= 0:
        return 1.0
    kernel = cv2.getGaussianKernel(15, math.sqrt(smoothed)).ravel()
    return 1.0 / float((kernel**2).sum())


def _spread_factor(left: Floats, variance: Floats, noise: float) -> float:
    """Give the factor on the variance with which busy places stray as they should."""
    factor = 1.0
    if len(left) < 50:
        return factor
    for _ in range(4):
        wanted = factor * variance + noise * noise
        ratio = 1.4826 * float(np.median(np.abs(left) / np.sqrt(wanted)))
        factor = float(np.median((ratio**2 * wanted - noise * noise) / variance))
        factor = min(max(factor, LEAST_SPREAD), MOST_SPREAD)
    return factor


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
