"""The steps of a draft that find panels and labels, run on the good cartons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import CapturedSet
from engine.devices.clock import MachineClock
from engine.draft.corners import Matrix
from engine.draft.draft import Draft
from engine.draft.text import recipe_text
from engine.problems import Problem, ProblemsFound
from engine.replay.replay import Job, prepare_job
from engine.result import CameraResult, Value, trigger_name
from engine.run.camera import inspect_frame
from engine.teach.suspects import swapped

RECIPE = "recipe.yaml"


@dataclass(slots=True)
class Located:
    """Where panels and labels lie on the good cartons."""

    job: Job
    poses: dict[tuple[str, str], dict[int, Matrix]] = field(
        default_factory=dict[tuple[str, str], dict[int, Matrix]]
    )
    """mm to pixels of the frame, by camera and step, by trigger."""
    values: dict[tuple[str, str], dict[int, Mapping[str, Value]]] = field(
        default_factory=dict[tuple[str, str], dict[int, Mapping[str, Value]]]
    )
    results: dict[int, tuple[CameraResult, ...]] = field(
        default_factory=dict[int, tuple[CameraResult, ...]]
    )


def locate(draft: Draft, folder: Path, captured: CapturedSet, triggers: Sequence[int]) -> Located:
    """Find panels and labels on every good carton.

    Raises
    ------
    ProblemsFound
        With every carton on which one is not found, and why.
    """
    (folder / RECIPE).write_text(recipe_text(draft, places_only=True), "utf-8")
    job = prepare_job(captured, folder, draft.order, untaught_allowed=True)
    located = Located(job)
    clock = MachineClock()
    for arrival in CapturedSource(captured, job.plan.cameras, triggers).arrivals():
        plan = job.plan.cameras[arrival.camera]
        poses: dict[int, Matrix] = {}
        geometry = captured.cameras.of(arrival.camera)
        said = inspect_frame(plan, arrival, geometry, clock, poses=poses)
        for position, planned in enumerate(plan.steps):
            key = arrival.camera, planned.name
            if position in poses:
                located.poses.setdefault(key, {})[arrival.trigger] = poses[position]
                values = said.steps[position].values or {}
                located.values.setdefault(key, {})[arrival.trigger] = values
        located.results[arrival.trigger] = (*located.results.get(arrival.trigger, ()), said)
    _all_found(located)
    return located


def _all_found(located: Located) -> None:
    """Refuse good cartons on which a panel or label is not found; each is named."""
    problems = swapped(located.job, located.results)
    named = {(problem.path) for problem in problems}
    count = len(located.results)
    for trigger, cameras in located.results.items():
        if trigger_name(trigger) in named:
            continue
        for said in cameras:
            failed = [(s.step, s.not_measured or s.fault) for s in said.steps if s.values is None]
            failed = [(step, why) for step, why in failed if why]
            if said.fault is not None:
                failed.append(("", said.fault))
            for step, why in failed:
                found = len(located.poses.get((said.camera, step), {}))
                what = f"{said.camera}.{step} is not found on this good carton: {why}.\n"
                what += f"It is found on {found} of {count}. " + _advice(found, count, step)
                if not step:
                    what = f"This good carton has no usable frame: {why}."
                file = located.job.captured.files.get(trigger, {}).get(said.camera)
                problems.append(Problem(str(file or said.camera), 0, 0, trigger_name(trigger),
                                        "not-located", what))  # fmt: skip
    if problems:
        raise ProblemsFound(problems)


def _advice(found: int, count: int, step: str) -> str:
    if found * 2 >= count:
        return "Is the carton good? If not, leave it out of `cartons`."
    if step == "panel":
        return "Are its corners (clockwise from its own top left) and its size right?"
    return "Are its print file, size and place right?"
