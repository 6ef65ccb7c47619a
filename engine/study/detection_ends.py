"""Detection curves with ends: random hits below (a floor), random misses above (a ceiling)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.study.binomial import Array, Link

STEEPEST = 300.0
"""Largest slope looked for, over a standard deviation of the sizes."""

ONE_END = 3.84
"""An end is believed when it raises twice the log likelihood by this much: where there is none,
that happens in 2.5 % (half of a chi-square with 1 degree of freedom, as a share has a border)."""

BOTH_ENDS = 5.50
"""The same for both at once (the mixture of chi-squares with 0, 1, 1 and 2 degrees)."""


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Hits by size, each size once; sizes on the scale of the line, moved and scaled."""

    x: Array
    hits: Array
    trials: Array
    bare_hits: float = 0.0
    """Hits at size 0, where the line of the logarithm ends: detection there is the floor alone."""
    bare_trials: float = 0.0


@dataclass(frozen=True, slots=True)
class Ends:
    """A curve between a floor and a ceiling: floor + (ceiling - floor) F(b0 + b1 x)."""

    b0: float
    b1: float
    floor: float
    """Detection of what is not there [fraction]."""
    ceiling: float
    """Detection of the largest [fraction]."""
    log_likelihood: float
    has_floor: bool
    has_ceiling: bool


def find_ends(sample: Sample, link: Link, plain: float, slope: float) -> Ends | None:
    """Look for a floor and a ceiling; None where the plain curve does as well.

    Parameters
    ----------
    sample : Sample
        What was hit.
    link : Link
        The form of the curve.
    plain : float
        Log likelihood of the plain curve.
    slope : float
        Slope of the plain curve.

    Notes
    -----
    Likelihood ratios with the numbers above. Few targets show an end only when it is large: of 100
    targets over the whole range, about two in five of those with an end of 10 %.
    """
    floor, ceiling, both = (
        _fit(sample, link, slope, *which) for which in ((True, False), (False, True), (True, True))
    )
    if sample.bare_hits > 0:
        return both if _better(both, floor.log_likelihood, ONE_END) else floor
    one = floor if floor.log_likelihood >= ceiling.log_likelihood else ceiling
    if _better(both, one.log_likelihood, ONE_END) and _better(both, plain, BOTH_ENDS):
        return both
    return one if _better(one, plain, ONE_END) else None


def _better(ends: Ends, than: float, needed: float) -> bool:
    return 2 * (ends.log_likelihood - than) > needed


def highest(sample: Sample, link: Link, ends: Ends, x: float, share: float) -> float:
    """Give the largest log likelihood of all curves with ends that pass through a point.

    Parameters
    ----------
    sample, link
        As for `find_ends`.
    ends : Ends
        Which ends there are, and where the search begins.
    x, share : float
        The point.
    """
    from scipy.optimize import minimize

    edge = 1e-9
    bounds = [
        (0.0, STEEPEST),
        (0.0, share - edge if ends.has_floor else 0.0),
        (share + edge if ends.has_ceiling else 1.0, 1.0),
    ]

    def fall(p: Array) -> tuple[float, Array]:
        slope, floor, ceiling = p
        room = ceiling - floor
        inner = float(np.clip((share - floor) / room, 1e-12, 1 - 1e-12))
        eta = link.forward(np.asarray(inner))
        value, g = _with_gradient(np.array([eta - slope * x, *p]), sample, link)
        along = g[0] / float(np.exp(link.log_slope(eta))) / room
        gradient = [g[1] - x * g[0], g[2] - along * (1 - inner), g[3] - along * inner]
        return -value, -np.array(gradient)

    best = -np.inf
    for slope in (ends.b1, min(2.0, ends.b1 / 4)):
        floor = min(ends.floor, share / 2) if ends.has_floor else 0.0
        ceiling = max(ends.ceiling, (1 + share) / 2) if ends.has_ceiling else 1.0
        start = np.array([slope, floor, ceiling])
        done = minimize(fall, start, jac=True, method="L-BFGS-B", bounds=bounds)
        best = max(best, -float(done.fun))
    return best


def _fit(sample: Sample, link: Link, slope: float, has_floor: bool, has_ceiling: bool) -> Ends:
    """Give the best curve with these ends, from the two best of many starts."""
    from scipy.optimize import minimize

    bounds = [
        (-50 * STEEPEST, 50 * STEEPEST),
        (0.0, STEEPEST),
        (0.0, 0.95 if has_floor else 0.0),
        (0.05 if has_ceiling else 1.0, 1.0),
    ]

    def fall(p: Array) -> tuple[float, Array]:
        value, gradient = _with_gradient(p, sample, link)
        return -value, -gradient

    starts = sorted(_starts(sample, slope, has_floor, has_ceiling), key=lambda p: fall(p)[0])
    found = [minimize(fall, p, jac=True, method="L-BFGS-B", bounds=bounds) for p in starts[:2]]
    best = min(found, key=lambda done: done.fun)
    b0, b1, low, high = map(float, best.x)
    return Ends(b0, b1, low, high, -float(best.fun), has_floor, has_ceiling)


def _starts(sample: Sample, slope: float, has_floor: bool, has_ceiling: bool) -> list[Array]:
    """Give curves that could be: every place between the sizes, steep and less so."""
    starts: list[Array] = []
    order = np.repeat(sample.x, sample.trials.astype(int))
    for at in np.unique(np.quantile(order, np.linspace(0.1, 0.9, 9))):
        below = sample.x <= at
        if below.all():
            continue
        floor, ceiling = (
            (sample.hits[part].sum() + 0.5) / (sample.trials[part].sum() + 1)
            for part in (below, ~below)
        )
        starts += [
            np.array([
                -steep * at, steep,
                part * min(floor, 0.9) if has_floor else 0.0,
                1 - part * (1 - max(ceiling, 0.1)) if has_ceiling else 1.0,
            ])
            for steep in (max(slope, 1.0), 3 * max(slope, 1.0), 12 * max(slope, 1.0))
            for part in (0.4, 0.9)
        ]  # fmt: skip
    return starts


def _with_gradient(p: Array, sample: Sample, link: Link) -> tuple[float, Array]:
    """Give the log likelihood of (b0, b1, floor, ceiling), and how it changes with each."""
    b0, b1, floor, ceiling = p
    eta = b0 + b1 * sample.x
    inner = link.share(eta)
    share = np.clip(floor + (ceiling - floor) * inner, 1e-300, 1 - 1e-16)
    rest = np.clip((1 - ceiling) * inner + (1 - floor) * np.exp(link.log_rest(eta)), 1e-300, None)
    misses = sample.trials - sample.hits
    value = float(sample.hits @ np.log(share) + misses @ np.log(rest))
    change = sample.hits / share - misses / rest
    along = change * (ceiling - floor) * np.exp(link.log_slope(eta))
    gradient = np.array(
        [along.sum(), along @ sample.x, change @ (1 - inner), change @ inner], np.float64
    )
    if sample.bare_trials:
        low = float(np.clip(floor, 1e-300, 1 - 1e-16))
        missed = sample.bare_trials - sample.bare_hits
        value += sample.bare_hits * np.log(low) + missed * np.log1p(-low)
        gradient[2] += sample.bare_hits / low - missed / (1 - low)
    return value, gradient


def covariance_of(sample: Sample, link: Link, ends: Ends) -> Array:
    """Give the covariance of (b0, b1) from the observed information, ends not known either."""
    free = [0, 1] + [2] * ends.has_floor + [3] * ends.has_ceiling
    at = np.array([ends.b0, ends.b1, ends.floor, ends.ceiling])
    information = np.empty((len(free), len(free)))
    for row, i in enumerate(free):
        step = np.zeros(4)
        step[i] = 1e-5 * max(1.0, abs(at[i])) if i < 2 else 1e-6
        ahead, behind = (_with_gradient(at + s, sample, link)[1] for s in (step, -step))
        information[row] = -(ahead - behind)[free] / (2 * step[i])
    try:
        return np.linalg.inv((information + information.T) / 2)[:2, :2].astype(np.float64)
    except np.linalg.LinAlgError:
        return np.full((2, 2), np.nan)
