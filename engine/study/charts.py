"""Control charts: whether a value over many cartons stays what it was."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.study.checks import finite, frozen, numbers, positive

D2 = 1.128
"""Mean range of two normal values in standard deviations, to the digits of the usual tables."""

D4 = 3.267
"""Upper limit of a moving range of two in mean moving ranges, to the digits of the tables."""


@dataclass(frozen=True, slots=True, eq=False)
class Ewma:
    """An exponentially weighted moving average with its limits; all in the unit of the values."""

    z: NDArray[np.float64]
    """The average after each value, (N,); the start (the target) is not among them."""
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    """Limits at each value, (N,): narrow at the start, then ever nearer to the last ones."""
    target: float
    lcl: float
    ucl: float
    """The limits that `lower` and `upper` tend to."""
    out: tuple[int, ...]
    """Indices of averages beyond the limits at their place, counted from 0."""
    out_of_last: tuple[int, ...]
    """Indices of averages beyond `lcl` or `ucl`, counted from 0."""


def ewma(
    x: Iterable[float], lam: float = 0.2, target: float = 0.0, sigma: float = 1.0, k: float = 3.0
) -> Ewma:
    """Give the exponentially weighted moving average of a row of values.

    Parameters
    ----------
    x : (N,) iterable of float
        The values in order of time.
    lam : float
        Weight of the newest value, above 0 and at most 1; small = long memory [fraction].
    target : float
        What the values should lie around; the average starts there.
    sigma : float
        Standard deviation of a single value.
    k : float
        Half width of the limits in standard deviations of the average.

    Returns
    -------
    Ewma

    Raises
    ------
    ValueError
        When a value is not finite, `lam` not in (0, 1], `sigma` or `k` not above 0.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; the limits at each value as in
    J. M. Lucas, M. S. Saccucci, Technometrics 32 (1990), 1-12.

    Examples
    --------
    >>> chart = ewma([52.0, 47.0, 53.0], lam=0.3, target=50, sigma=2.0539)
    >>> chart.z.round(2).tolist(), round(chart.ucl, 4)
    ([50.6, 49.52, 50.56], 52.5884)
    """
    values = numbers(x, "x")
    if not 0 < lam <= 1:
        message = f"lam must lie above 0 and be at most 1; got {lam!r}"
        raise ValueError(message)
    target, sigma, k = finite(target, "target"), positive(sigma, "sigma"), positive(k, "k")
    z = np.empty_like(values)
    before = target
    for i, value in enumerate(values.tolist()):
        before = lam * value + (1 - lam) * before
        z[i] = before
    last = k * sigma * float(np.sqrt(lam / (2 - lam)))
    steps = np.arange(1, len(values) + 1)
    half = last * np.sqrt(1 - (1 - lam) ** (2 * steps))
    away = np.abs(z - target)
    return Ewma(
        frozen(z),
        frozen(target - half),
        frozen(target + half),
        target,
        target - last,
        target + last,
        _where(away > half),
        _where(away > last),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Individuals:
    """A chart of single values and of their moving ranges; all in the unit of the values."""

    x: NDArray[np.float64]
    """The values, (N,)."""
    moving_range: NDArray[np.float64]
    """Distance of each value from the one before, (N - 1,)."""
    mean: float
    mean_range: float
    """Mean of the moving ranges."""
    sigma: float
    """Standard deviation from one carton to the next: `mean_range` / 1.128."""
    lcl: float
    ucl: float
    """Limits of a single value: mean -+ 3 `sigma`."""
    range_ucl: float
    """Upper limit of a moving range: 3.267 `mean_range`; the lower one is 0."""
    out: tuple[int, ...]
    """Indices of values beyond `lcl` or `ucl`, counted from 0."""
    range_out: tuple[int, ...]
    """Indices of moving ranges above `range_ucl`; range i lies between values i and i + 1."""


def individuals(x: Iterable[float]) -> Individuals:
    """Give the chart of single values and moving ranges.

    Parameters
    ----------
    x : (N,) iterable of float
        The values in order of time, at least 2.

    Returns
    -------
    Individuals

    Raises
    ------
    ValueError
        When there are fewer than two values, or one is not finite.

    Notes
    -----
    The limits hold for values that are about normal and that do not depend on the one before.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Examples
    --------
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.mean, 2), round(chart.lcl, 4), round(chart.ucl, 4)
    (50.81, 45.8159, 55.8041)
    """
    values = numbers(x, "x", least=2)
    ranges = np.abs(np.diff(values))
    mean, mean_range = float(values.mean()), float(ranges.mean())
    sigma = mean_range / D2
    away = np.abs(values - mean) > 3 * sigma
    return Individuals(
        frozen(values),
        frozen(ranges),
        mean,
        mean_range,
        sigma,
        mean - 3 * sigma,
        mean + 3 * sigma,
        D4 * mean_range,
        _where(away) if sigma > 0 else (),
        _where(ranges > D4 * mean_range) if sigma > 0 else (),
    )


def _where(flags: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(np.flatnonzero(flags).tolist())
