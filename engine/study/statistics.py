"""Statistics in plain numbers. Libraries are imported when used: start-up must stay quick."""

from __future__ import annotations

import math
import operator


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
