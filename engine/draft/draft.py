"""A recipe in the making: the answers, and what was found for each of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from engine.draft.answers import Answers, Box, Camera
from engine.draft.codes import Expected
from engine.draft.corners import Corners


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit that good cartons suggest."""

    text: str
    """As in a recipe: `max: 1.2` or `min: 0.3, max: 0.5`."""
    reason: str
    sound: bool = True
    """Whether it may stand as a limit; else it is written as a comment."""


@dataclass(slots=True)
class CodeDraft:
    """A code that is to be read."""

    symbology: str
    on: str
    region: Box
    expected: list[Expected]
    count: int
    """Good cartons on which it was read [count]."""
    more: int = 0
    """Further codes of its kind in the frame [count]."""
    is_linear: bool = True


@dataclass(slots=True)
class CameraDraft:
    """One camera of the recipe."""

    answers: Camera
    width_px: int
    height_px: int
    color: bool
    nominal: int
    """The good carton that lies in the middle of all."""
    reference: str
    corners: Corners
    is_frame: bool
    how: str
    """How the corners came about, for the comment."""
    leave_out: list[tuple[Box, str]] = field(default_factory=list[tuple[Box, str]])
    """Parts of the panel that do not count, each with its reason."""
    label_files: dict[str, str] = field(default_factory=dict[str, str])
    label_at: dict[str, tuple[float, float]] = field(default_factory=dict[str, tuple[float, float]])
    label_how: dict[str, str] = field(default_factory=dict[str, str])
    codes: dict[str, CodeDraft] = field(default_factory=dict[str, CodeDraft])
    counts: dict[str, int] = field(default_factory=dict[str, int])
    """How many round items each of `contents` must hold."""
    edges_mm: dict[str, float] = field(default_factory=dict[str, float])
    """Where each edge runs on good cartons, below its region's top [mm]."""


@dataclass(slots=True)
class Draft:
    """The recipe."""

    answers: Answers
    set_name: str
    cartons: int
    """Good cartons [count]."""
    order: Mapping[str, str]
    words: frozenset[str]
    """Defect words of the set's truth."""
    cameras: dict[str, CameraDraft] = field(default_factory=dict[str, CameraDraft])
    bounds: dict[str, Bound] = field(default_factory=dict[str, Bound])
    """Limits that good cartons suggest, by `camera.step.value`."""

    def flaps(self) -> list[str]:
        """Give the steps that see lids and flaps; their faults explain others."""
        found: list[str] = []
        for name, camera in self.cameras.items():
            found += [f"{name}.panel"] if camera.answers.panel.is_flap else []
            found += [f"{name}.{edge}" for edge in camera.answers.edges]
        return found
