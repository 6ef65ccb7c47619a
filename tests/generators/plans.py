"""Small plans built by hand, for tests of the loop that need no recipe."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from engine.frame import Frame
from engine.graph.plan import CameraPlan, Plan, PlannedLimit, PlannedReason, PlannedStep
from engine.graph.registry import Step, ValueInfo
from engine.recipe.model import Expects
from steps.contract import Marks, NotMeasured, Params, Pose, Values, View, no_marks


class ToyParams(Params):
    """Nothing to set."""


class ToyValues(Values):
    """One of each kind."""

    level: float | None = None
    """Mean grey level [grey levels]."""

    word: str | None = None
    """A word."""

    pose: Pose | None = None
    """Where it is."""

    marks: Marks = no_marks()
    """Nothing to see."""


class TickingClock:
    """A clock that goes one millisecond on each time it is read."""

    def __init__(self) -> None:
        self.now = 0.0

    def seconds(self) -> float:
        self.now += 0.001
        return self.now


def level_step(view: View, params: ToyParams) -> ToyValues | NotMeasured:
    """Measure the mean grey level; a frame that is all black is not measured."""
    if not view.gray.any():
        return NotMeasured("all is black")
    return ToyValues(level=float(view.gray.mean()), word="seen", pose=Pose(np.eye(3), (10.0, 10.0)))


def toy(function: Callable[..., Any] = level_step, *, rgb: bool = False) -> Step:
    """A step around a function that gives ToyValues."""
    return Step(
        name=function.__name__,
        function=function,  # type: ignore[arg-type]
        params=ToyParams,
        values={
            "level": ValueInfo("number", "grey levels", "Mean grey level [grey levels]."),
            "word": ValueInfo("text", "", "A word."),
        },
        value_names=("level", "word"),
        pose_name="pose",
        marks_name="marks",
        rgb=rgb,
        takes_prepared=False,
        prepare=None,
        teach=None,
        document="",
    )


def planned(
    name: str = "lid",
    camera: str = "top",
    function: Callable[..., Any] = level_step,
    **changes: Any,
) -> PlannedStep:
    """A step that looks at the whole frame, with what is named changed."""
    step = PlannedStep(
        camera=camera,
        name=name,
        step=toy(function),
        params=ToyParams(),
        prepared=None,
        placed_by=None,
        mm_per_px=1.0,
        origin_mm=(0.0, 0.0),
        size_px=None,
        offset_px=(0, 0),
        mask=None,
        left=(),
        limits=(),
        not_measured=PlannedReason(f"{name} not measured", ("unmeasured",)),
    )
    return replace(step, **changes)


def limit(
    value: str = "level", camera: str = "top", step: str = "lid", **bounds: Any
) -> PlannedLimit:
    """A limit on a value of the toy step."""
    kind = bounds.pop("kind", "number")
    reason = bounds.pop("reason", f"{value} wrong")
    return PlannedLimit(camera, step, value, kind, "grey levels", reason, **bounds)


def plan(*steps: PlannedStep, agree: Any = (), unique: Any = ()) -> Plan:
    """A plan over the cameras of these steps."""
    cameras: dict[str, list[PlannedStep]] = {}
    for step in steps:
        cameras.setdefault(step.camera, []).append(step)
    nothing = Expects(width_px=None, height_px=None, color=None)
    return Plan(
        product="toy",
        title="Toy",
        sha256="0" * 64,
        cameras={name: CameraPlan(name, nothing, tuple(s)) for name, s in cameras.items()},
        agree=tuple(agree),
        unique=tuple(unique),
        order={},
    )


def frame(level: int = 100, camera: str = "top", trigger: int = 1, **more: Any) -> Frame:
    """A frame of one grey level."""
    return Frame(camera, trigger, np.full((20, 30), level, np.uint8), **more)
