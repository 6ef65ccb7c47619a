"""What a recipe compiles to: per camera an ordered list of steps, and limits with their types."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from engine.graph.registry import Kind, Step
from engine.recipe.model import Expects

Point: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True)
class DaysFromToday:
    """A date bound that moves with the day of the trigger."""

    days: int

    def on(self, today: date) -> date:
        """Give the bound on a day."""
        return today + timedelta(days=self.days)


Bound: TypeAlias = "float | int | bool | str | date | DaysFromToday | None"


@dataclass(frozen=True, slots=True)
class PlannedLimit:
    """One limit, with its bounds in the value's own type and order fields filled in."""

    camera: str
    step: str
    value: str
    kind: Kind
    unit: str
    reason: str
    minimum: Bound = None
    maximum: Bound = None
    equals: Bound = None
    one_of: tuple[Bound, ...] | None = None
    matches: str | None = None
    catches: tuple[str, ...] = ()
    explained_by: tuple[str, ...] = ()
    may_be_missing: bool = False


@dataclass(frozen=True, slots=True)
class PlannedReason:
    """How a carton is named on which a step could not measure."""

    text: str
    catches: tuple[str, ...] = ()
    explained_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Left:
    """A part that a step does not look at, as a rectangle in mm of what places it."""

    placed_by: int | None
    """Position of the placing step in the plan; None = the same as the step itself."""
    corners_mm: NDArray[np.float64]
    """(4, 2) float64."""


class Untaught:
    """Stands for the prepared object of a step whose reference is still to be taught."""


@dataclass(frozen=True, slots=True, eq=False)
class PlannedStep:
    """One step, ready to run."""

    camera: str
    name: str
    step: Step
    params: Any
    prepared: Any
    placed_by: int | None
    """Position in the plan of the step that places this one."""
    mm_per_px: float
    origin_mm: Point
    """Top left corner of the view in mm of the placing reference."""
    size_px: tuple[int, int] | None
    """Width and height of the view; None = the whole frame."""
    offset_px: tuple[int, int]
    """Top left corner of the view in the frame, where nothing places the step."""
    mask: NDArray[np.uint8] | None
    """What is left out in the same places on every carton; None = nothing."""
    left: tuple[Left, ...]
    """What is left out in places that change from carton to carton."""
    limits: tuple[PlannedLimit, ...]
    not_measured: PlannedReason


@dataclass(frozen=True, slots=True)
class CameraPlan:
    """All steps of one camera, in an order in which each can run."""

    camera: str
    expects: Expects
    steps: tuple[PlannedStep, ...]


@dataclass(frozen=True, slots=True)
class PlannedAgreement:
    """Values that must be equal."""

    values: tuple[tuple[str, str, str], ...]
    """(camera, step, value) of each."""
    reason: PlannedReason
    tolerance: float
    unit: str


@dataclass(frozen=True, slots=True)
class PlannedUnique:
    """A value that no two cartons of a run may share."""

    value: tuple[str, str, str]
    """(camera, step, value)."""
    reason: PlannedReason
    among: frozenset[str] | None = None
    """The only good values, where the order lists them."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe that is ready to run; it cannot fail for its text any more."""

    product: str
    title: str
    sha256: str
    cameras: Mapping[str, CameraPlan]
    agree: tuple[PlannedAgreement, ...]
    unique: tuple[PlannedUnique, ...]
    order: Mapping[str, Any]
    """Values of the order, by field, in their own types."""
    warnings: tuple[str, ...] = field(default=())

    @property
    def identity(self) -> str:
        """Give the recipe as verdicts name it."""
        return f"{self.product}@{self.sha256}"


def words_of(name: str) -> str:
    """Give a name in words, as a default reason.

    Examples
    --------
    >>> words_of("gap_mm")
    'gap mm'
    """
    return re.sub(r"_+", " ", name).strip()
