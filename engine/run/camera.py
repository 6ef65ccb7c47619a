"""One camera's plan over one frame: views, steps, values. The only caller of steps."""

from __future__ import annotations

import math
import traceback
from collections.abc import Callable
from typing import Any, TypeAlias

from engine.frame import Arrival, CameraGeometry, Frame
from engine.graph.plan import CameraPlan, PlannedStep, Untaught
from engine.ports import Clock
from engine.result import CameraResult, PlacedMark, StepResult, Value, placed
from engine.run.views import FrameImages, make_view, through
from steps.contract import Mark, Matrix, NotMeasured, Pose, Values, View

Watch: TypeAlias = Callable[[PlannedStep, View], None]
"""Is shown every view that a step is about to look at."""


def inspect_frame(
    plan: CameraPlan,
    arrival: Arrival,
    geometry: CameraGeometry,
    clock: Clock,
    watch: Watch | None = None,
    poses: dict[int, Matrix] | None = None,
) -> CameraResult:
    """Run every step of a camera on one frame.

    A step that raises makes a fault that names it; the others go on. A step whose placing step
    found nothing is not run, and says for which it waits.

    Parameters
    ----------
    plan : CameraPlan
        The camera's steps in running order.
    arrival : Frame or FrameFailure
        The frame, or what came instead.
    geometry : CameraGeometry
        What is known of the camera.
    clock : Clock
        For the time each step took.
    watch : callable, optional
        Is shown every view, for teaching and for pictures.
    poses : dict, optional
        Is filled with the pose each step found, by its position in the plan: mm to frame pixels.

    Returns
    -------
    CameraResult
        What each step said, in the plan's order.
    """
    if not isinstance(arrival, Frame):
        return CameraResult(plan.camera, fault=f"{arrival.kind} frame: {arrival.why}")
    unfit = _unfit(plan, arrival)
    if unfit is not None:
        return CameraResult(plan.camera, fault=unfit)
    started = clock.seconds()
    images = FrameImages(arrival)
    poses = {} if poses is None else poses
    results: list[StepResult] = []
    for position, planned in enumerate(plan.steps):
        if planned.placed_by is not None and planned.placed_by not in poses:
            waits_for = plan.steps[planned.placed_by].name
            results.append(StepResult(plan.camera, planned.name, None, waits_for=waits_for))
            continue
        results.append(_run_step(planned, position, images, poses, geometry, clock, watch))
    return CameraResult(plan.camera, tuple(results), ms=1000 * (clock.seconds() - started))


def _unfit(plan: CameraPlan, frame: Frame) -> str | None:
    expects = plan.expects
    rows, columns = frame.pixels.shape[:2]
    wanted = (expects.width_px or columns, expects.height_px or rows)
    if (columns, rows) != wanted:
        return (
            f"unfit frame: {columns} x {rows} px, but the recipe expects {wanted[0]} x {wanted[1]}"
        )
    color = frame.pixels.ndim == 3
    if expects.color is not None and color != expects.color:
        have, want = ("colour", "grey") if color else ("grey", "colour")
        return f"unfit frame: it is {have}, but the recipe expects {want}"
    return None


def _run_step(
    planned: PlannedStep,
    position: int,
    images: FrameImages,
    poses: dict[int, Matrix],
    geometry: CameraGeometry,
    clock: Clock,
    watch: Watch | None,
) -> StepResult:
    started = clock.seconds()
    camera, name = planned.camera, planned.name
    try:
        view, around = make_view(images, planned, poses, geometry)
        if watch is not None:
            watch(planned, view)
        said = _said(planned, view)
        ms = 1000 * (clock.seconds() - started)
        if isinstance(said, NotMeasured):
            return StepResult(camera, name, None, not_measured=said.why, ms=ms, outline=around)
        _keep_pose(planned, position, said, view, poses)
        values = {n: _finite(getattr(said, n)) for n in planned.step.value_names}
        marks = _marks(planned, said, view)
        return StepResult(camera, name, values, ms=ms, outline=around, marks=marks)
    except Exception as error:  # noqa: BLE001 - whatever a step raises is a fault of this carton
        ms = 1000 * (clock.seconds() - started)
        return StepResult(camera, name, None, fault=_raised(error), ms=ms)


def _said(planned: PlannedStep, view: View) -> Values | NotMeasured:
    if view.gray.size == 0:
        return NotMeasured("the region lies outside the frame")
    if isinstance(planned.prepared, Untaught):
        return NotMeasured("its reference is not taught yet")
    if planned.step.takes_prepared:
        return planned.step.function(view, planned.params, planned.prepared)
    return planned.step.function(view, planned.params)


def _keep_pose(
    planned: PlannedStep, position: int, said: Values, view: View, poses: dict[int, Matrix]
) -> None:
    pose: Pose | None = getattr(said, planned.step.pose_name) if planned.step.pose_name else None
    if pose is not None:
        poses[position] = view.to_frame @ pose.matrix


def _finite(value: Any) -> Value:
    """Give None for a number that is not finite: it was not measured."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _marks(planned: PlannedStep, said: Values, view: View) -> tuple[PlacedMark, ...]:
    if planned.step.marks_name is None:
        return ()
    marks: tuple[Mark, ...] = getattr(said, planned.step.marks_name)
    return tuple(
        PlacedMark(placed(through(view.to_frame, m.points)), m.kind, m.text, m.tone) for m in marks
    )


def _raised(error: Exception) -> str:
    where = traceback.extract_tb(error.__traceback__)[-1]
    text = " ".join(str(error).split())[:200]
    return f"{type(error).__name__}: {text} ({where.name}, line {where.lineno})"
