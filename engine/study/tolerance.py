"""Tolerance intervals: between which bounds most of all cartons lie, as a few of them show."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from engine.study.checks import between_0_and_1, frozen, numbers, whole


@dataclass(frozen=True, slots=True)
class ToleranceBounds:
    """Bounds between which most of all cartons lie, from order statistics."""

    lower: float | None
    """In the unit of the values; None when only the upper side is bounded."""
    upper: float | None
    """In the unit of the values; None when only the lower side is bounded."""
    rank: int
    """The bounds are the values of this rank from each bounded end; 1 = the smallest or largest
    [count]."""
    confidence: float
    """Confidence that is reached, at least the one asked for [fraction]."""


def tolerance_factor(n: int, coverage: float, confidence: float = 0.95, sides: int = 2) -> float:
    """Give the factor k of a normal tolerance interval, mean -+ k standard deviations.

    Parameters
    ----------
    n : int
        Values behind mean and standard deviation, at least 2 [count].
    coverage : float
        Share of all cartons that is to lie inside, between 0 and 1 [fraction].
    confidence : float
        Chance that at least so many do, between 0 and 1 [fraction].
    sides : {1, 2}
        2 = between two bounds, 1 = above or below one.

    Returns
    -------
    float
        The factor [standard deviations]; exact to about 1e-8.

    Raises
    ------
    ValueError
        When a share is not between 0 and 1, or n below 2.

    Notes
    -----
    Right for normal values only; far tails of values that are not normal lie elsewhere, and no
    number of good cartons shows it. One side: noncentral t. Two sides: the integral over where the
    mean of the sample may lie, solved for k.

    References
    ----------
    ISO 16269-6; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3; K. Krishnamoorthy,
    T. Mathew: Statistical tolerance regions (2009), chapter 2 (from memory).

    Examples
    --------
    >>> round(tolerance_factor(20, 0.95), 2), round(tolerance_factor(50, 0.95, sides=1), 3)
    (2.76, 2.065)
    """
    n = whole(n, "n", least=2)
    coverage = between_0_and_1(coverage, "coverage")
    confidence = between_0_and_1(confidence, "confidence")
    from scipy.optimize import root_scalar
    from scipy.special import gammaincc, ndtri

    if _sides(sides) == 1:
        from scipy.stats import nct

        shift = float(ndtri(coverage)) * math.sqrt(n)
        return float(nct.ppf(confidence, n - 1, shift)) / math.sqrt(n)
    places, weights = _places()
    half = _half_width(places / math.sqrt(n), coverage)

    def excess(k: float) -> float:
        with np.errstate(over="ignore"):
            return float(weights @ gammaincc((n - 1) / 2, (n - 1) * (half / k) ** 2 / 2)) - (
                confidence
            )

    low = high = float(ndtri((1 + coverage) / 2))
    while excess(high) < 0:
        high *= 2
    while excess(low) > 0:
        low /= 2
    return float(root_scalar(excess, bracket=(low, high), method="brentq", xtol=1e-10).root)


@cache
def _places() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give places from 0 to 9 and weights that integrate over |z| of a standard normal z."""
    places, weights = np.polynomial.legendre.leggauss(200)
    at = (places + 1) * 4.5
    density = np.sqrt(2 / np.pi) * np.exp(-(at**2) / 2)
    return frozen(at), frozen(density * weights * 4.5)


def _half_width(off: NDArray[np.float64], coverage: float) -> NDArray[np.float64]:
    """Give r so that a standard normal from off - r to off + r holds so much, by halving."""
    from scipy.special import ndtr, ndtri

    low = np.full_like(off, float(ndtri((1 + coverage) / 2)))
    high = off + low
    for _ in range(60):
        middle = (low + high) / 2
        short = ndtr(middle - off) - ndtr(-middle - off) < coverage
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return (low + high) / 2


def distribution_free_n(coverage: float, confidence: float = 0.95, sides: int = 2) -> int:
    """Give how many values it takes for their extremes to bound so much, whatever the shape.

    Parameters
    ----------
    coverage : float
        Share of all cartons that is to lie inside, between 0 and 1 [fraction].
    confidence : float
        Chance that at least so many do, between 0 and 1 [fraction].
    sides : {1, 2}
        2 = between smallest and largest, 1 = beyond one of them.

    Returns
    -------
    int
        The number of values [count].

    References
    ----------
    S. S. Wilks: Determination of sample sizes for setting tolerance limits. Annals of
    Mathematical Statistics 12 (1941), 91-96.

    Examples
    --------
    >>> distribution_free_n(0.95), distribution_free_n(0.95, sides=1)
    (93, 59)
    """
    coverage = between_0_and_1(coverage, "coverage")
    confidence = between_0_and_1(confidence, "confidence")
    sides = _sides(sides)
    low, high = sides - 1, sides
    while _free_confidence(high, 1, coverage, sides) < confidence * (1 - 1e-14):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if _free_confidence(middle, 1, coverage, sides) < confidence * (1 - 1e-14):
            low = middle
        else:
            high = middle
    return high


def distribution_free_coverage(n: int, confidence: float = 0.95, sides: int = 2) -> float:
    """Give how much the extremes of so many values bound, whatever the shape.

    Parameters
    ----------
    n : int
        Values, at least 1 for one side and 2 for two [count].
    confidence : float
        Chance that at least so much lies inside, between 0 and 1 [fraction].
    sides : {1, 2}
        2 = between smallest and largest, 1 = beyond one of them.

    Returns
    -------
    float
        Share of all cartons [fraction].

    Examples
    --------
    >>> round(distribution_free_coverage(20), 3), round(distribution_free_coverage(20, sides=1), 3)
    (0.784, 0.861)
    """
    sides = _sides(sides)
    n = whole(n, "n", least=sides)
    from scipy.special import betaincinv

    tail = 1 - between_0_and_1(confidence, "confidence")
    return float(betaincinv(n + 1 - sides, sides, tail))


def distribution_free_bounds(
    x: Iterable[float],
    coverage: float,
    confidence: float = 0.95,
    side: Literal["both", "lower", "upper"] = "both",
) -> ToleranceBounds:
    """Give the tightest bounds from order statistics that hold so much, whatever the shape.

    Parameters
    ----------
    x : (N,) iterable of float
        Values of a sample, in any order.
    coverage : float
        Share of all cartons that is to lie inside, between 0 and 1 [fraction].
    confidence : float
        Chance that at least so many do, between 0 and 1 [fraction].
    side : {"both", "lower", "upper"}
        Which side is bounded.

    Returns
    -------
    ToleranceBounds
        With "both", as many values are left out above as below.

    Raises
    ------
    ValueError
        When the values are too few; it says how many are needed.

    Examples
    --------
    >>> found = distribution_free_bounds(range(100), 0.95)
    >>> found.lower, found.upper, round(found.confidence, 4)
    (0.0, 99.0, 0.9629)
    """
    values = np.sort(numbers(x, "x"))
    if side not in ("both", "lower", "upper"):
        message = f"side must be `both`, `lower` or `upper`; got {side!r}"
        raise ValueError(message)
    sides: int = 2 if side == "both" else 1
    needed = distribution_free_n(coverage, confidence, sides)
    n = len(values)
    if n < needed:
        message = f"{n} values are too few for this claim; it takes {needed}"
        raise ValueError(message)
    low, high = 1, n // sides + 1
    while high - low > 1:
        middle = (low + high) // 2
        if _free_confidence(n, middle, coverage, sides) < confidence * (1 - 1e-14):
            high = middle
        else:
            low = middle
    return ToleranceBounds(
        None if side == "upper" else float(values[low - 1]),
        None if side == "lower" else float(values[n - low]),
        low,
        _free_confidence(n, low, coverage, sides),
    )


def _free_confidence(n: int, rank: int, coverage: float, sides: int) -> float:
    """Give the chance that what lies between values of this rank holds so much."""
    left_out = sides * rank
    if left_out > n:
        return 0.0
    from scipy.special import betaincc

    return float(betaincc(n + 1 - left_out, left_out, coverage))


def _sides(sides: int) -> int:
    if sides not in (1, 2):
        message = f"sides must be 1 or 2; got {sides!r}"
        raise ValueError(message)
    return sides
