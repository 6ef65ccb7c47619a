"""Small steps of the tests' own, so that what is tested does not move with the real ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from pydantic import Field

from steps.contract import (
    Given,
    Matrix,
    NotMeasured,
    Params,
    Pose,
    ReferenceFile,
    Taught,
    UnusableReference,
    Values,
    View,
    step,
)


class FindParams(Params):
    """What is looked for."""

    reference: ReferenceFile
    """Picture of the panel."""

    size_mm: tuple[float, float]
    """Its width and height [mm]."""

    search_mm: float = Field(5.0, ge=0, le=50)
    """How far it is looked for [mm]."""


class FindValues(Values):
    """Where it lies."""

    shift_mm: float
    """How far it lies from its place [mm]."""

    pose: Pose
    """Where it lies."""


@dataclass(frozen=True)
class Prepared:
    """What the toy steps prepare."""

    mm_per_px: float


def prepare(params: FindParams | TaughtParams, given: Given) -> Prepared:
    """Take the scale of the picture, or refuse one that is too small."""
    reference = given.references[params.reference]
    if isinstance(params, TaughtParams):
        return Prepared(given.mm_per_px)
    if reference.image is None:
        why = "it is a taught reference, and a picture is needed"
        raise UnusableReference(why)
    if reference.image.shape[1] < 10:
        why = f"the picture is only {reference.image.shape[1]} pixels wide"
        raise UnusableReference(why)
    if params.search_mm > min(params.size_mm):
        why = f"{params.search_mm:g} mm is more than the panel itself"
        raise UnusableReference(why, "search_mm")
    if params.search_mm == 13:
        message = "thirteen"
        raise ArithmeticError(message)
    return Prepared(params.size_mm[0] / reference.image.shape[1])


@step
def find(view: View, params: FindParams, prepared: Prepared) -> FindValues | NotMeasured:
    """Find nothing, but say so in the right place."""
    size = params.size_mm
    matrix: Matrix = np.diag([1 / prepared.mm_per_px, 1 / prepared.mm_per_px, 1.0])
    return FindValues(shift_mm=float(view.gray.mean()), pose=Pose(matrix, size))


class GapParams(Params):
    """How a gap is looked for."""

    min_contrast: float = Field(12.0, ge=0, le=255)
    """Smallest change that counts [grey levels]."""

    side: Literal["left", "right"] = "left"
    """On which side it is looked for."""

    lines: int = Field(3, gt=0)
    """Lines that are looked along [count]."""

    label: str = Field("", max_length=12)
    """Text beside the gap."""

    gtin: str | None = Field(None, min_length=8)
    """Number of the article."""

    dark: bool = False
    """Whether the gap is darker than the board."""

    since: date | None = None
    """Day from which on it counts."""

    parts_mm: list[tuple[float, float]] = Field([], max_length=2)
    """Start and end of parts that do not count [mm]."""


class GapValues(Values):
    """What is measured of the gap."""

    gap_mm: float | None
    """Width of the gap [mm]."""

    coverage: float
    """Share in which it is seen [fraction]."""

    holes: int
    """Holes in it [count]."""

    seen: bool
    """Whether it is there."""

    text: str | None
    """What is read beside it."""

    day: date | None
    """Day that is read beside it."""


@step
def gap(view: View, params: GapParams) -> GapValues | NotMeasured:
    """Measure the widest gap."""
    if view.gray.std() < params.min_contrast:
        return NotMeasured("there is no contrast")
    return GapValues(
        gap_mm=1.0, coverage=0.5, holes=params.lines, seen=True, text=params.label, day=None
    )


class TaughtParams(Params):
    """What was taught."""

    reference: ReferenceFile
    """Taught from good cartons."""


class TaughtValues(Values):
    """How it differs."""

    difference: float
    """Largest difference from what was taught [grey levels]."""


@step
def taught(view: View, params: TaughtParams, prepared: Prepared) -> TaughtValues:
    """Compare with what was taught."""
    return TaughtValues(difference=float(view.gray.max()))


def teach(views: Sequence[View], params: TaughtParams, given: Given) -> Taught:
    """Make a reference of nothing but the format."""
    return Taught({"format": np.array([1])}, {})


def unmarked(view: View, params: GapParams) -> GapValues:
    """Look like a step, but lack its mark."""
    raise NotImplementedError
