"""One item in its cell: found by its structure, then compared block by block in level and colour.

Works on a view reduced so that an item is some 64 pixels wide. `structure` is grey less its own
blur; `tints` are logarithms of level and of colour ratios, so light is a sum that can be taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.line_fan import middle_value

Floats = NDArray[np.float32]

BLOCK_PX = 4
"""Side of the blocks that are compared [px]."""
TURN_STEP_DEG = 3.0
"""Distance between the turns tried first [deg]."""
ROUNDS = 5
"""Steps of the fine fit."""
FAR_PX = 6.0
"""Move of a corner beyond which the fine fit is not believed [px]."""


def structure_of(gray: NDArray[np.uint8], item_px: float) -> Floats:
    """Grey less its blur over a fifth of an item, (M, N): print and outlines without shading."""
    level = gray.astype(np.float32)
    return np.asarray(level - cv2.GaussianBlur(level, (0, 0), max(2.0, item_px / 5)), np.float32)


def tints_of(pixels: NDArray[np.uint8]) -> Floats:
    """Log of level, and for colour log red/green and log blue/green, (M, N, 1 or 3)."""
    table = np.log(np.arange(256, dtype=np.float32) + np.float32(8)).astype(np.float32)
    logs: Floats = table[pixels]
    if logs.ndim == 2:
        return logs[:, :, None]
    red, green, blue = logs[:, :, 0], logs[:, :, 1], logs[:, :, 2]
    tints = [(red + green + blue) / 3, red - green, blue - green]
    return np.asarray(np.stack(tints, axis=2), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """A taught item, prepared for the search."""

    structure: Floats
    """(h, w) mean structure of good items."""
    weight: Floats
    """(h, w) weight of its pixels, 0 to 1: low where neighbours and shadows get in."""
    turned: tuple[tuple[float, Floats], ...]
    """Half-size structure at each turn that is tried first, with the turn [deg]."""
    moves: Floats
    """(5, h w) gives the turn, the two shifts, gain and offset of a small move."""


def prepared_item(structure: Floats, weight: Floats, max_turn: float, either_way: bool) -> Item:
    """Prepare the search for an item.

    Parameters
    ----------
    structure : (h, w) float32
        Mean structure of good items.
    weight : (h, w) float32
        Weight of its pixels.
    max_turn : float
        Largest turn [deg].
    either_way : bool
        Whether the item may also lie the other way round.

    Returns
    -------
    Item
    """
    h, w = structure.shape
    half = np.asarray(
        cv2.resize(structure, (max(w // 2, 4), max(h // 2, 4)), interpolation=cv2.INTER_AREA),
        np.float32,
    )
    count = 2 * math.ceil(max_turn / TURN_STEP_DEG - 0.25) + 1 if max_turn > 0 else 1
    turns = np.linspace(-max_turn, max_turn, count) if count > 1 else np.zeros(1)
    ways = (0.0, 180.0) if either_way else (0.0,)
    turned = [(float(t) + way, rotated(half, float(t) + way)) for way in ways for t in turns]
    gy, gx = np.gradient(structure.astype(np.float64))
    y, x = np.mgrid[:h, :w] - np.array([(h - 1) / 2, (w - 1) / 2])[:, None, None]
    one = np.ones_like(gx)
    shape = np.stack([gy * x - gx * y, gx, gy, structure, one]).reshape(5, -1)
    weighed = shape * weight.reshape(1, -1)
    power = float((weight * structure.astype(np.float64) ** 2).sum()) / max(h, w) ** 2
    damp = np.diag([power * h * w / 4, power, power, 0, 0])
    normal = weighed @ shape.T + 0.1 * damp + 1e-6 * np.eye(5)
    moves = np.linalg.solve(normal, weighed).astype(np.float32)
    return Item(structure, weight, tuple(turned), moves)


def rotated(part: Floats, turn: float) -> Floats:
    """Turn a picture about its middle, same size."""
    if turn == 0:
        return part
    h, w = part.shape
    matrix = cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), turn, 1)
    taken = cv2.warpAffine(part, matrix, (w, h), borderMode=cv2.BORDER_REFLECT)
    return np.asarray(taken, np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where an item lies: `matrix` (2, 3) maps its pixels, from its middle, to the view."""

    matrix: NDArray[np.float64]
    match: float
    """Correlation of its structure with the taught one, -1 to 1."""


def taken_at(view: Floats, matrix: NDArray[np.float64], size: tuple[int, int]) -> Floats:
    """Sample an (h, w) item out of a view of any number of channels."""
    h, w = size
    middle = np.array([[1, 0, -(w - 1) / 2], [0, 1, -(h - 1) / 2], [0, 0, 1]])
    taken = cv2.warpAffine(
        view,
        matrix @ middle,
        (w, h),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(taken, np.float32)


def correlation(a: Floats, item: Item) -> float:
    """Weighted correlation of a picture with an item, 0 where one is flat."""
    w, b = item.weight, item.structure
    total = float(w.sum())
    a = a - float((w * a).sum()) / total
    b = b - float((w * b).sum()) / total
    wa = w * a
    power = float((wa * a).sum()) * float((w * b * b).sum())
    return float((wa * b).sum()) / math.sqrt(power) if power > 1e-6 else 0.0


def find_item(
    structure: Floats, halved: Floats, item: Item, middle: tuple[float, float], reach: float
) -> Place:
    """Find an item near its nominal place.

    First every turn at half size by normalised correlation, then least squares for turn, shift,
    gain and offset at once; a fine fit that runs away is not taken.

    Parameters
    ----------
    structure, halved : (M, N), (M / 2, N / 2) float32
        Structure of the view.
    item : Item
        What is looked for.
    middle : (float, float)
        Nominal x, y of its middle [px].
    reach : float
        How far it may be off [px].

    Returns
    -------
    Place
    """
    h, w = item.structure.shape
    first = coarse_place(halved, item, middle, reach)
    best = Place(first, correlation(taken_at(structure, first, (h, w)), item))
    corners = np.array([[-w / 2, w / 2, -w / 2, w / 2], [-h / 2, -h / 2, h / 2, h / 2], [1] * 4])
    matrix = first
    for _ in range(ROUNDS):
        taken = taken_at(structure, matrix, (h, w))
        turn, right, down, gain, _ = (float(v) for v in item.moves @ taken.ravel())
        if gain < 0.1 or abs(turn) > 0.5 * gain:
            break
        turn = math.atan(turn / gain)
        c, s = math.cos(turn), math.sin(turn)
        whole = np.array([[c, -s, right / gain], [s, c, down / gain], [0, 0, 1]])
        matrix = matrix @ np.linalg.inv(whole)
        if np.abs((matrix - first) @ corners).max() > FAR_PX:
            break
        match = correlation(taken_at(structure, matrix, (h, w)), item)
        if match > best.match:
            best = Place(matrix, match)
    return best


def coarse_place(
    halved: Floats, item: Item, middle: tuple[float, float], reach: float
) -> NDArray[np.float64]:
    """Place of the best of the turns tried at half size, (2, 3)."""
    h, w = item.turned[0][1].shape
    pad = math.ceil(reach / 2)
    x0, y0 = middle[0] / 2 - 0.25 - (w - 1) / 2 - pad, middle[1] / 2 - 0.25 - (h - 1) / 2 - pad
    window = cv2.warpAffine(
        halved,
        np.array([[1, 0, x0], [0, 1, y0]]),
        (w + 2 * pad, h + 2 * pad),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    best, turn, at = -2.0, 0.0, (pad, pad)
    for angle, part in item.turned:
        score = cv2.matchTemplate(window, part, cv2.TM_CCOEFF_NORMED)
        _, top, _, where = cv2.minMaxLoc(np.where(np.isfinite(score), score, 0).astype(np.float32))
        if top > best:
            best, turn, at = top, angle, (int(where[0]), int(where[1]))
    x = 2 * (x0 + at[0] + (w - 1) / 2) + 0.5
    y = 2 * (y0 + at[1] + (h - 1) / 2) + 0.5
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return np.array([[c, s, x], [-s, c, y]])


def block_shape(h: int, w: int) -> tuple[int, int]:
    """Rows and columns of the blocks of an (h, w) picture."""
    return max(2, round(h / BLOCK_PX)), max(2, round(w / BLOCK_PX))


def blocks_of(picture: Floats) -> Floats:
    """Mean over blocks, (B, C), of an (h, w, C) picture."""
    rows, columns = block_shape(*picture.shape[:2])
    means = cv2.resize(picture, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(means, np.float32).reshape(rows * columns, -1)


def block_places(h: int, w: int) -> NDArray[np.float64]:
    """Middles of the blocks from the middle of an (h, w) picture, (B, 2) as x, y [px]."""
    rows, columns = block_shape(h, w)
    x = (np.arange(columns) + 0.5) * w / columns - w / 2
    y = (np.arange(rows) + 0.5) * h / rows - h / 2
    return np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)


def light_over(
    places: NDArray[np.float64],
    off: NDArray[np.float64],
    weight: NDArray[np.float64],
    bounds: tuple[float, ...],
    sloped: bool,
) -> NDArray[np.float64]:
    """Level and slope of the light, robustly, from how far all blocks are off.

    Parameters
    ----------
    places : (K, 2)
        x, y from the middle of the view, in half widths.
    off, weight : (K, C)
        Difference of each block's tints from the taught ones, and its weight.
    bounds : C floats
        Largest light that is believed: what is beyond is left in the blocks, so that a view without
        any item cannot pass as a dim one.
    sloped : bool
        Whether the light may fall off across the view.

    Returns
    -------
    (K, C)
        Light at each block.
    """
    basis = np.column_stack([np.ones(len(places)), places]) if sloped else np.ones((len(off), 1))
    light = np.empty_like(off)
    counted = weight[:, 0] > 0
    if not counted.any():
        return np.zeros_like(off)
    for c, bound in enumerate(bounds):
        w0, mine = weight[:, c] + 1e-9, off[:, c]
        fit: NDArray[np.float64] = np.zeros(basis.shape[1])
        fit[0] = middle_value(mine[counted])
        for _ in range(3):
            away = mine - basis @ fit
            u = away / (4.7 * max(1.4826 * middle_value(np.abs(away[counted])), 0.01))
            w = w0 * np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0) + 1e-12
            weighed = (basis * w[:, None]).T
            normal = weighed @ basis + 1e-9 * w.sum() * np.eye(basis.shape[1])
            fit = np.asarray(np.linalg.solve(normal, weighed @ mine), np.float64)
        fit[0] = np.clip(fit[0], -bound, bound)
        fit[1:] = np.clip(fit[1:], -bound / 2, bound / 2)
        light[:, c] = basis @ fit
    return light
