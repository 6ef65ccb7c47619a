"""Scores against truth: how well a score tells bad from good, whatever its limit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.study.checks import frozen, numbers


@dataclass(frozen=True, slots=True, eq=False)
class Roc:
    """Hit rate against false alarm rate over every limit of a score."""

    thresholds: NDArray[np.float64]
    """Limits, falling, (T,): a score at or above the limit counts as bad; the first is infinite,
    so that nothing does."""
    tpr: NDArray[np.float64]
    """Share of the bad ones at or above each limit, (T,) [fraction]."""
    fpr: NDArray[np.float64]
    """Share of the good ones at or above each limit, (T,) [fraction]."""
    area: float
    """Chance that a bad one scores higher than a good one, a tie counting half [fraction]."""
    area_error: float
    """Standard error of the area; 0 for one that is 0 or 1, where it says nothing [fraction]."""
    youden: float
    """Largest tpr - fpr [fraction]."""
    best: float
    """Limit at which that is reached, the highest of equals, in the unit of the score."""

    def __float__(self) -> float:
        """Give the area alone."""
        return self.area


def roc(scores: Iterable[float], truth: Iterable[bool | int]) -> Roc:
    """Give hit rates and false alarm rates over every limit of a score.

    Parameters
    ----------
    scores : (N,) iterable of float
        High = bad. Turn the sign of a score of which low is bad.
    truth : (N,) iterable of bool
        Whether each one is bad.

    Returns
    -------
    Roc

    Raises
    ------
    ValueError
        When the lengths differ, or there is not at least one bad and one good.

    Notes
    -----
    `best` weighs a miss and a false alarm alike and takes both as equally common; a line has to
    weigh its own costs. The error of the area is that of DeLong and others.

    References
    ----------
    E. R. DeLong, D. M. DeLong, D. L. Clarke-Pearson, Biometrics 44 (1988), 837-845; W. J. Youden,
    Cancer 3 (1950), 32-35 (both from memory).

    Examples
    --------
    >>> found = roc([0.1, 0.4, 0.35, 0.8], [False, False, True, True])
    >>> found.area, found.youden, found.best
    (0.75, 0.5, 0.8)
    """
    values, marks = numbers(scores, "scores"), numbers(truth, "truth")
    if len(values) != len(marks):
        message = f"scores and truth must be equally long; got {len(values)} and {len(marks)}"
        raise ValueError(message)
    if not np.isin(marks, (0, 1)).all():
        message = "truth must hold True or False (1 or 0) only"
        raise ValueError(message)
    bad, good = np.sort(values[marks == 1]), np.sort(values[marks == 0])
    if not len(bad) or not len(good):
        message = f"truth must hold bad and good ones; got {len(bad)} bad, {len(good)} good"
        raise ValueError(message)
    steps = np.unique(values)[::-1]
    tpr = np.concatenate([[0.0], 1 - np.searchsorted(bad, steps, "left") / len(bad)])
    fpr = np.concatenate([[0.0], 1 - np.searchsorted(good, steps, "left") / len(good)])
    below = (np.searchsorted(good, bad, "left") + np.searchsorted(good, bad, "right")) / 2
    above = (
        len(bad) - (np.searchsorted(bad, good, "left") + np.searchsorted(bad, good, "right")) / 2
    )
    thresholds = np.concatenate([[np.inf], steps])
    best = int(np.argmax(np.round(tpr - fpr, 12)))
    return Roc(
        frozen(thresholds),
        frozen(tpr),
        frozen(fpr),
        float(below.mean() / len(good)),
        _error(below / len(good), above / len(bad)),
        float(tpr[best] - fpr[best]),
        float(thresholds[best]),
    )


def _error(of_bad: NDArray[np.float64], of_good: NDArray[np.float64]) -> float:
    parts = (float(p.var(ddof=1)) / len(p) if len(p) > 1 else 0.0 for p in (of_bad, of_good))
    return float(np.sqrt(sum(parts)))
