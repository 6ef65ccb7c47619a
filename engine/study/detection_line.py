"""A fitted line of detection over size: its sizes, and their bounds by the likelihood ratio."""

from __future__ import annotations

import math

import numpy as np

from engine.study.binomial import Array, Link, fit_binomial
from engine.study.checks import frozen
from engine.study.detection_ends import Ends, Sample, covariance_of, find_ends, highest

DROP = 1.6448536269514722**2
"""Twice the fall of the log likelihood at a one-sided bound of 95 %."""

SURE = 10.0
"""Ends that raise twice the log likelihood by more than this are taken for certain."""


class Line:
    """A fitted curve, plain or with ends, on sizes that are moved and scaled."""

    def __init__(self, sample: Sample, link: Link, middle: float, scale: float, log: bool) -> None:
        self.sample, self.link, self.log = sample, link, log
        self.middle, self.scale = middle, scale
        design = np.column_stack([np.ones_like(sample.x), sample.x])
        self.fit = fit_binomial(design, sample.hits, sample.trials, link)
        self.ends: Ends | None = None
        self.reached = self.fit.log_likelihood
        self.b0, self.b1 = map(float, self.fit.coefficients)
        self.inner_covariance = self.fit.covariance

    def look_for_ends(self) -> None:
        """Take on a floor and a ceiling where the data ask for them."""
        self.ends = find_ends(self.sample, self.link, self.reached, self.b1)
        if self.ends is not None:
            self.b0, self.b1 = self.ends.b0, self.ends.b1
            self.reached = self.ends.log_likelihood
            self.inner_covariance = covariance_of(self.sample, self.link, self.ends)

    @property
    def is_sure_of_ends(self) -> bool:
        """Whether the plain curve is out of the question."""
        return self.sample.bare_hits > 0 or 2 * (self.reached - self.fit.log_likelihood) > SURE

    @property
    def floor(self) -> float:
        """Give the share of random hits."""
        return self.ends.floor if self.ends else 0.0

    @property
    def ceiling(self) -> float:
        """Give the largest share detected."""
        return self.ends.ceiling if self.ends else 1.0

    def inner(self, size: Array) -> Array:
        """Give where sizes lie on the line."""
        with np.errstate(divide="ignore"):
            return ((np.log(size) if self.log else size) - self.middle) / self.scale

    def outer(self, x: float) -> float | None:
        """Give the size at a place of the line; None beyond all numbers."""
        h = x * self.scale + self.middle
        if not self.log:
            return float(h)
        return float(np.exp(h)) if h < 700 else None

    def pod(self, size: Array) -> Array:
        """Give the detection of sizes."""
        x = self.inner(size)
        share = self.link.share(self.b0 + self.b1 * np.maximum(x, -1e300))
        share = np.where(np.isneginf(x), 0.0, share)
        return self.floor + (self.ceiling - self.floor) * share

    def place(self, pod: float) -> float | None:
        """Give the place on the line of which a share is detected."""
        if not self.floor < pod < self.ceiling or self.b1 <= 0:
            return None
        inner = (pod - self.floor) / (self.ceiling - self.floor)
        return (float(self.link.forward(np.asarray(inner))) - self.b0) / self.b1

    def size(self, pod: float) -> float | None:
        """Give the size of which a share is detected."""
        x = self.place(pod)
        return None if x is None else self.outer(x)

    def error(self, pod: float) -> float:
        """Give the standard error of that size, by the delta method; nan where unknown."""
        x = self.place(pod) or 0.0
        change = np.array([-1.0, -x]) / self.b1
        variance = float(change @ self.inner_covariance @ change)
        return math.sqrt(variance) * self.scale if variance >= 0 else math.nan

    def coefficients(self) -> tuple[Array, Array]:
        """Give intercept and slope over the sizes as they came, and their covariance."""
        back = np.array([[1.0, -self.middle / self.scale], [0.0, 1.0 / self.scale]])
        return (
            frozen(back @ np.array([self.b0, self.b1])),
            frozen(back @ self.inner_covariance @ back.T),
        )

    def fall(self, x: float, share: float) -> float:
        """Give twice how far the log likelihood falls when the curve passes through a point."""
        s = self.sample
        if self.ends is not None:
            return 2 * (self.reached - highest(s, self.link, self.ends, x, share))
        level = float(self.link.forward(np.asarray(share)))
        through = fit_binomial((s.x - x)[:, None], s.hits, s.trials, self.link, level, np.zeros(1))
        return 2 * (self.reached - through.log_likelihood)

    def bound_of_size(self, pod: float) -> float | None:
        """Give the size of which at least a share is detected, at 95 %; None where none shows."""
        from scipy.optimize import root_scalar

        low = self.place(pod)
        if low is None:
            return None
        error = self.error(pod) / self.scale
        step = max(error, 1e-3) if np.isfinite(error) else 0.1
        high = low + step
        while self.fall(high, pod) < DROP:
            low, step = high, 3 * step
            high = low + step
            if step > 1e4:
                return None
        found = root_scalar(
            lambda x: self.fall(x, pod) - DROP,
            bracket=(low, high),
            method="brentq",
            xtol=1e-9 if self.ends is None else 1e-5,
        )
        return self.outer(float(found.root))

    def bound(self, size: float) -> float:
        """Give the lower bound of the detection of a size, one-sided, 95 %."""
        from scipy.optimize import root_scalar

        x = float(self.inner(np.asarray(size)))
        high = float(self.pod(np.asarray(size)))
        low = self.floor + 1e-9 if self.ends and self.ends.has_floor else 1e-9
        if not np.isfinite(x) or high <= low or self.fall(x, low) < DROP:
            return 0.0
        found = root_scalar(
            lambda p: self.fall(x, p) - DROP, bracket=(low, high), method="brentq", xtol=1e-7
        )
        return float(found.root)

    def wald(self, pod: float) -> float | None:
        """Give the bound of a size by the error of the line."""
        low = self.place(pod)
        if low is None or self.ends is not None:
            return None
        (v00, v01), (_, v11) = self.inner_covariance
        level = float(self.link.forward(np.asarray(pod))) - self.b0
        a = self.b1**2 - DROP * v11
        b = -2 * (level * self.b1 + DROP * v01)
        c = level**2 - DROP * v00
        if a <= 0:
            return None
        return self.outer(float((-b + np.sqrt(max(b * b - 4 * a * c, 0.0))) / (2 * a)))
