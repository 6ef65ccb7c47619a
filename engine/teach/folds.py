"""References from good cartons, and what they say of cartons that did not make them."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from engine.devices.cameras.captured import CapturedSource
from engine.devices.clock import MachineClock
from engine.faults import StepFault
from engine.frame import Frame
from engine.graph.plan import PlannedStep
from engine.graph.registry import reference_files
from engine.replay.replay import Job
from engine.result import Value
from engine.run.camera import inspect_frame
from steps.contract import Given, NotMeasured, Reference, Taught, UnusableReference, View

FOLDS = 5


@dataclass(slots=True)
class Gathered:
    """Views of good cartons for one step, with their triggers."""

    planned: PlannedStep
    triggers: list[int] = field(default_factory=list[int])
    views: list[View] = field(default_factory=list[View])


@dataclass(frozen=True, slots=True)
class TaughtStep:
    """One taught reference."""

    planned: PlannedStep
    reference: str
    """Name of the reference, as the recipe's settings give it."""
    taught: Taught
    left_out: Mapping[int, str]
    """Why a carton was not used, by trigger."""
    fresh: Mapping[int, Mapping[str, Value] | None]
    """Values of each carton by a reference that was made without it, by trigger."""


def gather(job: Job, triggers: Sequence[int], steps: Sequence[tuple[str, str]]) -> list[Gathered]:
    """Collect the views that the named steps get on the named cartons.

    Parameters
    ----------
    job : Job
        Recipe (references may be missing) and set.
    triggers : sequence of int
        Good cartons.
    steps : sequence of (camera, step)
        Steps to be taught.
    """
    wanted = {
        (planned.camera, planned.name): Gathered(planned)
        for camera in job.plan.cameras.values()
        for planned in camera.steps
        if (planned.camera, planned.name) in steps
    }
    clock = MachineClock()
    source = CapturedSource(job.captured, job.plan.cameras, triggers)
    for arrival in source.arrivals():
        if not isinstance(arrival, Frame):
            continue

        def watch(planned: PlannedStep, view: View, trigger: int = arrival.trigger) -> None:
            here = wanted.get((planned.camera, planned.name))
            if here is not None:
                here.triggers.append(trigger)
                here.views.append(view)

        plan = job.plan.cameras[arrival.camera]
        inspect_frame(plan, arrival, job.captured.cameras.of(arrival.camera), clock, watch)
    return list(wanted.values())


def teach_step(job: Job, gathered: Gathered) -> TaughtStep:
    """Make one reference, and measure every carton by references that were made without it.

    Raises
    ------
    StepFault
        When there are no views, or the step cannot make a reference of them.
    """
    planned = gathered.planned
    place = f"{planned.camera}.{planned.name}"
    if not gathered.views:
        message = f"{place}: no carton gave a view; is the step that places it measured?"
        raise StepFault(message)
    names = [name for _, name in reference_files(planned.params)]
    taught = _teach(job, planned, gathered.views)
    left_out = {gathered.triggers[i]: why for i, why in taught.left_out.items()}
    fresh = _fresh(job, gathered, set(taught.left_out))
    return TaughtStep(planned, names[0], taught, left_out, fresh)


def _teach(job: Job, planned: PlannedStep, views: Sequence[View]) -> Taught:
    teach = planned.step.teach
    if teach is None:
        message = f"{planned.camera}.{planned.name}: `{planned.step.name}` is not taught"
        raise StepFault(message)
    try:
        return teach(views, planned.params, _given(job, planned, {}))
    except UnusableReference as error:
        message = f"{planned.camera}.{planned.name}: {error.why}"
        raise StepFault(message) from error


def _given(job: Job, planned: PlannedStep, references: Mapping[str, Reference]) -> Given:
    size = planned.size_px
    region = None if size is None else (size[0] * planned.mm_per_px, size[1] * planned.mm_per_px)
    return Given(references, job.plan.order, planned.mm_per_px, region)


def _fresh(job: Job, gathered: Gathered, unused: set[int]) -> dict[int, Mapping[str, Value] | None]:
    """Measure each carton by a reference made of the other folds."""
    planned = gathered.planned
    values: dict[int, Mapping[str, Value] | None] = {}
    count = len(gathered.views)
    folds = min(FOLDS, count)
    for fold in range(folds if folds > 1 else 0):
        held = [i for i in range(count) if i % folds == fold]
        others = [i for i in range(count) if i % folds != fold and i not in unused]
        if not others:
            continue
        try:
            prepared = _prepared(
                job, planned, _teach(job, planned, [gathered.views[i] for i in others])
            )
        except StepFault:
            continue
        for i in held:
            said = planned.step.function(gathered.views[i], planned.params, prepared)
            values[gathered.triggers[i]] = (
                None
                if isinstance(said, NotMeasured)
                else {name: getattr(said, name) for name in planned.step.value_names}
            )
    return values


def _prepared(job: Job, planned: PlannedStep, taught: Taught) -> Any:
    if planned.step.prepare is None:
        return None
    names = [name for _, name in reference_files(planned.params)]
    references = {name: Reference(name, arrays=taught.arrays) for name in names}
    try:
        return planned.step.prepare(planned.params, _given(job, planned, references))
    except UnusableReference as error:
        message = f"{planned.camera}.{planned.name}: {error.why}"
        raise StepFault(message) from error


def write_reference(file: Path, taught: Taught) -> None:
    """Write a taught reference beside its recipe, whole or not at all; and its picture, if any."""
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **taught.arrays)  # type: ignore[arg-type]
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_suffix(file.suffix + ".part")
    part.write_bytes(buffer.getvalue())
    part.replace(file)
    if taught.picture is not None:
        pixels = taught.picture
        if pixels.ndim == 3:
            pixels = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR).astype(np.uint8)
        done, encoded = cv2.imencode(".png", pixels)
        if done:
            file.with_suffix(".taught.png").write_bytes(encoded.tobytes())
