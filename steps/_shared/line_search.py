"""Where a line of characters may lie on an image: the first look, small and coarse."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from steps._shared.glyphs import Ink
from steps._shared.text_line import COARSE_HEIGHT, Floats, Ints, TextLine, coarse_size


@dataclass(frozen=True, slots=True)
class Start:
    """One place where the line may lie, on the small image."""

    score: float
    stretch: float
    turn: float
    x: float
    y: float


def starts(
    image: Ink, line: TextLine, *, stretch: float, turn_deg: float, count: int = 3
) -> list[tuple[Floats, Ints]]:
    """Give the best few places of a line, best first, with the likeliest shape at each place.

    Parameters
    ----------
    image : ndarray
        (M, N) float32, larger where there is ink, at the scale of the line's shapes.
    line : TextLine
        The line.
    stretch : float
        How much longer or shorter the line may be [fraction].
    turn_deg : float
        How far the line may be turned either way [deg].
    count : int
        How many places to give at most [count].

    Returns
    -------
    list of (matrix, rows)
        (2, 3) line coordinates to pixels of the image, and (P,) shapes.

    Notes
    -----
    Each shape is correlated once with the small image; for every stretch and turn the maps are
    summed at the line's places, for all places of the line at once.
    """
    size = coarse_size(image.shape, line.factor)
    small = image
    if line.factor < 1:
        small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.float32)
    scale = (small.shape[1] / image.shape[1], small.shape[0] / image.shape[0])
    maps = _maps(small, line.coarse)
    found = _summed(maps, line, scale[0], stretch, math.radians(turn_deg))
    kept: list[Start] = []
    for start in sorted(found, key=lambda s: -s.score):
        if all(abs(start.x - k.x) + abs(start.y - k.y) > 2 for k in kept):
            kept.append(start)
        if len(kept) == count:
            break
    return [_placed(line, start, maps, scale) for start in kept]


def _maps(small: Ink, shapes: Ink) -> Ink:
    """Correlate each shape (mean 0, norm 1) with every place of the image: (R, M, N).

    Ground that shows next to nothing counts as nothing: a floor on the spread keeps noise down.
    """
    _, height, width = shapes.shape
    edges = ((height // 2, (height - 1) // 2), (width // 2, (width - 1) // 2))
    wide = np.pad(small - np.float32(small.mean()), edges, mode="edge")
    cut = np.asarray(sliding_window_view(wide, (height, width))).reshape(*small.shape, -1)
    low, high = np.quantile(small, (0.05, 0.99))
    floor = (0.12 * float(high - low) + 0.5) ** 2 * height * width
    mean = cut @ np.full(height * width, 1 / (height * width), np.float32)
    spread = np.square(cut).sum(axis=2) - mean * mean * (height * width)
    # One product for each row of the image: small enough to stay in one thread.
    maps = cut @ shapes.reshape(len(shapes), -1).T
    maps /= np.sqrt(np.maximum(spread, 0) + np.float32(floor))[:, :, None]
    return np.ascontiguousarray(maps.transpose(2, 0, 1), np.float32)


def _steps(reach: float, step: float) -> Floats:
    """Give evenly spaced values over -reach..reach, at most `step` apart."""
    count = math.ceil(reach / step) if reach > 0 else 0
    return np.linspace(-reach, reach, 2 * count + 1)


def _summed(maps: Ink, line: TextLine, scale: float, stretch: float, turn: float) -> list[Start]:
    """Sum the maps at the line's places: the best place for every stretch and turn."""
    rows, columns = maps.shape[1:]
    length = line.length * scale
    half = max(1.0, length / 2)
    places = np.stack([maps[r].max(axis=0) if len(r) > 1 else maps[r[0]] for r in line.coarse_rows])
    reach_x = max(3, math.ceil((columns - length * (1 - stretch)) / 2) + 2)
    reach_y = max(2, math.ceil(rows / 2 - 0.35 * COARSE_HEIGHT))
    rise = math.ceil(half * (1 + stretch) * math.tan(turn)) + 1
    pad_x = math.ceil(half * (1 + stretch)) + reach_x + 1
    wide = np.pad(places, ((0, 0), (reach_y + rise, reach_y + rise), (pad_x, pad_x)))
    area, width = wide.shape[1] * wide.shape[2], wide.shape[2]
    start = (rows // 2 + rise) * width + columns // 2 + pad_x - reach_x
    corner = np.arange(len(places)) * area + start
    grid = np.arange(2 * reach_y + 1)[:, None] * width + np.arange(2 * reach_x + 1)
    flat, found = wide.ravel(), list[Start]()
    angles = _steps(turn, 1.6 / half)
    for along in _steps(stretch, 1.1 / half):
        dx = line.middles * scale * (1 + along)
        off = np.rint(np.tan(angles)[:, None] * dx).astype(np.int64) * width
        off += np.rint(dx).astype(np.int64) + corner
        total = np.asarray(flat[off[:, :, None] + grid.ravel()].sum(axis=1), np.float32)
        for angle, one in zip(angles.tolist(), total, strict=True):
            at = int(one.argmax())
            y, x = divmod(at, grid.shape[1])
            x_at, y_at = x - reach_x + columns // 2, y - reach_y + rows // 2
            found.append(Start(float(one[at]), float(along), angle, x_at, y_at))
    return found


def _placed(
    line: TextLine, start: Start, maps: Ink, scale: tuple[float, float]
) -> tuple[Floats, Ints]:
    """Turn a coarse find into a matrix and the likeliest shape at each place."""
    long, (cos, sin) = 1 + start.stretch, (math.cos(start.turn), math.sin(start.turn))
    matrix = np.array(
        [
            [long * cos, -sin, (start.x + 0.5) / scale[0] - 0.5],
            [long * sin, cos, (start.y + 0.5) / scale[1] - 0.5],
        ]
    )
    dx = line.middles * scale[0] * long
    at_x = np.rint(start.x + dx).astype(np.int64).clip(0, maps.shape[2] - 1)
    at_y = np.rint(start.y + dx * math.tan(start.turn)).astype(np.int64).clip(0, maps.shape[1] - 1)
    rows = [
        int(r[0]) if len(r) == 1 else int(r[int(maps[c, y, x].argmax())])
        for r, c, y, x in zip(line.allowed, line.coarse_rows, at_y, at_x, strict=True)
    ]
    return matrix, np.array(rows, np.int64)
