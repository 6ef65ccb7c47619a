"""Binomial regression: hits out of trials on a curve, by maximum likelihood."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.study.checks import frozen

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Link:
    """A curve from 0 to 1, in forms that stay exact far out."""

    forward: Callable[[Array], Array]
    """From a share to the straight scale."""
    log_share: Callable[[Array], Array]
    """From the straight scale to the logarithm of the share."""
    log_rest: Callable[[Array], Array]
    """From the straight scale to the logarithm of one less the share."""
    log_slope: Callable[[Array], Array]
    """Logarithm of the slope of the share over the straight scale."""

    def share(self, eta: Array) -> Array:
        """Give the share."""
        return np.exp(self.log_share(eta))


def link_named(name: str) -> Link:
    """Give a link: logit, probit, cloglog (log(-log(1 - p))) or loglog (-log(-log p))."""
    from scipy.special import expm1, log_expit, log_ndtr, logit, ndtri

    def log1mexp(x: Array) -> Array:
        """Give log(1 - exp(-x)) for x above 0."""
        with np.errstate(divide="ignore"):
            return np.where(x < 0.6931, np.log(-expm1(-x)), np.log1p(-np.exp(-x)))

    def exp(eta: Array) -> Array:
        return np.exp(np.minimum(eta, 700.0))

    links = {
        "logit": lambda: Link(
            logit, log_expit, lambda e: log_expit(-e), lambda e: log_expit(e) + log_expit(-e)
        ),
        "probit": lambda: Link(
            ndtri, log_ndtr, lambda e: log_ndtr(-e), lambda e: -(e**2) / 2 - 0.5 * np.log(2 * np.pi)
        ),
        "cloglog": lambda: Link(
            lambda p: np.log(-np.log1p(-p)),
            lambda e: log1mexp(exp(e)),
            lambda e: -exp(e),
            lambda e: e - exp(e),
        ),
        "loglog": lambda: Link(
            lambda p: -np.log(-np.log(p)),
            lambda e: -exp(-e),
            lambda e: log1mexp(exp(-e)),
            lambda e: -e - exp(-e),
        ),
    }
    if name not in links:
        message = f"link must be one of {', '.join(map(repr, links))}; got {name!r}"
        raise ValueError(message)
    return links[name]()


@dataclass(frozen=True, slots=True, eq=False)
class BinomialFit:
    """A straight line on the scale of the link, with the largest likelihood."""

    coefficients: Array
    """One for each column of the design, (Q,)."""
    covariance: Array
    """Of the coefficients, from the expected information, (Q, Q)."""
    log_likelihood: float
    """Without the part that does not depend on the coefficients."""
    deviance: float
    """Residual deviance against a share of its own for each row."""
    df: int
    """Rows less coefficients [count]."""


def fit_binomial(
    design: Array,
    hits: Array,
    trials: Array,
    link: Link,
    offset: float | Array = 0.0,
    start: Array | None = None,
) -> BinomialFit:
    """Fit shares on a straight line by maximum likelihood.

    Parameters
    ----------
    design : (N, Q) array
        One row for each group of trials.
    hits, trials : (N,) array
        How many were hit, out of how many, in each row [count].
    link : Link
        The curve.
    offset : float or (N,) array
        Added to the line.
    start : (Q,) array, optional
        Where the search begins.

    Returns
    -------
    BinomialFit

    Raises
    ------
    ValueError
        When columns of the design depend on each other.

    Notes
    -----
    Fisher scoring, each step halved until the likelihood does not fall. For the four links of
    `link_named` the likelihood has one peak. Where hits and misses lie apart no finite line
    reaches it, and the coefficients only grow: look for that first.

    References
    ----------
    P. McCullagh, J. A. Nelder: Generalized linear models, 2nd ed. (1989), chapters 2 and 4.
    """
    offset = np.broadcast_to(np.asarray(offset, np.float64), hits.shape)
    eta_from = link.forward((hits + 0.5) / (trials + 1)) - offset
    beta = np.linalg.lstsq(design, eta_from, rcond=None)[0] if start is None else start
    best = log_likelihood(design @ beta + offset, hits, trials, link)
    for _ in range(200):
        eta = design @ beta + offset
        score, weight = _score(eta, hits, trials, link)
        step = np.linalg.lstsq(design * weight[:, None], score, rcond=None)[0]
        found, size = best, 1.0
        for _ in range(50):
            found = log_likelihood(design @ (beta + size * step) + offset, hits, trials, link)
            if found >= best or not np.isfinite(best):
                break
            size /= 2
        else:
            break
        beta, gain, best = beta + size * step, found - best, found
        if gain <= 1e-14 * (1 + abs(best)):
            break
    _, weight = _score(design @ beta + offset, hits, trials, link)
    information = (design * weight[:, None]).T @ (design * weight[:, None])
    try:
        covariance = np.linalg.inv(information)
    except np.linalg.LinAlgError:
        message = "no single line has the largest likelihood: columns of the design depend"
        raise ValueError(message) from None
    return BinomialFit(
        frozen(beta), frozen(covariance), best, 2 * (_saturated(hits, trials) - best),
        len(hits) - design.shape[1],
    )  # fmt: skip


def log_likelihood(eta: Array, hits: Array, trials: Array, link: Link) -> float:
    """Give the log likelihood of shares on the scale of the link."""
    misses = trials - hits
    with np.errstate(invalid="ignore"):
        parts = np.where(hits > 0, hits * link.log_share(eta), 0.0)
        parts += np.where(misses > 0, misses * link.log_rest(eta), 0.0)
    return float(parts.sum())


def _score(eta: Array, hits: Array, trials: Array, link: Link) -> tuple[Array, Array]:
    """Give score over root weight, and root weight, of each row."""
    log_share, log_rest = link.log_share(eta), link.log_rest(eta)
    slope = link.log_slope(eta)
    share = np.exp(log_share)
    root = np.exp(slope - (log_share + log_rest) / 2) * np.sqrt(trials)
    root = np.nan_to_num(root, nan=0.0, posinf=0.0)
    residual = hits - trials * share
    scale = np.exp(np.minimum(-(log_share + log_rest) / 2, 300.0)) / np.sqrt(trials)
    score = residual * scale
    return score, root


def _saturated(hits: Array, trials: Array) -> float:
    from scipy.special import xlogy

    misses = trials - hits
    return float((xlogy(hits, hits / trials) + xlogy(misses, misses / trials)).sum())
