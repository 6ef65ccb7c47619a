"""Which made-up defects a step is tried with: one table, by the step's name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from engine.graph.plan import PlannedStep
from engine.study import place_defects as place
from engine.study import print_defects as flaw
from engine.study.print_defects import Made
from engine.study.scene import Scene

Make: TypeAlias = Callable[[Scene, float, np.random.Generator], "Made | None"]


@dataclass(frozen=True, slots=True)
class Defect:
    """One kind of made-up defect."""

    name: str
    """As `--only` names it."""
    title: str
    unit: str
    log: bool
    """Whether sizes are spread, and detection fitted, over ln size."""
    low: float
    high: float
    """Smallest and largest size tried, in the unit; or, `of_side`, as a share of the region."""
    make: Make
    of_side: bool = False
    """Whether `high` is a share of the region's smaller side."""

    @property
    def words(self) -> str:
        """Give how it is made, in a sentence."""
        return (self.make.__doc__ or "").split("\n\n")[0].replace("\n    ", " ")

    def span(self, scene: Scene) -> tuple[float, float]:
        """Give the smallest and the largest size tried on a step's place."""
        high = self.high * scene.smaller_side if self.of_side else self.high
        return min(self.low, high / 4), high


DEFECTS: Mapping[str, Defect] = {
    d.name: d
    for d in (
        Defect("spot", "dark spot", "mm", True, 0.1, 0.25, flaw.spot, of_side=True),
        Defect("smudge", "smudge", "mm", True, 0.2, 0.4, flaw.smudge, of_side=True),
        Defect("missing-print", "missing print", "mm", True, 0.1, 0.4, flaw.missing_print,
               of_side=True),
        Defect("missing-line", "line without print", "mm", True, 0.02, 0.1, flaw.missing_line,
               of_side=True),
        Defect("character", "one character changed", "%", False, 1, 100, flaw.character_changed),
        Defect("paler", "contrast lowered", "%", False, 2, 98, flaw.paler),
        Defect("colour", "colour off", "%", True, 0.5, 60, flaw.colour_off),
        Defect("bars-voided", "bars voided, of their height", "%", False, 2, 100, flaw.bars_voided),
        Defect("strip-torn", "strip torn off the bars", "mm", True, 0.05, 0.25, flaw.strip_torn,
               of_side=True),
        Defect("blot", "dark blot on the code", "mm", True, 0.1, 0.3, flaw.blot, of_side=True),
        Defect("modules", "modules lost", "%", True, 0.5, 60, flaw.modules_lost),
        Defect("item-removed", "item removed", "%", False, 2, 100, flaw.item_removed),
        Defect("item-swapped", "item of another colour", "%", True, 0.5, 80, flaw.colour_off),
        Defect("shifted", "shifted", "mm", True, 0.2, 12, place.shifted),
        Defect("turned", "turned", "deg", True, 0.2, 20, place.turned),
        Defect("enlarged", "nearer, looks larger", "%", True, 0.1, 12, place.enlarged),
        Defect("corner-lifted", "one corner off", "mm", True, 0.1, 12, place.corner_lifted),
        Defect("covered", "covered", "%", False, 2, 100, place.covered),
        Defect("removed", "gone", "%", False, 2, 100, place.removed),
        Defect("line-up", "line moved up or left", "mm", True, 0.05, 0.35, place.line_up,
               of_side=True),
        Defect("line-down", "line moved down or right", "mm", True, 0.05, 0.35, place.line_down,
               of_side=True),
        Defect("line-tilted", "line tilted", "deg", True, 0.05, 6, place.line_tilted),
        Defect("line-hidden", "line hidden", "%", False, 2, 100, place.line_hidden),
    )
}  # fmt: skip
"""Every kind of made-up defect, by name."""

_ANY = ("spot", "smudge")
_CODE = ("bars-voided", "strip-torn", "modules", "blot", "paler")
_PLACED_AGAIN = ("shifted", "turned", "removed", "covered")
_OF_A_PLACE = ("covered", "enlarged", "corner-lifted")

APPLY_TO: Mapping[str, tuple[str, ...]] = {
    "locate": _OF_A_PLACE,
    "print_difference": ("missing-print", "missing-line", "spot", "smudge"),
    "colour": ("colour",),
    "printed_text": ("character", "missing-print", "smudge", "paler"),
    "code_content": _CODE,
    "code_grade_linear": _CODE,
    "code_grade_matrix": _CODE,
    "contents": ("item-removed", "item-swapped"),
    "flap_edge": ("line-up", "line-down", "line-tilted", "line-hidden"),
}
"""By the name of a step, the defects it is tried with; a step that is not here: spot, smudge."""


def defects_of(planned: PlannedStep, only: Iterable[str] = ()) -> list[Defect]:
    """Give the defects that a step of a recipe is tried with.

    Notes
    -----
    A step that finds something on what another step placed (a label on a panel) is tried
    with that thing shifted, turned, covered and gone. One that finds the carton itself and has
    no limit is only tried with it covered: cartons wander and turn by themselves.
    """
    names: tuple[str, ...] = APPLY_TO.get(planned.step.name, _ANY)
    if names is _OF_A_PLACE:
        if planned.placed_by is not None:
            names = _PLACED_AGAIN
        elif not planned.limits:
            names = ("covered",)
    wanted = set(only)
    return [DEFECTS[name] for name in names if not wanted or name in wanted]
