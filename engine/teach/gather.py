"""Good cartons through the recipe once: the views that teaching needs, and what steps said."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from engine.devices.cameras.captured import CapturedSource
from engine.devices.clock import MachineClock
from engine.graph.plan import PlannedStep
from engine.replay.replay import Job
from engine.result import CameraResult, StepResult
from engine.run.camera import inspect_frame
from engine.teach.folds import Gathered, TaughtStep
from steps.contract import View


@dataclass(frozen=True, slots=True)
class Looked:
    """What was seen of the good cartons."""

    gathered: tuple[Gathered, ...]
    """Views of the steps that are to be taught."""
    results: Mapping[int, tuple[CameraResult, ...]]
    """What each camera's steps said, by trigger."""


def look(
    job: Job,
    triggers: Sequence[int],
    steps: Sequence[tuple[str, str]] = (),
    say: Callable[[int], None] = lambda _: None,
) -> Looked:
    """Run the recipe on cartons, and keep the views of some steps.

    Parameters
    ----------
    job : Job
        Recipe (references may be missing) and set.
    triggers : sequence of int
        Which cartons.
    steps : sequence of (camera, step)
        Steps whose views are kept.
    say : callable
        Is told the trigger of each carton that is done.
    """
    wanted = {
        (planned.camera, planned.name): Gathered(planned)
        for camera in job.plan.cameras.values()
        for planned in camera.steps
        if (planned.camera, planned.name) in steps
    }
    clock = MachineClock()
    results: dict[int, list[CameraResult]] = {trigger: [] for trigger in triggers}
    for arrival in CapturedSource(job.captured, job.plan.cameras, triggers).arrivals():

        def watch(planned: PlannedStep, view: View, trigger: int = arrival.trigger) -> None:
            here = wanted.get((planned.camera, planned.name))
            if here is not None:
                here.triggers.append(trigger)
                here.views.append(view)

        plan = job.plan.cameras[arrival.camera]
        geometry = job.captured.cameras.of(arrival.camera)
        results[arrival.trigger].append(inspect_frame(plan, arrival, geometry, clock, watch))
        if len(results[arrival.trigger]) == len(job.plan.cameras):
            say(arrival.trigger)
    return Looked(
        tuple(wanted.values()), {trigger: tuple(said) for trigger, said in results.items()}
    )


def with_fresh(
    results: Mapping[int, tuple[CameraResult, ...]], taught: Sequence[TaughtStep]
) -> dict[int, tuple[CameraResult, ...]]:
    """Put the values that references without a carton gave of it in the place of its own.

    Parameters
    ----------
    results : mapping
        What steps said, by trigger.
    taught : sequence of TaughtStep
        Steps that were taught just now.
    """
    by_place = {(step.planned.camera, step.planned.name): step for step in taught}

    def renewed(trigger: int, said: StepResult) -> StepResult:
        step = by_place.get((said.camera, said.step))
        if step is None or said.waits_for is not None or trigger not in step.fresh:
            return said
        fresh = step.fresh[trigger]
        if isinstance(fresh, str):
            return replace(said, values=None, not_measured=fresh, fault=None)
        return replace(said, values=fresh, not_measured=None, fault=None)

    return {
        trigger: tuple(
            replace(camera, steps=tuple(renewed(trigger, said) for said in camera.steps))
            for camera in cameras
        )
        for trigger, cameras in results.items()
    }
