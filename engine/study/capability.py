"""Capability: how the spread of a value fits between its limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from engine.study.checks import between_0_and_1, finite, positive, whole


@dataclass(frozen=True, slots=True)
class Capability:
    """How a spread fits between limits; plain ratios, larger is better."""

    cp: float | None
    """Room between the limits over six standard deviations; None with one limit."""
    cpk: float
    """Room from the mean to the nearer limit over three standard deviations; below 0 when the
    mean is beyond it."""
    cpl: float | None
    """Room from the mean down to the lower limit over three standard deviations."""
    cpu: float | None
    """Room from the mean up to the upper limit over three standard deviations."""
    k: float | None
    """Distance of the mean from the middle over half the room: 0 = in the middle, 1 = on a limit;
    None with one limit. Cpk = Cp (1 - k)."""
    cp_interval: tuple[float, float] | None
    """Interval of Cp; None with one limit, or when n is not given."""
    cpk_interval: tuple[float, float] | None
    """Interval of Cpk; None when n is not given."""

    def __float__(self) -> float:
        """Give Cpk alone."""
        return self.cpk


def cp_cpk(
    mean: float,
    sd: float,
    lsl: float | None = None,
    usl: float | None = None,
    n: int | None = None,
    confidence: float = 0.95,
) -> Capability:
    """Give Cp and Cpk of a value with one limit or two.

    Parameters
    ----------
    mean, sd : float
        Mean and standard deviation, in the unit of the value.
    lsl, usl : float, optional
        Lower and upper limit, in the unit of the value; at least one.
    n : int, optional
        Cartons behind `mean` and `sd`, at least 2; needed for intervals [count].
    confidence : float
        Of the intervals, between 0 and 1 [fraction].

    Returns
    -------
    Capability

    Raises
    ------
    ValueError
        When `sd` is not above 0, no limit is given, or the lower one is not below the upper one.

    Notes
    -----
    The figures mean something for values that are about normal and stay what they are: look at
    the charts first. The interval of Cp is exact for normal values (chi-square with n - 1 degrees
    of freedom), that of Cpk the usual approximation, Cpk -+ z sqrt(1/(9 n) + Cpk^2/(2 (n - 1))).

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6; A. F. Bissell: How reliable is your
    capability index? Applied Statistics 39 (1990), 331-340 (from memory).

    Examples
    --------
    >>> found = cp_cpk(mean=10.4, sd=0.5, lsl=9.0, usl=12.0)
    >>> found.cp, round(found.cpk, 4), round(found.k, 4)
    (1.0, 0.9333, 0.0667)
    """
    mean, sd = finite(mean, "mean"), positive(sd, "sd")
    lsl = None if lsl is None else finite(lsl, "lsl")
    usl = None if usl is None else finite(usl, "usl")
    confidence = between_0_and_1(confidence, "confidence")
    n = None if n is None else whole(n, "n", least=2)
    if lsl is None and usl is None:
        message = "at least one of lsl and usl must be given"
        raise ValueError(message)
    if lsl is not None and usl is not None and lsl >= usl:
        message = f"lsl must lie below usl; got lsl = {lsl}, usl = {usl}"
        raise ValueError(message)
    cpl = None if lsl is None else (mean - lsl) / (3 * sd)
    cpu = None if usl is None else (usl - mean) / (3 * sd)
    cpk = min(c for c in (cpl, cpu) if c is not None)
    cp = k = None
    if lsl is not None and usl is not None:
        cp = (usl - lsl) / (6 * sd)
        k = abs((lsl + usl) / 2 - mean) / ((usl - lsl) / 2)
    return Capability(
        cp, cpk, cpl, cpu, k,
        None if cp is None or n is None else _cp_interval(cp, n, confidence),
        None if n is None else _cpk_interval(cpk, n, confidence),
    )  # fmt: skip


def _cp_interval(cp: float, n: int, confidence: float) -> tuple[float, float]:
    from scipy.special import gammaincinv

    tail, half = (1 - confidence) / 2, (n - 1) / 2
    low, high = (2 * float(gammaincinv(half, p)) / (n - 1) for p in (tail, 1 - tail))
    return cp * math.sqrt(low), cp * math.sqrt(high)


def _cpk_interval(cpk: float, n: int, confidence: float) -> tuple[float, float]:
    from scipy.special import ndtri

    z = float(ndtri((1 + confidence) / 2))
    half = z * math.sqrt(1 / (9 * n) + cpk * cpk / (2 * (n - 1)))
    return cpk - half, cpk + half
