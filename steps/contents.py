"""What lies in the cells of a tray or window: items present, missing or wrong, or their count."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from steps._shared.item_cells import Cell, CellLook, Tray, compare, frame_of
from steps._shared.round_items import Rounds, count_rounds
from steps._shared.tray_teaching import taught_tray
from steps.contract import (
    Given,
    Mark,
    Marks,
    NotMeasured,
    Params,
    ReferenceFile,
    Taught,
    UnusableReference,
    Values,
    View,
    no_marks,
    step,
)


class Grid(BaseModel):
    """Equal cells that fill the region."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    columns: int = Field(1, ge=1, le=40)
    """Cells side by side [count]."""
    rows: int = Field(1, ge=1, le=40)
    """Cells one below the other [count]."""


class CellPlace(BaseModel):
    """One cell, from the top left corner of the region."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    x: float
    """Left side [mm]."""
    y: float
    """Top side [mm]."""
    width: float = Field(gt=0)
    """Width [mm]."""
    height: float = Field(gt=0)
    """Height [mm]."""


class ContentsParams(Params):
    """Where items lie and what they look like."""

    mode: Literal["items", "round"] = "items"
    """`items`: each cell holds one taught item; `round`: round items lie anywhere in the region and
    are counted."""

    cells: Grid | tuple[CellPlace, ...] = Field(default_factory=lambda: Grid(columns=1, rows=1))
    """Cells of the items: a grid over the region, or each with its place."""

    reference: ReferenceFile | None = None
    """The taught look of the items (`.npz`), made from at least 5, better 20 good cartons; only for
    `items`."""

    search_mm: float | None = Field(None, ge=0)
    """How far an item may lie from the middle of its cell; None: an eighth of the cell's smaller
    side [mm]."""

    max_turn_deg: float = Field(5.0, ge=0, le=30)
    """How far an item may be turned in its cell [deg]."""

    either_way_round: bool = False
    """Whether items may also lie turned by half a turn."""

    compared: float = Field(0.84, gt=0.2, le=1)
    """Share of a cell's width and height that is compared: what an item surely fills [fraction]."""

    wrong_from: float = Field(8.0, ge=2, le=100)
    """An item that is there counts as wrong from this `difference` on [good spreads]."""

    least_structure: float = Field(0.7, gt=0, lt=1)
    """An item's print and outline are taken as there from this share of the match that good items
    have [fraction]."""

    diameter_mm: float | None = Field(None, gt=0)
    """Diameter of round items; only for `round` [mm]."""


class ContentsValues(Values):
    """What lies in the cells."""

    present: int | None
    """Cells in which both measures see an item, right or wrong; round items, where both counts
    agree, else None: a count that only one of them gives must not pass [count]."""

    missing: int | None
    """Cells in which neither measure sees an item; None for round items [count]."""

    wrong: int | None
    """Cells in which something else lies: an item that looks unlike the taught ones, or one that
    only one of the measures sees; None for round items [count]."""

    difference: float | None
    """How unlike the taught ones the worst cell looks, on the scale of good cartons (about normal);
    put the limit here; None for round items [good spreads]."""

    least_match: float | None
    """Smallest correlation of a cell's print and outline with the taught ones, -1 to 1; None for
    round items [correlation]."""

    count_by_edges: int | None
    """Round items by the votes of their edges; None for cells [count]."""

    count_by_area: int | None
    """Round items by the area they cover, the second opinion; None for cells [count]."""

    measures_agree: bool
    """Whether structure and surface (or count and covered area) say the same everywhere."""

    where: str
    """The worst cell, such as `row 2, column 1: wrong`; empty for round items."""

    marks: Marks = Field(default_factory=no_marks)
    """The items as found; cells that are missing or wrong stand out."""


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """What is made once: the taught tray, or the size of round items."""

    tray: Tray | None


@step(rgb=True)
def contents(
    view: View, params: ContentsParams, prepared: Prepared
) -> ContentsValues | NotMeasured:
    """Say of each cell whether the right item lies in it, or count round items.

    Parameters
    ----------
    view : View
        The region with all cells, (M, N) uint8 grey and, where the camera gives it, colour.
    params : ContentsParams
        Where items lie.
    prepared : Prepared
        What was taught.

    Returns
    -------
    ContentsValues or NotMeasured
        Not measured where the scale is not known, the view is less than 16 pixels high or wide, a
        cell is hidden or saturated, or a tray taught in colour is seen in grey.

    Notes
    -----
    *Items.* Each item is searched around the middle of its cell by its structure (grey less its
    blur: print, outline), first by correlation at a few turns, then by least squares. Level and
    colour of its blocks, less the light over the whole view, are compared with the taught ones in
    units of their spread; their root mean square (its root, which is about normal) is given on the
    scale of good cartons that did not make the model. An item is present when two measures agree:
    its structure matches, and the median level and colour of the cell (not moved with the item)
    are those of a good one. The light may explain only so much, so a tray without any item cannot
    pass as a dim one. A cell on which they disagree counts as wrong, never as present.

    Needs about 1.5 pixels per mm of the finest print that matters, 20 px for an item, and items
    that are lit as when taught. In grey, an item and an empty cell must differ by a quarter in
    level or in print. Two varieties of equal structure and level are told apart in colour only.

    *Round items.* See `steps/_shared/round_items.py`: votes of the edges for middles, and the
    covered area as a second opinion. Needs 8 pixels of diameter and a contrast of 15 grey levels.

    References
    ----------
    .. [1] S. Baker, I. Matthews, "Lucas-Kanade 20 years on", IJCV 56(3), 2004: least squares for a
       move, with the inverse taken once.

    Examples
    --------
    >>> tray = np.full((60, 90), 60, np.uint8)
    >>> for x in (20, 45, 70):
    ...     yy, xx = np.mgrid[:60, :90]
    ...     tray[(xx - x) ** 2 + (yy - 30) ** 2 <= 100] = 180
    >>> params = ContentsParams(mode="round", diameter_mm=2)
    >>> values = contents(View(tray, mm_per_px=0.1), params, prepare(params, Given()))
    >>> values.present, values.count_by_area, values.measures_agree
    (3, 3, True)
    """
    if min(view.gray.shape) < 16:
        return NotMeasured("the region is smaller than 16 pixels")
    if not view.mm_per_px > 0:
        return NotMeasured("the scale of the view is not known")
    if params.mode == "round" or prepared.tray is None:
        rounds = count_rounds(view, (params.diameter_mm or 1.0) / view.mm_per_px)
        return rounds if isinstance(rounds, NotMeasured) else rounds_counted(rounds)
    looks = compare(view, prepared.tray)
    if isinstance(looks, NotMeasured):
        return looks
    return cells_judged(looks, params, prepared.tray)


def rounds_counted(rounds: Rounds) -> ContentsValues:
    """Values of counted round items."""
    angles = np.linspace(0, 2 * math.pi, 25)
    circle = np.column_stack([np.cos(angles), np.sin(angles)]) * rounds.diameter / 2
    count = len(rounds.middles)
    return ContentsValues(
        present=count if count == rounds.by_area else None,
        missing=None,
        wrong=None,
        difference=None,
        least_match=None,
        count_by_edges=count,
        count_by_area=rounds.by_area,
        measures_agree=rounds.by_area == count,
        where="",
        marks=tuple(Mark(circle + middle, kind="shape") for middle in rounds.middles),
    )


def cells_judged(looks: Sequence[CellLook], params: ContentsParams, tray: Tray) -> ContentsValues:
    """Count cells by what both measures say of them."""
    words: list[str] = []
    for look in looks:
        structure = look.match >= params.least_structure * look.usual_match
        if structure != look.surface:
            words.append("doubtful")
        elif not structure:
            words.append("missing")
        else:
            words.append("wrong" if look.difference >= params.wrong_from else "right")
    worst = max(range(len(looks)), key=lambda i: (words[i] != "right", looks[i].difference))
    return ContentsValues(
        present=words.count("right") + words.count("wrong"),
        missing=words.count("missing"),
        wrong=words.count("wrong") + words.count("doubtful"),
        difference=max(look.difference for look in looks),
        least_match=min(look.match for look in looks),
        count_by_edges=None,
        count_by_area=None,
        measures_agree="doubtful" not in words,
        where=f"{tray.cells[worst].name}: {words[worst]}",
        marks=tuple(
            Mark(
                look.outline,
                kind="shape",
                text="" if word == "right" else word,
                tone="measured" if word == "right" else "difference",
            )
            for look, word in zip(looks, words, strict=True)
        ),
    )


def cells_of(params: ContentsParams, width: float, height: float) -> tuple[Cell, ...]:
    """Cells in mm for a region of the given size."""
    if isinstance(params.cells, Grid):
        w, h = width / params.cells.columns, height / params.cells.rows
        return tuple(
            Cell(f"row {r + 1}, column {c + 1}", c * w, r * h, w, h)
            for r in range(params.cells.rows)
            for c in range(params.cells.columns)
        )
    return tuple(
        Cell(f"cell {i + 1}", p.x, p.y, p.width, p.height) for i, p in enumerate(params.cells)
    )


def prepare(params: ContentsParams, given: Given) -> Prepared:
    """Read the taught tray and prepare the search.

    Raises
    ------
    UnusableReference
        When a setting is missing, or the reference was taught for other cells.
    """
    if params.mode == "round":
        if params.diameter_mm is None:
            raise UnusableReference("round items need their diameter_mm", "diameter_mm")
        return Prepared(None)
    if params.reference is None:
        raise UnusableReference("items need a taught reference")
    try:
        tray = Tray.loaded(
            given.references[params.reference].arrays,
            search_mm=params.search_mm,
            max_turn=params.max_turn_deg,
            either_way=params.either_way_round,
        )
    except KeyError as missing:
        raise UnusableReference(f"it holds no {missing}") from None
    width, height = given.region_mm or tray.region_mm
    cells = cells_of(params, width, height)
    if not same_cells(cells, tray.cells) or params.compared != tray.compared:
        raise UnusableReference("it was taught for other cells: teach it again", "cells")
    return Prepared(tray)


def same_cells(a: Sequence[Cell], b: Sequence[Cell]) -> bool:
    """Whether two sets of cells are the same to 1 % of their size."""
    return len(a) == len(b) and all(
        max(abs(p.x - q.x), abs(p.y - q.y), abs(p.width - q.width), abs(p.height - q.height))
        <= 0.01 * min(p.width, p.height)
        for p, q in zip(a, b, strict=True)
    )


def teach(views: Sequence[View], params: ContentsParams, given: Given) -> Taught:
    """Learn how the item in each cell looks, from views of good cartons.

    Raises
    ------
    UnusableReference
        When fewer than 5 views can be used.
    """
    frames = [frame_of(view) for view in views]
    first = views[0] if views else None
    if first is None or not first.mm_per_px > 0:
        raise UnusableReference("there is no view with a known scale")
    height, width = (n * first.mm_per_px for n in first.gray.shape)
    width, height = given.region_mm or (width, height)
    return taught_tray(
        frames,
        cells_of(params, width, height),
        (width, height),
        compared=params.compared,
        search_mm=params.search_mm,
        max_turn=params.max_turn_deg,
        either_way=params.either_way_round,
    )
