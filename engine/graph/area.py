"""Where a step looks: its region, the scale and size of its view, and what is left out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.frame import CameraTable
from engine.graph.draft import Draft
from engine.graph.mistakes import Mistakes
from engine.graph.plan import Left, Point
from engine.recipe.model import RegionMm

MAX_VIEW_PX = 40_000_000


@dataclass(frozen=True, slots=True)
class Area:
    """The part of the frame or reference that a step looks at."""

    size_px: tuple[int, int] | None = None
    """Width and height of the view; None = the whole frame."""
    origin_mm: Point = (0.0, 0.0)
    """Top left corner in mm of the placing reference."""
    offset_px: tuple[int, int] = (0, 0)
    """Top left corner in the frame, where nothing places the step."""


def check_regions(draft: Draft, mistakes: Mistakes) -> None:
    """Keep mistakes in how a step's regions go with how it is placed."""
    spec = draft.spec
    if spec.region_px is not None and spec.placed_by is not None:
        what = "A placed step moves with the carton: give `region_mm`, not `region_px`."
        mistakes.add((*draft.path, "region_px"), "region", what, at_key=True)
    if spec.placed_by is not None or mistakes.in_file((*draft.path, "placed_by")):
        return
    if spec.region_mm is not None:
        what = "`region_mm` is in mm of a reference: say which step finds that with `placed_by`, "
        what += "or use `region_px`."
        mistakes.add((*draft.path, "region_mm"), "region", what, at_key=True)
    if spec.leave_out:
        what = "Only a placed step can leave parts out: say which step places it with `placed_by`."
        mistakes.add((*draft.path, "leave_out"), "region", what, at_key=True)


def scale_of(draft: Draft, placing: Draft | None, cameras: CameraTable) -> float:
    """Give the scale of a step's view before it is prepared [mm/px]; nan where not known."""
    if draft.spec.mm_per_px is not None:
        return draft.spec.mm_per_px
    if placing is not None:
        return placing.mm_per_px
    known = cameras.of(draft.camera).mm_per_px
    return math.nan if known is None else known


def region_of(draft: Draft, placing: Draft | None, mistakes: Mistakes) -> RegionMm | None:
    """Give a step's region in mm: its own, or the whole reference that places it."""
    if draft.spec.region_mm is not None or placing is None:
        return draft.spec.region_mm
    size = getattr(placing.prepared, "size_mm", None) or getattr(placing.params, "size_mm", None)
    if size is None:
        what = f"Where does this step look? Give `region_mm`, in mm of what `{placing.name}` finds."
        mistakes.add(draft.path, "region", what, at_key=True)
        return None
    return RegionMm(x=0, y=0, width=size[0], height=size[1])


def area_of(draft: Draft, region: RegionMm | None, mistakes: Mistakes) -> Area:
    """Give where a step looks, in pixels."""
    px = draft.spec.region_px
    if region is None:
        if px is None:
            return Area()
        return Area((px.width, px.height), offset_px=(px.x, px.y))
    width = max(1, round(region.width / draft.mm_per_px))
    height = max(1, round(region.height / draft.mm_per_px))
    if width * height > MAX_VIEW_PX:
        what = f"At {draft.mm_per_px:g} mm/px this is a view of {width} x {height} px; at most "
        what += f"{MAX_VIEW_PX // 1_000_000} million pixels are allowed."
        mistakes.add(draft.path, "view-size", what, at_key=True)
        return Area((1, 1), (region.x, region.y))
    return Area((width, height), (region.x, region.y))


def left_out(
    draft: Draft, drafts: Mapping[str, Draft], positions: Mapping[str, int], area: Area
) -> tuple[NDArray[np.uint8] | None, tuple[Left, ...]]:
    """Give what a step does not look at.

    Returns
    -------
    mask : (M, N) uint8 or None
        0 where left out on every carton, else 255; None where there is no such part.
    left : tuple of Left
        What is placed by another step, and so moves from carton to carton.
    """
    fixed: list[RegionMm] = []
    moving: list[Left] = []
    for left in draft.spec.leave_out:
        if isinstance(left, RegionMm):
            fixed.append(left)
            continue
        spec = drafts[left].spec if left in drafts else None
        if spec is None or spec.region_mm is None or spec.placed_by is None:
            continue
        if spec.placed_by == draft.spec.placed_by:
            fixed.append(spec.region_mm)
        elif spec.placed_by in positions:
            moving.append(Left(positions[spec.placed_by], _corners(spec.region_mm)))
    if not fixed or area.size_px is None:
        return None, tuple(moving)
    return _mask(fixed, area.size_px, area.origin_mm, draft.mm_per_px), tuple(moving)


def _mask(
    regions: list[RegionMm], size: tuple[int, int], origin: Point, mm_per_px: float
) -> NDArray[np.uint8]:
    mask = np.full((size[1], size[0]), 255, np.uint8)
    for region in regions:
        left, right = (_px(x, origin[0], mm_per_px) for x in (region.x, region.x + region.width))
        top, bottom = (_px(y, origin[1], mm_per_px) for y in (region.y, region.y + region.height))
        mask[top:bottom, left:right] = 0
    mask.setflags(write=False)
    return mask


def _px(mm: float, origin: float, mm_per_px: float) -> int:
    return max(0, round((mm - origin) / mm_per_px))


def _corners(region: RegionMm) -> NDArray[np.float64]:
    x0, y0, x1, y1 = region.x, region.y, region.x + region.width, region.y + region.height
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)
