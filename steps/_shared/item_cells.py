"""A tray of cells: the taught look of its items, and how each cell of a view compares with it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.item_match import (
    Floats,
    Item,
    Place,
    block_places,
    blocks_of,
    find_item,
    light_over,
    prepared_item,
    structure_of,
    taken_at,
    tints_of,
)
from steps.contract import NotMeasured, View

FORMAT = 1
"""Number of the layout of a taught file."""
ITEM_PX = 56
"""Pixels along the smaller side of a compared item, unless the view has fewer."""
SEARCH_SHARE = 0.125
"""How far items may lie off where it is not said, as a share of the cell's smaller side."""
LIGHT_BOUNDS = (0.3, 0.06, 0.06)
"""Largest change of level, red/green and blue/green that is put down to the light [log]."""
SPREAD_FLOORS = (0.02, 0.01, 0.01)
"""Blocks of good items are never taken to lie closer together than this [log]."""
SURFACE_TOLERANCE = (0.25, 0.12, 0.12)
"""How far the median tints of a cell may be off for its surface to count as an item's [log]."""
SCORE_FLOOR = 0.04
"""Scores of good items are never taken to lie closer together than this."""
CLIP = 30.0
"""Largest difference of one block that counts [spreads]."""
DARKEST_SATURATED = 253
"""Pixels this bright in any channel tell neither level nor colour [grey levels]."""
LEAST_USABLE = 0.3
"""Share of an item's blocks that must be neither hidden nor saturated."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell, in mm from the top left corner of the region."""

    name: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A view reduced to the working scale."""

    structure: Floats
    halved: Floats
    tints: Floats
    """(M, N, C + 1): tints, and last the share of usable pixels."""


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """What a view gives."""

    gray: NDArray[np.uint8]
    pixels: NDArray[np.uint8]
    """The colour image, or the grey one."""
    usable: NDArray[np.uint8]
    """(M, N) 1 where pixels are neither masked nor saturated."""
    mm_per_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """The taught look of one cell."""

    structure: Floats
    """(h, w) mean structure."""
    weight: Floats
    """(h, w) weight of its pixels in the search."""
    tints: NDArray[np.float64]
    """(B, C) mean tints of the blocks."""
    spread: NDArray[np.float64]
    """(B, C) spread of them."""
    surface: NDArray[np.float64]
    """(C,) median tints of the cell, not moved with the item."""
    match: float
    """Usual correlation of good items."""
    score: NDArray[np.float64]
    """(G,) mean score (level, colour) of good items that did not make the model."""
    score_spread: NDArray[np.float64]
    """(G,) spread of them."""


@dataclass(frozen=True, slots=True, eq=False)
class CellLook:
    """How one cell of a view compares."""

    match: float
    usual_match: float
    surface: bool
    """Whether its median level and colour are those of an item."""
    difference: float
    """On the scale of good items [good spreads]."""
    outline: NDArray[np.float64]
    """(4, 2) corners of the item in the view [px]."""


@dataclass(frozen=True, slots=True, eq=False)
class Tray:
    """Everything taught, prepared for the search."""

    cells: tuple[Cell, ...]
    region_mm: tuple[float, float]
    size: tuple[int, int]
    """Rows and columns of the reduced view."""
    compared: float
    reach: float
    """How far items may lie off [px of the reduced view]."""
    looks: tuple[Look, ...]
    items: tuple[Item, ...]
    colored: bool

    @classmethod
    def loaded(
        cls,
        arrays: Mapping[str, NDArray[Any]],
        *,
        search_mm: float | None,
        max_turn: float,
        either_way: bool,
    ) -> Tray:
        """Read a taught file."""
        width, height = (float(v) for v in arrays["region_mm"])
        rows, columns = (int(v) for v in arrays["size"])
        names = [str(n) for n in arrays["names"]]
        cells = tuple(
            Cell(name, *(float(v) for v in box))
            for name, box in zip(names, arrays["cells_mm"], strict=True)
        )
        looks = tuple(
            Look(
                np.asarray(arrays[f"structure_{i}"], np.float32),
                np.asarray(arrays[f"weight_{i}"], np.float32),
                np.asarray(arrays[f"tints_{i}"], np.float64),
                np.asarray(arrays[f"spread_{i}"], np.float64),
                np.asarray(arrays["surface"][i], np.float64),
                float(arrays["match"][i]),
                np.asarray(arrays["score"][i], np.float64),
                np.asarray(arrays["score_spread"][i], np.float64),
            )
            for i in range(len(cells))
        )
        return cls(
            cells,
            (width, height),
            (rows, columns),
            float(arrays["compared"]),
            reach_px(cells, search_mm, columns / width),
            looks,
            tuple(
                prepared_item(look.structure, look.weight, max_turn, either_way) for look in looks
            ),
            looks[0].tints.shape[1] > 1,
        )


def reach_px(cells: Sequence[Cell], search_mm: float | None, px_per_mm: float) -> float:
    """How far items may lie off [px]."""
    if search_mm is None:
        search_mm = SEARCH_SHARE * min(min(c.width, c.height) for c in cells)
    return search_mm * px_per_mm


def frame_of(view: View) -> Source:
    """Take from a view what is compared."""
    pixels = view.gray if view.rgb is None else view.rgb
    usable = np.ones(view.gray.shape, np.uint8)
    for channel in [pixels] if pixels.ndim == 2 else [pixels[:, :, c] for c in range(3)]:
        usable &= channel < DARKEST_SATURATED
    if view.mask is not None:
        usable[view.mask == 0] = 0
    return Source(view.gray, pixels, usable, view.mm_per_px)


def reduced(source: Source, size: tuple[int, int], item_px: float, colored: bool) -> Frame:
    """Reduce a view to the working scale."""
    rows, columns = size

    def resized(image: NDArray[Any]) -> NDArray[Any]:
        shrinks = image.shape[0] >= rows
        how = cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
        return np.asarray(cv2.resize(image, (columns, rows), interpolation=how))

    structure = structure_of(resized(source.gray), item_px)
    halved = np.asarray(
        cv2.resize(
            structure, (max(columns // 2, 1), max(rows // 2, 1)), interpolation=cv2.INTER_AREA
        ),
        np.float32,
    )
    pixels = source.pixels if colored else source.gray
    usable = resized(source.usable.astype(np.float32)).astype(np.float32)
    tints = np.concatenate([tints_of(resized(pixels)), usable[:, :, None]], axis=2)
    return Frame(structure, halved, np.ascontiguousarray(tints))


def middle_of(cell: Cell, px_per_mm: tuple[float, float]) -> tuple[float, float]:
    """Middle of a cell in the reduced view [px]."""
    return (
        (cell.x + cell.width / 2) * px_per_mm[0] - 0.5,
        (cell.y + cell.height / 2) * px_per_mm[1] - 0.5,
    )


def item_size(cell: Cell, px_per_mm: tuple[float, float], compared: float) -> tuple[int, int]:
    """Rows and columns of what is compared of a cell."""
    return (
        max(8, round(cell.height * px_per_mm[1] * compared)),
        max(8, round(cell.width * px_per_mm[0] * compared)),
    )


def surface_of(
    frame: Frame, middle: tuple[float, float], size: tuple[int, int]
) -> NDArray[np.float64]:
    """Median tints of the inner part of a cell where it stands, (C,); nan where none is usable."""
    h, w = size[0] * 0.4, size[1] * 0.4
    rows = slice(max(0, round(middle[1] - h)), max(0, round(middle[1] + h)) + 1)
    columns = slice(max(0, round(middle[0] - w)), max(0, round(middle[0] + w)) + 1)
    inner = frame.tints[rows, columns].reshape(-1, frame.tints.shape[2])
    inner = inner[inner[:, -1] > 0.5, :-1]
    if not len(inner):
        return np.array([math.nan] * (frame.tints.shape[2] - 1))
    return np.asarray(np.median(inner, axis=0), np.float64)


def blocks_at(
    frame: Frame, place: Place, size: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Tints of an item's blocks, (B, C), and 1 where they are usable, else 0, (B,)."""
    blocks = blocks_of(taken_at(frame.tints, place.matrix, size)).astype(np.float64)
    return blocks[:, :-1], (blocks[:, -1] >= 0.9).astype(np.float64)


def compare(view: View, tray: Tray) -> list[CellLook] | NotMeasured:
    """Compare every cell of a view with what was taught."""
    if tray.colored and view.rgb is None:
        return NotMeasured("the items were taught in colour, and the view is grey")
    scale = (tray.size[1] / tray.region_mm[0], tray.size[0] / tray.region_mm[1])
    sizes = [item_size(cell, scale, tray.compared) for cell in tray.cells]
    source = frame_of(view)
    frame = reduced(source, tray.size, float(np.min(sizes)), tray.colored)
    middles = [middle_of(cell, scale) for cell in tray.cells]
    places = [
        find_item(frame.structure, frame.halved, item, middle, tray.reach)
        for item, middle in zip(tray.items, middles, strict=True)
    ]
    blocks = [blocks_at(frame, p, s) for p, s in zip(places, sizes, strict=True)]
    for cell, (_, usable) in zip(tray.cells, blocks, strict=True):
        if usable.mean() < LEAST_USABLE:
            return NotMeasured(f"{cell.name} is hidden or saturated")
    surfaces = [surface_of(frame, m, s) for m, s in zip(middles, sizes, strict=True)]
    surface = surfaces_agree(surfaces, tray.looks)
    scores = scores_of(blocks, places, sizes, tray.looks, tray.size, surface)
    back = (view.gray.shape[1] / tray.size[1], view.gray.shape[0] / tray.size[0])
    return [
        CellLook(
            place.match,
            look.match,
            seen,
            float(((score - look.score) / look.score_spread).max()),
            outline_of(place, size, back),
        )
        for place, look, seen, score, size in zip(
            places, tray.looks, surface, scores, sizes, strict=True
        )
    ]


def outline_of(
    place: Place, size: tuple[int, int], back: tuple[float, float]
) -> NDArray[np.float64]:
    """Corners of an item in pixels of the view."""
    h, w = size[0] / 2, size[1] / 2
    corners = np.array([[-w, w, w, -w], [-h, -h, h, h], [1, 1, 1, 1]])
    x, y = np.asarray(place.matrix @ corners, np.float64)
    points = [(x + 0.5) * back[0] - 0.5, (y + 0.5) * back[1] - 0.5]
    return np.asarray(points, np.float64).T


def surfaces_agree(
    surfaces: Sequence[NDArray[np.float64]], looks: Sequence[Look]
) -> NDArray[np.bool_]:
    """Whether each cell's own median level and colour are an item's, less the light over all.

    The light is what most cells share within its bounds, the smallest of equals: neither half a
    tray of empty cells nor a whole one makes the ground an item.
    """
    off = np.array(surfaces, np.float64) - np.array([look.surface for look in looks])
    off[~np.isfinite(off).all(axis=1)] = 1e3
    bounds = np.array(LIGHT_BOUNDS[: off.shape[1]])
    tolerance = np.array(SURFACE_TOLERANCE[: off.shape[1]])
    possible = off[(np.abs(off) <= bounds).all(axis=1)]
    lights = sorted([np.zeros(off.shape[1]), *possible], key=lambda light: float(light @ light))
    shared = [int(near(off - light, tolerance / 2).sum()) for light in lights]
    return near(off - lights[shared.index(max(shared))], tolerance)


def near(off: NDArray[np.float64], tolerance: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether all of each row lies within the tolerance."""
    return np.asarray((np.abs(off) <= tolerance).all(axis=1), np.bool_)


def scores_of(
    blocks: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]],
    places: Sequence[Place],
    sizes: Sequence[tuple[int, int]],
    looks: Sequence[Look],
    size: tuple[int, int],
    lit: NDArray[np.bool_],
) -> list[NDArray[np.float64]]:
    """Root of the root mean square of the differences of each cell's blocks, in taught spreads.

    One for level and one for colour: shadows change the first only. The second root makes the
    scores of good items about normal. The light comes from the cells in `lit`, or from all where
    none is.
    """
    off = [b - look.tints for (b, _), look in zip(blocks, looks, strict=True)]
    lit = lit if lit.any() else np.ones(len(looks), np.bool_)
    weight = [
        float(used) * u[:, None] / look.spread**2
        for (_, u), look, used in zip(blocks, looks, lit, strict=True)
    ]
    where = [
        p.matrix @ np.column_stack([block_places(*s), np.ones(len(o))]).T
        for p, s, o in zip(places, sizes, off, strict=True)
    ]
    half = np.array([size[1], size[0]]) / 2
    light = light_over(
        np.hstack(where).T / half - 1,
        np.vstack(off),
        np.vstack(weight),
        LIGHT_BOUNDS[: off[0].shape[1]],
        sloped=len(off) >= 4,
    )
    scores: list[NDArray[np.float64]] = []
    start = 0
    for o, (_, usable), look in zip(off, blocks, looks, strict=True):
        stop = start + len(o)
        d = np.clip(np.abs(o - light[start:stop]) / look.spread, 0, CLIP)[usable > 0]
        parts = [d[:, :1]] if d.shape[1] == 1 else [d[:, :1], d[:, 1:]]
        scores.append(np.array([float((g * g).mean()) ** 0.25 if len(g) else 0.0 for g in parts]))
        start = stop
    return scores
