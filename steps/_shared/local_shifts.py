"""Take out slow local displacements of a print: a stretched, bent or creeping label.

At half scale, in blocks of 40 px, the shift of each block is told by `BlockRegression`; shifts are
then smoothed over the blocks, each weighed by how well its print tells it in each direction, and
the view is moved back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.block_regression import FIT_NOISE, HOLD, BlockRegression, blend

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

Level = TypeVar("Level", np.float32, np.uint8)

BLOCK = 40
"""Wanted side of a block at half scale [px]."""

BETWEEN = 0.25
"""How far the shifts of neighbouring blocks usually differ, at half scale [px]."""

ROUNDS = 2
"""Shifts are told, taken out and told again."""


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Pixels of a view of one scale, and how values of blocks are blended over them."""

    down: Floats
    across: Floats
    x: Floats
    y: Floats

    @classmethod
    def of(cls, shape: tuple[int, int], rows: int, columns: int) -> _Grid:
        y, x = np.indices(shape, np.float32)
        return cls(blend(shape[0], rows), blend(shape[1], columns).T.copy(), x, y)

    def moved(self, image: NDArray[Level], shifts: Floats) -> NDArray[Level]:
        """Move an image back by the (rows, columns, 2) shifts of blocks."""
        dx = self.down @ (shifts[..., 0] @ self.across)
        dy = self.down @ (shifts[..., 1] @ self.across)
        np.subtract(self.x, dx, out=dx)
        np.subtract(self.y, dy, out=dy)
        out = np.empty_like(image)
        cv2.remap(image, dx, dy, cv2.INTER_LINEAR, out, cv2.BORDER_REPLICATE)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class LocalShifts:
    """What is precomputed for one picture; made by `LocalShifts.of`, never changed."""

    half: BlockRegression
    """The picture at half scale, smoothed."""
    smoothing: NDArray[np.float64]
    """(2 B, 2 B) float64: from the shifts told by each block to a smooth field of shifts."""
    coarse: _Grid
    fine: _Grid

    @classmethod
    def of(cls, picture: Floats, usable: Bools) -> LocalShifts:
        """Precompute for a picture of grey levels, (M, N) float32; look where `usable`."""
        half = BlockRegression.of(_halved(picture), _inside(usable), BLOCK)
        rows, columns = half.down.shape[1], half.across.shape[0]
        told = np.linalg.inv(half.inverse[:, 2:4, 2:4]).astype(np.float64)
        seen = told - HOLD[2:4, 2:4]
        ties = np.kron(_ties(rows, columns), np.eye(2)) * (FIT_NOISE / BETWEEN) ** 2
        held = _diagonal(seen) + ties + np.eye(len(ties))
        return cls(
            half=half,
            smoothing=(np.linalg.inv(held) @ _diagonal(told)).astype(np.float64),
            coarse=_Grid.of(half.shape, rows, columns),
            fine=_Grid.of((picture.shape[0], picture.shape[1]), rows, columns),
        )

    def straightened(self, gray: NDArray[np.uint8], valid: Bools | None) -> NDArray[np.uint8]:
        """Give the view with its print moved to where the picture has it."""
        start = _halved(gray.astype(np.float32))
        inside = None if valid is None else _inside(valid)
        rows, columns = self.half.down.shape[1], self.half.across.shape[0]
        shifts = np.zeros((rows, columns, 2), np.float32)
        moved = start
        for n in range(ROUNDS):
            found = self.half.fit(moved, inside)
            told = found[:, 2:4] / np.maximum(found[:, :1], 0.5)
            shifts += (self.smoothing @ told.ravel()).reshape(shifts.shape).astype(np.float32)
            if n < ROUNDS - 1:
                moved = self.coarse.moved(start, shifts)
        return self.fine.moved(gray, 2 * shifts)


def _halved(image: Floats) -> Floats:
    """Give an image at half scale, smoothed a little so that shifts of a pixel are told."""
    height, width = image.shape
    size = max(1, width // 2), max(1, height // 2)
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    out = np.empty(small.shape, np.float32)
    cv2.GaussianBlur(small, (0, 0), 1.0, out)
    return out


def _inside(usable: Bools) -> Bools:
    """Say at half scale where everything that smoothing reaches is usable."""
    height, width = usable.shape
    size = max(1, width // 2), max(1, height // 2)
    share = cv2.resize(usable.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return cv2.erode(share, np.ones((5, 5), np.uint8)) > 0


def _ties(rows: int, columns: int) -> NDArray[np.float64]:
    """Give the (B, B) matrix whose form sums the squared differences of neighbouring blocks."""
    numbers = np.arange(rows * columns).reshape(rows, columns)
    pairs = [
        *zip(numbers[:, 1:].ravel(), numbers[:, :-1].ravel(), strict=True),
        *zip(numbers[1:].ravel(), numbers[:-1].ravel(), strict=True),
    ]
    out = np.zeros((rows * columns, rows * columns))
    for one, other in pairs:
        out[one, one] += 1
        out[other, other] += 1
        out[one, other] -= 1
        out[other, one] -= 1
    return out


def _diagonal(blocks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Set (B, 2, 2) blocks along the diagonal of a (2 B, 2 B) matrix."""
    out = np.zeros((len(blocks), 2, len(blocks), 2))
    every = np.arange(len(blocks))
    out[every, :, every] = blocks
    return out.reshape(2 * len(blocks), 2 * len(blocks))
