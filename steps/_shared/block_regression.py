"""Explain a view by a known picture, block by block, so that only real differences are left.

First the light over the whole view is fitted (a gain that varies slowly, one offset) and taken
out. Grey levels near a place are then ``c0 M + c1 + c2 M_x + c3 M_y + c4 L1 + c5 L2``: the picture
M, a constant, its slopes and its Laplacians at two scales. One linear fit so takes out what is
left of gain and offset, a sub-pixel shift and a change of sharpness. Coefficients are fitted in
blocks and blended between their middles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

BLOCK = 80
"""Wanted side of a block [px]."""

STRIDE = 2
"""Every so many pixels each way are used in the fit."""

# In the order of the terms: gain [ratio], offset [grey levels], shifts [px], blur [px2].
EXPECTED = np.array([1.0, 0.0, 0.0, 0.0, 0.0, 0.0])
USUAL = np.array([0.05, 5.0, 0.5, 0.5, 1.0, 1.0])
"""How far blocks usually stray from the expected."""
FARTHEST = np.array([0.2, 25.0, 0.8, 0.8, 3.0, 3.0])
"""How far they ever may: what is missing must not be taken for a lack of light."""
FIT_NOISE = 15.0
"""What fits are held against: noise that hangs together over many pixels [grey levels]."""
HOLD = np.diag((FIT_NOISE / USUAL) ** 2)
"""Weight of the expected in the fit."""

LEAST_SMOOTHED, MOST_SMOOTHED = 0.2, 4.0
"""Variance of blur between which a view sharper than the picture is smoothed [px2]."""

FULL = 255.0
"""Where a camera's scale ends [grey levels]."""


@dataclass(frozen=True, slots=True, eq=False)
class BlockRegression:
    """What is precomputed for one picture; made by `BlockRegression.of`, never changed."""

    terms: Floats
    """(K, M, N) float32: the picture and what is derived from it."""
    where: NDArray[np.intp]
    """(B, P) places of each block's samples in the flattened view; blocks short of P repeat."""
    weight: Floats
    """(B, P) float32: 1 for a sample, 0 for padding."""
    samples: Floats
    """(B, K, P) float32: the terms at the samples, 0 in padding."""
    inverse: NDArray[np.float64]
    """(B, K, K) float64: inverse of the normal equations with the hold."""
    down: Floats
    """(M, rows of blocks) float32: blends from block rows to rows."""
    across: Floats
    """(columns of blocks, N) float32: blends from block columns to columns."""

    @classmethod
    def of(cls, picture: Floats, usable: Bools, block: int = BLOCK) -> BlockRegression:
        """Precompute for a picture of grey levels, (M, N) float32; fit where `usable`."""
        terms = _terms(picture)
        height, width = picture.shape
        rows, columns = max(1, round(height / block)), max(1, round(width / block))
        where, weight = _samples(usable, rows, columns)
        samples = terms.reshape(len(terms), -1)[:, where].transpose(1, 0, 2) * weight[:, None]
        normal = np.matmul(samples, samples.transpose(0, 2, 1)).astype(np.float64)
        return cls(
            terms=terms,
            where=where,
            weight=weight,
            samples=samples,
            inverse=_inverse(normal),
            down=blend(picture.shape[0], rows),
            across=blend(picture.shape[1], columns).T.copy(),
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the picture."""
        return self.terms.shape[1], self.terms.shape[2]

    def rest(self, gray: NDArray[np.uint8], valid: Bools | None = None) -> tuple[Floats, float]:
        """Give what the picture does not explain of a view.

        Parameters
        ----------
        gray : (M, N) uint8
            The view.
        valid : (M, N) bool, optional
            Where the view may be used; by default wherever the picture was usable.

        Returns
        -------
        left : (M, N) float32
            What is left, in grey levels of the picture.
        smoothed : float
            Variance of the blur given to a view that is sharper than the picture [px2]: sharpness
            can be taken from a view but not added to a picture.
        """
        even, full, found = self._fitted(gray, valid)
        smoothed = 0.0
        for _ in range(2):
            sharper = min(self._sharper(found), MOST_SMOOTHED - smoothed)
            if sharper < LEAST_SMOOTHED:
                break
            smoothed += sharper
            smooth = np.empty(gray.shape, np.float32)
            cv2.GaussianBlur(gray.astype(np.float32), (0, 0), math.sqrt(smoothed), smooth)
            even, full, found = self._fitted(smooth, valid)
        return self._residual(even, full, found), smoothed

    def _sharper(self, found: NDArray[np.float64]) -> float:
        """Give by how much variance of blur a view is sharper than the picture [px2].

        Blur by a variance v adds v / 2 of the Laplacian; blocks count by how well they tell it.
        """
        told = 1 / self.inverse[:, 4:6, 4:6].sum(axis=(1, 2))
        weight = np.maximum(told - told.min(), 1e-9)
        return -2 * float((weight * found[:, 4:6].sum(axis=1)).sum() / weight.sum())

    def fit(self, gray: NDArray[np.uint8] | Floats, valid: Bools | None) -> NDArray[np.float64]:
        """Give the coefficients of each block for a view, (B, K) float64."""
        return self._fitted(gray, valid)[2]

    def _fitted(
        self, gray: NDArray[np.uint8] | Floats, valid: Bools | None
    ) -> tuple[Floats, Floats, NDArray[np.float64]]:
        """Give the view without the light over it, full scale, and the coefficients."""
        weight = self.weight if valid is None else self.weight * valid.ravel()[self.where]
        even, full = self._evened(gray, weight)
        return even, full, self._coefficients(even, full, weight)

    def _evened(self, gray: NDArray[np.uint8] | Floats, weight: Floats) -> tuple[Floats, Floats]:
        """Take out the light over the whole view; gives the view and full scale, (M, N) each."""
        gain, offset = self._light(gray, weight)
        height, width = self.shape
        y = np.linspace(-1, 1, height)
        x = np.linspace(-1, 1, width)
        of_rows = np.column_stack(
            [
                gain[0] + gain[2] * y + gain[5] * y**2,
                gain[1] + gain[4] * y,
                np.full(height, gain[3]),
            ]
        )
        of_columns = np.stack([np.ones(width), x, x**2])
        light = of_rows.astype(np.float32) @ of_columns.astype(np.float32)
        inverse = np.reciprocal(np.maximum(light, 0.05, out=light), out=light)
        even = gray.astype(np.float32)
        even -= np.float32(offset)
        even *= inverse
        inverse *= np.float32(FULL - offset)
        return even, inverse

    def _light(
        self, gray: NDArray[np.uint8] | Floats, weight: Floats
    ) -> tuple[NDArray[np.float64], float]:
        """Fit the light over the whole view: six gains (1, x, y, xx, xy, yy) and an offset."""
        every = slice(None, None, 24)
        used = weight[:, every].ravel() > 0
        place = self.where[:, every].ravel()[used]
        model = self.samples[:, 0, every].ravel()[used].astype(np.float64)
        value = gray.ravel()[place].astype(np.float64)
        if len(model) < 20:
            return np.array([1.0, 0, 0, 0, 0, 0]), 0.0
        height, width = self.shape
        y, x = 2 * (place // width) / height - 1, 2 * (place % width) / width - 1
        over = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y])
        design = np.vstack([model * over, np.full(len(model), 100.0)]).T
        start = np.zeros(7)
        start[0] = _ratio(value, model)
        hold = np.diag([1e-5, *[1e-2] * 6]) * 0.05 * 128.0**2 * len(model)
        use = np.ones(len(model))
        light: NDArray[np.float64] = start
        for _ in range(4):
            weighed = design * use[:, None]
            right = weighed.T @ value + hold @ start
            light = np.linalg.solve(design.T @ weighed + hold, right).astype(np.float64)
            fit = design @ light
            far = np.abs(value - fit)
            use = np.minimum(1.0, (2.0 * float(np.median(far)) + 1.0) / np.maximum(far, 1e-6))
            use[(value > FULL - 8) & (fit > FULL - 8)] = 0.0
            if use.sum() < 20:
                break
        offset = 100.0 * float(light[6])
        if abs(offset) > FARTHEST[1]:
            # No veil of light is that strong: print is missing; believe the paper.
            offset = math.copysign(FARTHEST[1], offset)
            return np.array([_ratio(value - offset, model), 0, 0, 0, 0, 0]), offset
        return light[:6], offset

    def _coefficients(
        self, even: Floats, full: Floats, weight: Floats, rounds: int = 3
    ) -> NDArray[np.float64]:
        """Fit each block, (B, K) float64; what strays far is drawn in, so no defect can steer."""
        seen = even.ravel()[self.where]
        limit = full.ravel()[self.where]
        whole = weight is self.weight
        inverse = self.inverse if whole else self._inverse_for(weight)
        steer = seen
        found = np.tile(EXPECTED, (len(seen), 1))
        for n in range(rounds):
            used = steer if whole else steer * weight
            moment = np.matmul(self.samples, used[..., None])[..., 0] + HOLD @ EXPECTED
            found = np.matmul(inverse, moment[..., None])[..., 0]
            fit = self._held(found, seen, weight)
            if n < rounds - 1:
                left = seen - fit
                most = 3.7 * _median_of_blocks(np.abs(left), weight) + 2
                steer = fit + np.clip(left, -most, most)
                # Light that the camera cannot tell apart must not flatten the fit.
                blind = (fit > limit - most) & (seen > limit - most)
                if blind.any():
                    steer = np.where(blind, fit, steer)
        return found

    def _held(self, found: NDArray[np.float64], seen: Floats, weight: Floats) -> Floats:
        """Hold coefficients within their farthest, in place; gives the fit at the samples."""
        strays = (np.abs(found - EXPECTED) > FARTHEST).any(axis=1)
        np.clip(found, EXPECTED - FARTHEST, EXPECTED + FARTHEST, out=found)
        fit = np.matmul(found.astype(np.float32)[:, None], self.samples)[:, 0]
        if strays.any():
            level = _median_of_blocks((seen - fit)[strays], weight[strays])[:, 0]
            offset = np.clip(found[strays, 1] + level, -FARTHEST[1], FARTHEST[1])
            fit[strays] += (offset - found[strays, 1]).astype(np.float32)[:, None]
            found[strays, 1] = offset
        return fit

    def _inverse_for(self, weight: Floats) -> NDArray[np.float64]:
        """Give the inverses for a view of which some samples may not be used."""
        short = np.flatnonzero((weight != self.weight).any(axis=1))
        inverse = self.inverse.copy()
        for block in short:
            used = self.samples[block] * weight[block]
            inverse[block] = _inverse((used @ self.samples[block].T).astype(np.float64))
        return inverse

    def _residual(self, even: Floats, full: Floats, found: NDArray[np.float64]) -> Floats:
        """Give what the fit leaves of a view, (M, N) float32."""
        rows, columns = self.down.shape[1], self.across.shape[0]
        maps = found.astype(np.float32).reshape(rows, columns, -1)
        left = np.empty(self.shape, np.float32)
        height = 64
        for top in range(0, len(left), height):
            part = slice(top, top + height)
            strip = self.down[part]
            fit = np.zeros((len(strip), left.shape[1]), np.float32)
            for k in range(len(self.terms)):
                blended = strip @ (maps[..., k] @ self.across)
                cv2.accumulateProduct(self.terms[k, part], blended, fit)
            np.subtract(even[part], fit, out=left[part])
            _allow_for_full_scale(left[part], fit, full[part])
        return left


def _allow_for_full_scale(left: Floats, fit: Floats, full: Floats) -> None:
    """Compare, in place, with what is left of a fit once noise is cut off at full scale.

    The mean of min(X, full) for normal X about `fit` lies below `fit` by ``noise * h(t)`` with
    ``t = (full - fit) / noise`` and ``h(t) = pdf(t) - t * (1 - cdf(t))``.
    """
    noise = 1.4826 * float(np.median(np.abs(left[::5, ::7]))) + 0.3
    near = np.flatnonzero(fit > full - 3 * noise)
    if not len(near):
        return
    t = (full.ravel()[near] - fit.ravel()[near]) / noise
    left.reshape(-1)[near] += noise * np.interp(t, *_CUT_OFF).astype(np.float32)


def _cut_off() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Tabulate h(t) of `_allow_for_full_scale`; linear with slope -1 far below 0."""
    t = np.concatenate([[-1000.0], np.linspace(-5, 3, 161)])
    density = np.exp(-(t**2) / 2) / math.sqrt(2 * math.pi)
    above = np.array([0.5 * math.erfc(v / math.sqrt(2)) for v in t])
    return t, density - t * above


_CUT_OFF = _cut_off()


def _terms(picture: Floats) -> Floats:
    """Derive the terms of a picture."""
    slope = np.array([[-0.5, 0, 0.5]], np.float32)
    fine = cv2.Laplacian(cv2.GaussianBlur(picture, (0, 0), 0.7), cv2.CV_32F)
    coarse = cv2.Laplacian(cv2.GaussianBlur(picture, (0, 0), 1.6), cv2.CV_32F)
    across = cv2.filter2D(picture, -1, slope)
    down = cv2.filter2D(picture, -1, slope.T)
    terms = [picture, np.ones_like(picture), across, down, fine, coarse]
    return np.stack(terms).astype(np.float32)


def _inverse(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Invert normal equations, (..., K, K), with the hold."""
    return np.linalg.inv(normal + HOLD).astype(np.float64)


def _samples(usable: Bools, rows: int, columns: int) -> tuple[NDArray[np.intp], Floats]:
    """Choose the samples of each block: every second pixel of every second row, staggered."""
    height, width = usable.shape
    lattice = np.zeros(usable.shape, bool)
    lattice[::STRIDE, ::STRIDE] = True
    lattice[STRIDE :: 2 * STRIDE] = np.roll(lattice[STRIDE :: 2 * STRIDE], 1, axis=1)
    lattice &= usable
    y = [round(k * height / rows) for k in range(rows + 1)]
    x = [round(k * width / columns) for k in range(columns + 1)]
    numbers: NDArray[np.intp] = np.arange(height * width, dtype=np.intp).reshape(height, width)
    chosen: list[NDArray[np.intp]] = []
    for a, b in pairwise(y):
        for c, d in pairwise(x):
            chosen.append(numbers[a:b, c:d][lattice[a:b, c:d]])
    most = max(1, max(len(c) for c in chosen))
    where = np.zeros((len(chosen), most), np.intp)
    weight = np.zeros((len(chosen), most), np.float32)
    for k, places in enumerate(chosen):
        where[k, : len(places)] = places
        weight[k, : len(places)] = 1
    return where, weight


def blend(length: int, blocks: int) -> Floats:
    """Give the (length, blocks) weights that blend block values along one direction."""
    place = (np.arange(length) + 0.5) / length * blocks - 0.5
    far = np.abs(np.clip(place, 0, blocks - 1)[:, None] - np.arange(blocks))
    return np.maximum(0, 1 - far).astype(np.float32)


def _ratio(value: NDArray[np.float64], model: NDArray[np.float64]) -> float:
    """Give the gain that the medians tell."""
    return max(0.05, float(np.median(value)) / max(float(np.median(model)), 1.0))


def _median_of_blocks(values: Floats, weight: Floats) -> Floats:
    """Give the median of each block's samples that count, (B, 1); 0 where none does."""
    values, weight = values[:, ::5], weight[:, ::5]
    if weight.all():
        return np.median(values, axis=1, keepdims=True)
    ordered = np.sort(np.where(weight > 0, values, np.inf), axis=1)
    count = (weight > 0).sum(axis=1, keepdims=True)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=1)
    return np.where(count > 0, middle, 0).astype(np.float32)
