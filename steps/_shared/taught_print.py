"""What a good print looks like and how far good ones stray: built from good views, and applied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.block_regression import BlockRegression
from steps._shared.deviation import Deviation, busy_places, deviation
from steps._shared.local_shifts import LocalShifts

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

LEAST = 3
"""Fewest good views from which a spread can be told."""

MOST_FOLDS = 10
"""Most parts into which views are split to judge each by the others."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A picture and what is precomputed to explain views by it."""

    regression: BlockRegression
    shifts: LocalShifts | None

    @classmethod
    def of(cls, picture: Floats, usable: Bools, local_shifts: bool) -> Fit:
        """Precompute for a picture; with `local_shifts` views are straightened first."""
        shifts = LocalShifts.of(picture, usable) if local_shifts else None
        return cls(BlockRegression.of(picture, usable), shifts)

    def rest(self, gray: NDArray[np.uint8], valid: Bools | None = None) -> tuple[Floats, float]:
        """Give what the picture does not explain of a view, and how far it was smoothed."""
        if self.shifts is not None:
            gray = self.shifts.straightened(gray, valid)
        return self.regression.rest(gray, valid)


@dataclass(frozen=True, slots=True, eq=False)
class GoodPrint:
    """A good print, its spread, and what is precomputed to compare views with it."""

    fit: Fit
    usable: Bools
    """(M, N) bool: where differences count."""
    variance: Floats
    """(M, N) float32: variance of good views beyond the noise of each."""
    busy: NDArray[np.intp]
    """Places of great spread, in the flattened view."""

    @classmethod
    def of(cls, good: Floats, spread: Floats, usable: Bools, local_shifts: bool) -> GoodPrint:
        """Make one from a picture (M, N), its spread in grey levels (M, N), and where to look."""
        variance = np.square(spread, dtype=np.float32)
        fit = Fit.of(good, usable, local_shifts)
        return cls(fit, usable, variance, busy_places(variance, usable))

    def compare(self, gray: NDArray[np.uint8], valid: Bools | None) -> Deviation:
        """Say where and how strongly a view of the same size differs."""
        counts = self.usable if valid is None else self.usable & valid
        left, smoothed = self.fit.rest(gray, valid)
        return deviation(left, self.variance, counts, self.busy, smoothed)

    def gain(self, gray: NDArray[np.uint8], where: Bools) -> float:
        """Give the light of a view against the good print, coarsely."""
        few = where[::4, ::4]
        good = self.fit.regression.terms[0, ::4, ::4][few]
        return float(gray[::4, ::4][few].sum()) / max(1.0, float(good.sum()))


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """What was learned from good views."""

    good: Floats
    spread: Floats
    usable: Bools
    used: tuple[int, ...]
    """Indices of the views that were used."""
    logs: NDArray[np.float64]
    """Of each used view: log of its strongest difference from a print taught without it."""
    left_out: dict[int, str]


def learn(grays: Sequence[NDArray[np.uint8]], valid: Sequence[Bools], local_shifts: bool) -> Lesson:
    """Learn a good print from views of one size; those that stand out are left out.

    Raises
    ------
    ValueError
        When fewer than `LEAST` views are left.
    """
    left_out = _covered(valid)
    used = [i for i in range(len(grays)) if i not in left_out]
    while len(used) >= LEAST:
        usable = np.all([valid[i] for i in used], axis=0)
        some = [grays[i] for i in used]
        aligned = _together(some, usable, local_shifts)
        robust = _model(some, aligned, usable, local_shifts, robust=True)
        logs = _logs(some, GoodPrint.of(*robust, usable, local_shifts))
        if not _standing_out(logs):
            logs = _held_out(some, aligned, usable, local_shifts)
        out = _standing_out(logs)
        if not out:
            good, spread = _model(some, aligned, usable, local_shifts)
            return Lesson(good, spread, usable, tuple(used), logs, left_out)
        for k in out:
            times = np.exp(logs[k] - np.median(logs))
            left_out[used[k]] = f"differs {times:.1f} times as much as most"
        used = [i for k, i in enumerate(used) if k not in out]
    raise ValueError(f"only {len(used)} of {len(grays)} views are alike")


def _covered(valid: Sequence[Bools]) -> dict[int, str]:
    """Say which views show less than most do."""
    shares = np.array([one.mean() for one in valid])
    least = max(0.9 * float(np.median(shares)), 0.01)
    return {
        int(i): f"only {100 * shares[i]:.0f} % of it is in the frame and not masked"
        for i in np.flatnonzero(shares < least)
    }


def _together(grays: Sequence[NDArray[np.uint8]], usable: Bools, local_shifts: bool) -> Floats:
    """Bring all views to the light, place and sharpness of their median: (V, M, N)."""
    good = _start(grays, usable)
    for _ in range(2):
        good = np.median(_aligned(grays, good, usable, local_shifts), axis=0)
    return _aligned(grays, good, usable, local_shifts)


def _start(grays: Sequence[NDArray[np.uint8]], usable: Bools) -> Floats:
    """Give a first picture: the median of the views, each brought to one light."""
    values = np.stack(grays).astype(np.float32)
    inside = values[:, usable]
    mean, spread = inside.mean(axis=1), np.maximum(inside.std(axis=1), 1)
    level = (values - mean[:, None, None]) / spread[:, None, None]
    return (np.median(level, axis=0) * np.median(spread) + np.median(mean)).astype(np.float32)


def _aligned(
    grays: Sequence[NDArray[np.uint8]], good: Floats, usable: Bools, local_shifts: bool
) -> Floats:
    """Bring each view to the light, place and sharpness of the picture: (V, M, N)."""
    fit = Fit.of(good, usable, local_shifts)
    out = np.empty((len(grays), *good.shape), np.float32)
    for k, gray in enumerate(grays):
        out[k] = good + fit.rest(gray)[0]
    return out


def _model(
    grays: Sequence[NDArray[np.uint8]],
    aligned: Floats,
    usable: Bools,
    local_shifts: bool,
    robust: bool = False,
) -> tuple[Floats, Floats]:
    """Give the mean picture and the spread beyond noise of views about it.

    The robust picture is the median, and the fifth of the views that strays farthest at a place
    does not count there, so that a few wrong views cannot hide behind the spread they make.
    """
    good = np.median(aligned, axis=0) if robust else aligned.mean(axis=0)
    left = _aligned(grays, good, usable, local_shifts) - good
    squares = np.square(left, out=left)
    for square in squares:
        square -= np.float32(1.4826**2 * np.median(square[usable][::17]))
    counted = len(squares)
    if robust:
        counted -= -(-counted // 5)
        squares = np.sort(squares, axis=0)[:counted]
    variance = np.empty(good.shape, np.float32)
    mean = squares.sum(axis=0, dtype=np.float32) / np.float32(max(counted - 1, 1))
    cv2.GaussianBlur(mean, (0, 0), 0.8, variance)
    np.maximum(variance, 0, out=variance)
    return good, np.sqrt(cv2.dilate(variance, np.ones((3, 3), np.uint8))).astype(np.float32)


def _held_out(
    grays: Sequence[NDArray[np.uint8]], aligned: Floats, usable: Bools, local_shifts: bool
) -> NDArray[np.float64]:
    """Judge each view by a print taught from the others: logs of the strongest difference."""
    logs = np.zeros(len(grays))
    folds = min(len(grays), MOST_FOLDS)
    for fold in range(folds):
        others = [k for k in range(len(grays)) if k % folds != fold]
        some = [grays[k] for k in others]
        good, spread = _model(some, aligned[others], usable, local_shifts)
        taught = GoodPrint.of(good, spread, usable, local_shifts)
        logs[fold::folds] = _logs(grays[fold::folds], taught)
    return logs


def _logs(grays: Sequence[NDArray[np.uint8]], taught: GoodPrint) -> NDArray[np.float64]:
    """Give the logarithm of the strongest difference of each view."""
    strongest = [taught.compare(gray, None).strongest for gray in grays]
    return np.log(np.maximum(strongest, 1e-3))


def _standing_out(logs: NDArray[np.float64]) -> list[int]:
    """Give the indices of scores far above the others."""
    middle = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - middle)))
    return [int(k) for k in np.flatnonzero(logs > middle + max(5 * spread, 0.5))]
