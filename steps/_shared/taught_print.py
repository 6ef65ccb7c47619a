"""What a good print looks like and how far good ones stray: built from good views, and applied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.block_regression import BlockRegression
from steps._shared.deviation import Deviation, deviation

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

LEAST = 3
"""Fewest good views from which a spread can be told."""

MOST_FOLDS = 10
"""Most parts into which views are split to judge each by the others."""


@dataclass(frozen=True, slots=True, eq=False)
class GoodPrint:
    """A good print, its spread, and what is precomputed to compare views with it."""

    regression: BlockRegression
    usable: Bools
    """(M, N) bool: where differences count."""
    variance: Floats
    """(M, N) float32: variance of good views beyond the noise of each."""

    @classmethod
    def of(cls, good: Floats, spread: Floats, usable: Bools) -> GoodPrint:
        """Make one from a picture (M, N), its spread in grey levels (M, N), and where to look."""
        return cls(BlockRegression.of(good, usable), usable, np.square(spread, dtype=np.float32))

    def compare(self, gray: NDArray[np.uint8], valid: Bools | None) -> Deviation:
        """Say where and how strongly a view of the same size differs."""
        counts = self.usable if valid is None else self.usable & valid
        return deviation(self.regression.rest(gray, valid), self.variance, counts)

    def gain(self, gray: NDArray[np.uint8], where: Bools) -> float:
        """Give the light of a view against the good print, coarsely."""
        good = self.regression.terms[0][where].mean()
        return float(gray[where].mean()) / max(1.0, float(good))


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


def learn(grays: Sequence[NDArray[np.uint8]], valid: Sequence[Bools]) -> Lesson:
    """Learn a good print from views of one size; those that stand out are left out.

    Raises
    ------
    ValueError
        When fewer than `LEAST` views are left.
    """
    left_out: dict[int, str] = {}
    used = list(range(len(grays)))
    while len(used) >= LEAST:
        usable = np.all([valid[i] for i in used], axis=0)
        some = [grays[i] for i in used]
        aligned = _together(some, usable)
        logs = _held_out(some, aligned, usable)
        out = _standing_out(logs)
        if not out:
            good, spread = _model(some, aligned, usable)
            return Lesson(good, spread, usable, tuple(used), logs, left_out)
        for k in out:
            left_out[used[k]] = (
                f"differs {np.exp(logs[k] - np.median(logs)):.1f} times as much as most"
            )
        used = [i for k, i in enumerate(used) if k not in out]
    raise ValueError(f"only {len(used)} of {len(grays)} views are alike")


def _together(grays: Sequence[NDArray[np.uint8]], usable: Bools) -> Floats:
    """Bring all views to the light, place and sharpness of their median: (V, M, N)."""
    good = _start(grays, usable)
    for _ in range(2):
        good = np.median(_aligned(grays, good, usable), axis=0)
    return _aligned(grays, good, usable)


def _start(grays: Sequence[NDArray[np.uint8]], usable: Bools) -> Floats:
    """Give a first picture: the median of the views, each brought to one light."""
    values = np.stack(grays).astype(np.float32)
    inside = values[:, usable]
    mean, spread = inside.mean(axis=1), np.maximum(inside.std(axis=1), 1)
    level = (values - mean[:, None, None]) / spread[:, None, None]
    return (np.median(level, axis=0) * np.median(spread) + np.median(mean)).astype(np.float32)


def _aligned(grays: Sequence[NDArray[np.uint8]], good: Floats, usable: Bools) -> Floats:
    """Bring each view to the light, place and sharpness of the picture: (V, M, N)."""
    regression = BlockRegression.of(good, usable)
    out = np.empty((len(grays), *good.shape), np.float32)
    for k, gray in enumerate(grays):
        out[k] = good + regression.rest(gray)
    return out


def _model(
    grays: Sequence[NDArray[np.uint8]], aligned: Floats, usable: Bools
) -> tuple[Floats, Floats]:
    """Give the mean picture and the spread beyond noise of views about it."""
    good = aligned.mean(axis=0)
    again = _aligned(grays, good, usable)
    total = np.zeros(good.shape, np.float32)
    for one in again:
        left = one - good
        noise = 1.4826 * np.median(np.abs(left[usable][::17]))
        total += np.square(left) - np.float32(noise * noise)
    total = cv2.GaussianBlur(total, (0, 0), 0.8)
    variance = cv2.dilate(np.maximum(total / (len(again) - 1), 0), np.ones((3, 3), np.uint8))
    return good, np.sqrt(variance).astype(np.float32)


def _held_out(
    grays: Sequence[NDArray[np.uint8]], aligned: Floats, usable: Bools
) -> NDArray[np.float64]:
    """Judge each view by a print taught from the others: logs of the strongest difference."""
    logs = np.zeros(len(grays))
    folds = min(len(grays), MOST_FOLDS)
    for fold in range(folds):
        others = [k for k in range(len(grays)) if k % folds != fold]
        good, spread = _model([grays[k] for k in others], aligned[others], usable)
        taught = GoodPrint.of(good, spread, usable)
        for k in range(fold, len(grays), folds):
            logs[k] = np.log(max(taught.compare(grays[k], None).strongest, 1e-3))
    return logs


def _standing_out(logs: NDArray[np.float64]) -> list[int]:
    """Give the indices of scores far above the others."""
    middle = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - middle)))
    return [int(k) for k in np.flatnonzero(logs > middle + max(5 * spread, 0.5))]
