"""Learning the look of the items in the cells of a tray from good cartons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.item_cells import (
    FORMAT,
    ITEM_PX,
    LEAST_USABLE,
    SCORE_FLOOR,
    SPREAD_FLOORS,
    Cell,
    Look,
    Source,
    blocks_at,
    item_size,
    middle_of,
    reach_px,
    reduced,
    scores_of,
    surface_of,
)
from steps._shared.item_match import Floats, Item, Place, find_item, prepared_item, taken_at
from steps.contract import Taught, UnusableReference

LEAST_VIEWS = 5
"""Fewest views a tray can be taught from."""
FOLDS = 5
"""Parts of the views; each part is scored by a model made without it."""
STANDS_OUT = 6.0
"""Score, in robust spreads above the middle of all, from which a view is left out; more where few
views make the spread uncertain."""


class Teaching:
    """The views of good cartons, reduced, with the place of every item."""

    def __init__(
        self,
        sources: Sequence[Source],
        cells: tuple[Cell, ...],
        region_mm: tuple[float, float],
        *,
        compared: float,
        search_mm: float | None,
        max_turn: float,
        either_way: bool,
    ) -> None:
        self.cells, self.region_mm, self.compared = cells, region_mm, compared
        self.max_turn, self.either_way = max_turn, either_way
        smallest = min(min(c.width, c.height) for c in cells) * compared
        mm_per_px = max(smallest / ITEM_PX, sources[0].mm_per_px)
        width, height = region_mm
        self.size = (max(16, round(height / mm_per_px)), max(16, round(width / mm_per_px)))
        self.scale = (self.size[1] / width, self.size[0] / height)
        self.reach = reach_px(cells, search_mm, self.scale[0])
        self.sizes = [item_size(c, self.scale, compared) for c in cells]
        self.middles = [middle_of(c, self.scale) for c in cells]
        self.colored = all(s.pixels.ndim == 3 for s in sources)
        least = float(np.min(self.sizes))
        self.frames = [reduced(s, self.size, least, self.colored) for s in sources]

    def aligned(self, i: int, used: Sequence[int]) -> tuple[Floats, Floats, dict[int, Place]]:
        """Mean structure of cell `i` over the views, its weight, and the item's places."""
        size, middle = self.sizes[i], self.middles[i]
        nominal = np.array([[1.0, 0, middle[0]], [0, 1.0, middle[1]]])
        parts = {k: taken_at(self.frames[k].structure, nominal, size) for k in used}
        mean, weight = self.seed(parts), np.ones(size, np.float32)
        for _ in range(3):
            item = prepared_item(mean, weight, self.max_turn, self.either_way)
            places = {k: self.found(k, item, middle) for k in used}
            places = centred(places, middle)
            stack = np.array(
                [taken_at(self.frames[k].structure, places[k].matrix, size) for k in used]
            )
            mean = np.asarray(stack.mean(axis=0), np.float32)
            weight = weight_of(stack, mean)
        item = prepared_item(mean, weight, self.max_turn, self.either_way)
        return mean, weight, {k: self.found(k, item, middle) for k in used}

    def found(self, k: int, item: Item, middle: tuple[float, float]) -> Place:
        """Find an item in one view."""
        frame = self.frames[k]
        return find_item(frame.structure, frame.halved, item, middle, self.reach)

    @staticmethod
    def seed(parts: dict[int, Floats]) -> Floats:
        """Take the view that is most like the mean of all to start from."""
        flat = np.array([p.ravel() for p in parts.values()])
        like = flat @ flat.mean(axis=0) / (np.linalg.norm(flat, axis=1) + 1e-6)
        return list(parts.values())[int(like.argmax())]


def weight_of(stack: NDArray[np.float32], mean: Floats) -> Floats:
    """Weight of each pixel: the usual spread of the structure over that of the pixel, squared."""
    vary = np.asarray(cv2.blur(((stack - mean) ** 2).mean(axis=0), (3, 3)), np.float64)
    usual = float(np.median(vary)) + 1.0
    return np.asarray(np.minimum(1.0, usual / (vary + 1e-6)), np.float32)


def centred(places: dict[int, Place], middle: tuple[float, float]) -> dict[int, Place]:
    """Move and turn the taught item so that it lies straight in the middle on average.

    Taken in the item's own frame, so it also holds for items that lie turned by half a turn.
    """
    matrices = np.array([p.matrix for p in places.values()])
    turns = matrices[:, :, :2]
    offs = np.array(middle) - matrices[:, :, 2]
    moved = np.linalg.solve(turns, offs[:, :, None]).mean(axis=0)[:, 0]
    ways = np.sign(turns[:, 0, 0] + 1e-9)[:, None, None]
    c, s = (turns * ways).mean(axis=0)[:, 0]
    size = float(np.hypot(c, s))
    back = np.array([[c / size, s / size, moved[0]], [-s / size, c / size, moved[1]], [0, 0, 1]])
    return {k: replace(p, matrix=p.matrix @ back) for k, p in places.items()}


def taught_tray(
    sources: Sequence[Source],
    cells: tuple[Cell, ...],
    region_mm: tuple[float, float],
    *,
    compared: float,
    search_mm: float | None,
    max_turn: float,
    either_way: bool,
) -> Taught:
    """Learn a tray; views that stand out are left out and named.

    Raises
    ------
    UnusableReference
        When fewer than 5 views are left.
    """
    teaching = Teaching(
        sources,
        cells,
        region_mm,
        compared=compared,
        search_mm=search_mm,
        max_turn=max_turn,
        either_way=either_way,
    )
    left_out = hidden_views(teaching)
    used = [k for k in range(len(sources)) if k not in left_out]
    while True:
        if len(used) < LEAST_VIEWS:
            raise UnusableReference(
                f"items need {LEAST_VIEWS} good views; {len(used)} of {len(sources)} are left"
            )
        looks, strange = learnt(teaching, used)
        if not strange:
            return taught_of(teaching, looks, left_out)
        left_out.update(strange)
        used = [k for k in used if k not in strange]


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """The items of all cells as they lie in the views."""

    means: list[Floats]
    weights: list[Floats]
    places: dict[int, list[Place]]
    blocks: dict[int, list[tuple[NDArray[np.float64], NDArray[np.float64]]]]
    surfaces: dict[int, list[NDArray[np.float64]]]

    @classmethod
    def of(cls, teaching: Teaching, used: Sequence[int]) -> Observed:
        """Align the items of some views."""
        aligned = [teaching.aligned(i, used) for i in range(len(teaching.cells))]
        places = {k: [found[k] for _, _, found in aligned] for k in used}
        frames, sizes, middles = teaching.frames, teaching.sizes, teaching.middles
        return cls(
            [mean for mean, _, _ in aligned],
            [weight for _, weight, _ in aligned],
            places,
            {
                k: [blocks_at(frames[k], p, s) for p, s in zip(places[k], sizes, strict=True)]
                for k in used
            },
            {
                k: [surface_of(frames[k], m, s) for m, s in zip(middles, sizes, strict=True)]
                for k in used
            },
        )

    def looks(self, part: Sequence[int]) -> list[Look]:
        """Give the looks of all cells by a part of the views."""
        return [
            look_of(
                self.means[i],
                self.weights[i],
                np.array([self.blocks[k][i][0] for k in part]),
                np.array([self.blocks[k][i][1] for k in part]),
                np.median([self.surfaces[k][i] for k in part], axis=0),
                float(np.median([self.places[k][i].match for k in part])),
            )
            for i in range(len(self.means))
        ]


def learnt(teaching: Teaching, used: Sequence[int]) -> tuple[list[Look], dict[int, str]]:
    """Learn the looks of all cells, and name the view that stands out most, with the reason."""
    observed = Observed.of(teaching, used)
    every = np.ones(len(observed.means), np.bool_)
    scores = np.empty((len(used), len(every), 2 if teaching.colored else 1))
    for fold in range(FOLDS):
        looks = observed.looks([k for n, k in enumerate(used) if n % FOLDS != fold])
        for n in range(fold, len(used), FOLDS):
            k = used[n]
            scores[n] = scores_of(
                observed.blocks[k],
                observed.places[k],
                teaching.sizes,
                looks,
                teaching.size,
                every,
            )
    pooled = np.sqrt(scores.var(axis=0, ddof=1).mean(axis=0))
    looks = [
        replace(
            look,
            score=scores[:, i].mean(axis=0),
            score_spread=np.maximum(pooled, SCORE_FLOOR),
        )
        for i, look in enumerate(observed.looks(used))
    ]
    return looks, strange_views(teaching, used, scores, observed.places, looks)


def hidden_views(teaching: Teaching) -> dict[int, str]:
    """Name the views in which a cell is hidden or saturated."""
    hidden: dict[int, str] = {}
    for k, frame in enumerate(teaching.frames):
        for cell, (x, y), size in zip(
            teaching.cells, teaching.middles, teaching.sizes, strict=True
        ):
            place = Place(np.array([[1.0, 0, x], [0, 1.0, y]]), 0.0)
            if blocks_at(frame, place, size)[1].mean() < LEAST_USABLE:
                hidden[k] = f"{cell.name} is hidden or saturated"
    return hidden


def look_of(
    mean: Floats,
    weight: Floats,
    tints: NDArray[np.float64],
    usable: NDArray[np.float64],
    surface: NDArray[np.float64],
    match: float,
) -> Look:
    """Mean and spread of blocks, the light of each view taken off as the median over its blocks."""
    off = tints - np.median(tints, axis=0)
    light = np.median(off, axis=1, keepdims=True)
    level = tints - light
    share = usable[:, :, None] + 1e-6
    middle = (level * share).sum(axis=0) / share.sum(axis=0)
    vary = ((level - middle) ** 2 * share).sum(axis=0) / share.sum(axis=0)
    spread = np.sqrt(vary * len(tints) / max(len(tints) - 1, 1))
    floors = np.array(SPREAD_FLOORS[: tints.shape[2]])
    none = np.zeros(1)
    return Look(mean, weight, middle, np.maximum(spread, floors), surface, match, none, none)


def strange_views(
    teaching: Teaching,
    used: Sequence[int],
    scores: NDArray[np.float64],
    places: dict[int, list[Place]],
    looks: Sequence[Look],
) -> dict[int, str]:
    """Name the view with the cell that stands out most or does not match, if any."""
    middle = np.median(scores, axis=0)
    spread = np.maximum(1.4826 * np.median(np.abs(scores - middle), axis=0), SCORE_FLOOR)
    out = ((scores - middle) / spread).max(axis=2)
    match = np.array(
        [[p.match / look.match for p, look in zip(places[k], looks, strict=True)] for k in used]
    )
    out[match < 0.6] += 100
    n, i = np.unravel_index(int(out.argmax()), out.shape)
    if out[n, i] < STANDS_OUT * (1 + 8 / len(used)):
        return {}
    return {used[int(n)]: f"{teaching.cells[int(i)].name} looks unlike the other views"}


def taught_of(teaching: Teaching, looks: Sequence[Look], left_out: dict[int, str]) -> Taught:
    """Arrays of the taught file, and a picture of the taught structure."""
    arrays: dict[str, NDArray[np.generic]] = {
        "format": np.array([FORMAT]),
        "region_mm": np.array(teaching.region_mm),
        "size": np.array(teaching.size),
        "compared": np.array(teaching.compared),
        "names": np.array([c.name for c in teaching.cells]),
        "cells_mm": np.array([[c.x, c.y, c.width, c.height] for c in teaching.cells]),
        "surface": np.array([look.surface for look in looks]),
        "match": np.array([look.match for look in looks]),
        "score": np.array([look.score for look in looks]),
        "score_spread": np.array([look.score_spread for look in looks]),
    }
    picture = np.full(teaching.size, 128, np.uint8)
    for i, look in enumerate(looks):
        arrays[f"structure_{i}"] = look.structure
        arrays[f"weight_{i}"] = look.weight
        arrays[f"tints_{i}"] = look.tints
        arrays[f"spread_{i}"] = look.spread
        x, y = teaching.middles[i]
        h, w = look.structure.shape
        top, left = max(0, round(y - h / 2)), max(0, round(x - w / 2))
        part = np.clip(look.structure + 128, 0, 255).astype(np.uint8)
        shown = picture[top : top + h, left : left + w]
        shown[:] = part[: shown.shape[0], : shown.shape[1]]
    return Taught(arrays, left_out, np.repeat(np.repeat(picture, 2, axis=0), 2, axis=1))
