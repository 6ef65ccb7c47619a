"""Agreement beyond chance: Cohen's and Fleiss' kappa with their errors and intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from engine.study.checks import between_0_and_1, table_of_counts

Weights = Literal["none", "linear", "quadratic"]


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement beyond chance."""

    kappa: float
    """1 = full agreement, 0 = what chance gives, below 0 = less than that; nan where every
    decision is the same one, as nothing tells agreement from chance there."""
    ase: float
    """Asymptotic standard error; for intervals."""
    low: float
    high: float
    """Interval kappa -+ z ase, cut at 1."""
    ase0: float
    """Asymptotic standard error if there were no agreement beyond chance; for the test."""
    z: float
    """kappa / ase0: far from 0 = not by chance; nan where ase0 is 0."""
    agreement: float
    """Observed agreement [fraction]."""
    by_chance: float
    """Agreement that chance gives [fraction]."""
    n: int
    """Subjects [count]."""

    def __float__(self) -> float:
        """Give kappa alone."""
        return self.kappa


def cohen_kappa(
    table: Sequence[Sequence[Any]] | NDArray[Any],
    weights: Weights | None = None,
    confidence: float = 0.95,
) -> Kappa:
    """Give Cohen's kappa of two who decided on the same subjects.

    Parameters
    ----------
    table : (K, K) array of counts
        Subjects by the class that the first (rows) and the second (columns) gave.
    weights : {"linear", "quadratic"}, optional
        For classes in order: how near a miss counts. Without, a miss is a miss.
    confidence : float
        Of the interval, between 0 and 1 [fraction].

    Returns
    -------
    Kappa

    Raises
    ------
    ValueError
        When the table is no square table of counts, or holds nothing.

    References
    ----------
    J. Cohen: A coefficient of agreement for nominal scales. Educational and Psychological
    Measurement 20 (1960), 37-46.
    J. L. Fleiss, J. Cohen, B. S. Everitt: Large sample standard errors of kappa and weighted
    kappa. Psychological Bulletin 72 (1969), 323-327.

    Examples
    --------
    >>> found = cohen_kappa([[20, 5], [10, 15]])
    >>> round(found.kappa, 4), round(found.low, 3), round(found.high, 3)
    (0.4, 0.151, 0.649)
    """
    confidence = between_0_and_1(confidence, "confidence")
    found = table_of_counts(table, "table")
    n, classes = found.sum(), len(found)
    if found.shape[1] != classes or classes < 2:
        message = f"table must be square, at least 2 by 2; got {found.shape}"
        raise ValueError(message)
    if n == 0:
        message = "table must hold at least one subject"
        raise ValueError(message)
    nearness = _nearness(classes, weights)
    share = found / n
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    observed = float((nearness * share).sum())
    expected = float(rows @ nearness @ columns)
    if math.isclose(expected, 1.0, abs_tol=1e-12):
        return _kappa(math.nan, 0.0, 0.0, observed, expected, int(n), confidence)
    kappa = (observed - expected) / (1 - expected)
    margins = (nearness @ columns)[:, None] + (rows @ nearness)[None, :]
    spread = (share * (nearness - margins * (1 - kappa)) ** 2).sum()
    spread -= (kappa - expected * (1 - kappa)) ** 2
    spread0 = (np.outer(rows, columns) * (nearness - margins) ** 2).sum() - expected**2
    scale = n * (1 - expected) ** 2
    return _kappa(kappa, spread / scale, spread0 / scale, observed, expected, int(n), confidence)


def fleiss_kappa(counts: Sequence[Sequence[Any]] | NDArray[Any], confidence: float = 0.95) -> Kappa:
    """Give Fleiss' kappa of several who decided on the same subjects.

    Parameters
    ----------
    counts : (N, K) array of counts
        How many put subject (row) into class (column); every row has the same sum, the number of
        raters, at least 2.
    confidence : float
        Of the interval, between 0 and 1 [fraction].

    Returns
    -------
    Kappa
        With `ase` over subjects, nan below two subjects.

    Raises
    ------
    ValueError
        When the rows have different sums, or sums below 2.

    Notes
    -----
    The raters need not be the same for each subject. `ase` follows the linearised variance
    (Gwet), subjects taken as a sample of many; `ase0` is that of no agreement (Fleiss, Nee,
    Landis).

    References
    ----------
    J. L. Fleiss: Measuring nominal scale agreement among many raters. Psychological Bulletin 76
    (1971), 378-382.
    J. L. Fleiss, J. C. M. Nee, J. R. Landis: Large sample variance of kappa in the case of
    different sets of raters. Psychological Bulletin 86 (1979), 974-977 (from memory).
    K. L. Gwet: Large-sample variance of Fleiss generalized kappa. Educational and Psychological
    Measurement 81 (2021), 781-790 (from memory).

    Examples
    --------
    >>> round(fleiss_kappa([[3, 0], [0, 3], [2, 1], [3, 0]]).kappa, 4)
    0.625
    """
    confidence = between_0_and_1(confidence, "confidence")
    found = table_of_counts(counts, "counts")
    sums = found.sum(axis=1)
    raters = float(sums[0])
    if (sums != raters).any():
        at = int(np.flatnonzero(sums != raters)[0])
        message = (
            f"counts must have the same number of raters in every row; row 0 has {raters:g}, "
            f"row {at} has {sums[at]:g}"
        )
        raise ValueError(message)
    if raters < 2:
        message = f"counts must have at least 2 raters in every row; got {raters:g}"
        raise ValueError(message)
    n = len(found)
    shares = found.sum(axis=0) / (n * raters)
    alike = ((found**2).sum(axis=1) - raters) / (raters * (raters - 1))
    observed, expected = float(alike.mean()), float((shares**2).sum())
    if math.isclose(expected, 1.0, abs_tol=1e-12):
        return _kappa(math.nan, 0.0, 0.0, observed, expected, n, confidence)
    kappa = (observed - expected) / (1 - expected)
    drawn = (found @ shares) / raters
    each = (alike - expected) / (1 - expected) - 2 * (1 - kappa) * (drawn - expected) / (
        1 - expected
    )
    variance = float(((each - kappa) ** 2).sum()) / (n * (n - 1)) if n > 1 else math.nan
    return _kappa(kappa, variance, _null(shares, n, raters), observed, expected, n, confidence)


def _null(shares: NDArray[np.float64], n: int, raters: float) -> float:
    """Give the variance of Fleiss' kappa when there is no agreement beyond chance."""
    both = shares * (1 - shares)
    whole = both.sum()
    above = whole**2 - (both * (1 - 2 * shares)).sum()
    return float(2 * above / (whole**2 * n * raters * (raters - 1)))


def _nearness(classes: int, weights: Weights | None) -> NDArray[np.float64]:
    """Give how much each pair of classes counts as agreement, 0 to 1."""
    if weights in (None, "none"):
        return np.eye(classes)
    if weights not in ("linear", "quadratic"):
        message = f"weights must be `linear` or `quadratic` or None; got {weights!r}"
        raise ValueError(message)
    places = np.arange(classes)
    apart = np.abs(places[:, None] - places[None, :]) / (classes - 1)
    return 1 - (apart if weights == "linear" else apart**2)


def _kappa(
    kappa: float,
    variance: float,
    variance0: float,
    observed: float,
    expected: float,
    n: int,
    confidence: float,
) -> Kappa:
    from scipy.special import ndtri

    ase, ase0 = (v if math.isnan(v) else math.sqrt(max(v, 0.0)) for v in (variance, variance0))
    half = float(ndtri((1 + confidence) / 2)) * ase
    if math.isnan(kappa):
        ase = ase0 = half = math.nan
    z = kappa / ase0 if ase0 > 0 else math.nan
    high = kappa + half
    return Kappa(
        float(kappa), ase, float(kappa - half), high if math.isnan(high) else float(min(1.0, high)),
        ase0, float(z), observed, expected, n,
    )  # fmt: skip
