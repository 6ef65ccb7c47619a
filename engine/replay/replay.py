"""A captured set through the loop."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2

from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import CapturedSet
from engine.devices.clock import MachineClock
from engine.graph.compile import compile_recipe
from engine.graph.plan import Plan
from engine.ports import Sink
from engine.problems import Problem, ProblemsFound, listed, nearest
from engine.recipe.load import load_recipe
from engine.recipe.model import Recipe, StepSpec, VerdictRules
from engine.result import RunIdentity
from engine.run.in_order import seen_in
from engine.run.loop import Inspector, run_loop


@dataclass(frozen=True, slots=True)
class Job:
    """A recipe ready to run on a set."""

    plan: Plan
    captured: CapturedSet

    def identity(self, version: str, run: str | None = None) -> RunIdentity:
        """Give what every verdict of this job names: recipe, order, cameras, version."""
        return RunIdentity(
            run=run or str(uuid.uuid4()),
            recipe=self.plan.identity,
            order={name: str(value) for name, value in self.plan.order.items()},
            cameras=self.captured.cameras.sha256,
            version=version,
        )


def prepare_job(
    captured: CapturedSet,
    recipe: Path,
    order: Mapping[str, str],
    *,
    untaught_allowed: bool = False,
    only: tuple[str, str] | None = None,
) -> Job:
    """Load and compile a recipe for a set.

    Parameters
    ----------
    captured : CapturedSet
        The set; its own order values serve where none are given.
    recipe : Path
        The recipe's folder or file.
    order : mapping
        Order values given for this replay.
    untaught_allowed : bool
        Whether references that are still to be taught may be missing.
    only : (camera, step), optional
        Only this step and those that place it: nothing else of the recipe need be ready.

    Raises
    ------
    ProblemsFound
        With every mistake; also when the set holds no frame of a camera of the recipe.
    """
    loaded = load_recipe(recipe, keep_going=only is None)
    if only is not None:
        loaded = replace(loaded, recipe=_reduced(loaded.recipe, *only))
    values = {**captured.order, **order}
    plan = compile_recipe(loaded, values, captured.cameras, untaught_allowed=untaught_allowed)
    absent = [name for name in plan.cameras if name not in captured.camera_names]
    if absent:
        what = (
            f"The set holds no frame of {listed(absent)}; it holds {listed(captured.camera_names)}."
        )
        raise ProblemsFound(
            [
                loaded.document.problem(("cameras", name), "no-camera", what, at_key=True)
                for name in absent
            ]
        )
    return Job(plan, captured)


def _reduced(recipe: Recipe, camera: str, step: str) -> Recipe:
    """Give a recipe with one step and those that place it, without limits."""
    spec = recipe.cameras.get(camera)
    kept: dict[str, StepSpec] = {}
    while spec is not None and step in spec.steps and step not in kept:
        bare = {"limits": {}, "not_measured": None, "leave_out": []}
        kept[step] = spec.steps[step].model_copy(update=bare)
        step = kept[step].placed_by or ""
    if spec is None or not kept:
        there = [f"{c}.{s}" for c, spec in recipe.cameras.items() for s in spec.steps]
        place = f"{camera}.{step}"
        what = f"The recipe has no such step.{nearest(place, there)}\nIts steps: {listed(there)}."
        raise ProblemsFound([Problem("--place", 0, 0, place, "unknown-step", what)])
    cameras = {camera: spec.model_copy(update={"steps": kept})}
    return recipe.model_copy(update={"cameras": cameras, "verdict": VerdictRules()})


def replay(
    job: Job,
    sinks: Sequence[Sink],
    *,
    triggers: Iterable[int] | None = None,
    jobs: int = 1,
    stop: Callable[[], bool] = lambda: False,
    earlier: Iterable[Mapping[str, object]] = (),
) -> None:
    """Send a set's cartons through the loop.

    Parameters
    ----------
    job : Job
        Recipe and set.
    sinks : sequence of Sink
        Where verdicts go.
    triggers : iterable of int, optional
        Which cartons; by default all.
    jobs : int
        Threads that inspect; as many read ahead.
    stop : callable
        Asked before each carton whether to end.
    earlier : iterable of mapping
        Result rows of cartons of the same run that are done already.
    """
    cv2.setNumThreads(1)  # cameras run side by side: threads inside each call only get in the way
    source = CapturedSource(job.captured, job.plan.cameras, triggers, readers=jobs)
    inspector = Inspector(job.plan, job.captured.cameras, MachineClock(), job.captured.day)
    seen = seen_in(job.plan.unique, earlier)
    run_loop(inspector, source, sinks, workers=jobs, stop=stop, expected=source.triggers, seen=seen)


def canonical(row: Mapping[str, object]) -> str:
    """Give a result row without what differs from run to run: for comparing two replays."""
    return json.dumps(
        {k: v for k, v in row.items() if k not in ("ms", "run")}, sort_keys=True, default=str
    )
