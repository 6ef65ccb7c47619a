"""Shares: their intervals, and how many cartons a claim about one needs."""

from __future__ import annotations

import math
import operator
from dataclasses import dataclass

from engine.study.checks import between_0_and_1, whole


def clopper_pearson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Give the Clopper-Pearson ("exact") interval of a share.

    Parameters
    ----------
    k : int
        How many of them [count].
    n : int
        Out of how many, at least 1 [count].
    confidence : float
        Least chance that the interval holds the true share, between 0 and 1 [fraction].

    Returns
    -------
    low, high : float
        The interval [fraction].

    Raises
    ------
    ValueError
        When the numbers make no share.

    Notes
    -----
    The interval is never too narrow, and often a little too wide: with 0 of 20 the true share may
    be as large as 0.168.

    References
    ----------
    C. J. Clopper, E. S. Pearson: The use of confidence or fiducial limits illustrated in the case
    of the binomial. Biometrika 26 (1934), 404-413.

    Examples
    --------
    >>> low, high = clopper_pearson(0, 20)
    >>> round(low, 4), round(high, 4)
    (0.0, 0.1684)
    """
    k, n, confidence = _share(k, n, confidence)
    from scipy.special import betaincinv

    tail = (1 - confidence) / 2
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1 - tail))
    return low, high


def wilson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Give the Wilson score interval of a share, without continuity correction.

    Parameters
    ----------
    k : int
        How many of them [count].
    n : int
        Out of how many, at least 1 [count].
    confidence : float
        Nominal chance that the interval holds the true share, between 0 and 1 [fraction].

    Returns
    -------
    low, high : float
        The interval [fraction].

    Raises
    ------
    ValueError
        When the numbers make no share.

    Notes
    -----
    Narrower than `clopper_pearson`, right on average over shares, for some shares too narrow.

    References
    ----------
    E. B. Wilson: Probable inference, the law of succession, and statistical inference. Journal of
    the American Statistical Association 22 (1927), 209-212.

    Examples
    --------
    >>> low, high = wilson(0, 20)
    >>> round(low, 4), round(high, 4)
    (0.0, 0.1611)
    """
    k, n, confidence = _share(k, n, confidence)
    from scipy.special import ndtri

    z = float(ndtri(1 - (1 - confidence) / 2))
    share = k / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    low = 0.0 if k == 0 else middle - half
    high = 1.0 if k == n else middle + half
    return low, high


def zero_failure_n(p: float, confidence: float = 0.95) -> int:
    """Give how many trials without one failure show that the share of successes is at least p.

    Parameters
    ----------
    p : float
        Share of successes to be shown, as 0.9 for a detection of 90 %, between 0 and 1
        [fraction].
    confidence : float
        Confidence of the claim, between 0 and 1 [fraction].

    Returns
    -------
    int
        The smallest n with p**n <= 1 - confidence [count].

    Raises
    ------
    ValueError
        When a share is not between 0 and 1.

    References
    ----------
    "29 of 29" for 90 % at 95 %: C. Annis, pages on statistical engineering.

    Examples
    --------
    >>> zero_failure_n(0.9, 0.95), zero_failure_n(0.999, 0.95)
    (29, 2995)
    """
    p, confidence = between_0_and_1(p, "p"), between_0_and_1(confidence, "confidence")
    exact = math.log1p(-confidence) / math.log(p)
    return max(1, math.ceil(exact * (1 - 1e-12)))


@dataclass(frozen=True, slots=True)
class ClaimSize:
    """How many cartons a claim needs."""

    share: float
    """Share of successes to be shown [fraction]."""
    confidence: float
    """Confidence of the claim [fraction]."""
    failures: int
    """Failures that the claim is to stand in spite of [count]."""
    n: int
    """Cartons needed in all, failures included [count]."""
    more: int
    """Of those, cartons still to come, all of them without failure [count]."""
    shown: float | None
    """What the cartons at hand show by themselves: lower bound of the share, one-sided, at this
    confidence [fraction]; None without any."""


def sample_size_for_claim(
    share: float, confidence: float = 0.95, failures: int = 0, done: int = 0
) -> ClaimSize:
    """Give how many cartons a claim about a share of successes needs.

    Parameters
    ----------
    share : float
        The share that is to be shown as the least: of defects caught, or of good cartons passed,
        between 0 and 1 [fraction].
    confidence : float
        Confidence of the claim, one-sided, between 0 and 1 [fraction].
    failures : int
        Failures among all of them [count].
    done : int
        Cartons at hand already, failures included [count].

    Returns
    -------
    ClaimSize
        The smallest number of cartons whose one-sided Clopper-Pearson bound reaches the share.

    Raises
    ------
    ValueError
        When a share is not between 0 and 1, or there are more failures than cartons done.

    Notes
    -----
    The number holds when it is fixed before counting starts. Who goes on after each failure until
    the claim stands, claims a little too much.

    Examples
    --------
    >>> [sample_size_for_claim(0.9, 0.95, failures).n for failures in (0, 1, 2)]
    [29, 46, 61]
    >>> sample_size_for_claim(0.9, 0.95, done=20).more
    9
    """
    share, confidence = between_0_and_1(share, "share"), between_0_and_1(confidence, "confidence")
    failures, done = whole(failures, "failures"), whole(done, "done")
    if done and failures > done:
        message = f"failures must be at most done = {done}; got {failures}"
        raise ValueError(message)
    first = zero_failure_n(share, confidence)
    low, high = failures, max(first, failures + 1)
    while not _shows(high, failures, share, confidence):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if _shows(middle, failures, share, confidence):
            high = middle
        else:
            low = middle
    n = first if failures == 0 else high
    shown = lower_bound(done - failures, done, confidence) if done else None
    return ClaimSize(share, confidence, failures, n, max(0, n - done), shown)


def lower_bound(k: int, n: int, confidence: float = 0.95) -> float:
    """Give the one-sided Clopper-Pearson lower bound of a share.

    Parameters
    ----------
    k : int
        How many of them [count].
    n : int
        Out of how many, at least 1 [count].
    confidence : float
        Least chance that the true share is not below the bound, between 0 and 1 [fraction].

    Returns
    -------
    float
        The bound [fraction].

    Examples
    --------
    >>> round(lower_bound(29, 29), 5), round(lower_bound(45, 46), 5)
    (0.90186, 0.90098)
    """
    k, n, confidence = _share(k, n, confidence)
    from scipy.special import betaincinv

    return 0.0 if k == 0 else float(betaincinv(k, n - k + 1, 1 - confidence))


def upper_bound(k: int, n: int, confidence: float = 0.95) -> float:
    """Give the one-sided Clopper-Pearson upper bound of a share; see `lower_bound`.

    Examples
    --------
    >>> round(upper_bound(0, 300), 6)
    0.009936
    """
    return 1.0 - lower_bound(n - k, n, confidence)


def _shows(n: int, failures: int, share: float, confidence: float) -> bool:
    """Tell whether so many failures in n are rare enough were the share only just too small."""
    from scipy.special import bdtr

    chance = float(bdtr(failures, n, 1 - share))
    return n > failures and chance <= (1 - confidence) * (1 + 1e-12)


def _share(k: int, n: int, confidence: float) -> tuple[int, int, float]:
    """Check the numbers of a share."""
    try:
        k, n = operator.index(k), operator.index(n)
    except TypeError:
        message = f"k and n are counts, whole numbers; got k = {k!r}, n = {n!r}"
        raise ValueError(message) from None
    if n < 1:
        message = f"n must be at least 1; got {n}"
        raise ValueError(message)
    if not 0 <= k <= n:
        message = f"k must lie between 0 and n = {n}; got {k}"
        raise ValueError(message)
    if not 0 < confidence < 1:
        message = f"confidence must lie between 0 and 1, both excluded; got {confidence!r}"
        raise ValueError(message)
    return k, n, float(confidence)
