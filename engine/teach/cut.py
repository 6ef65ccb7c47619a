"""A picture of a part of a good carton, rectified: a reference where there is no print file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from engine.devices.cameras.captured import CapturedSource
from engine.devices.clock import MachineClock
from engine.faults import StepFault
from engine.frame import Frame
from engine.graph.plan import PlannedStep
from engine.replay.replay import Job
from engine.run.camera import inspect_frame
from engine.run.views import FrameImages, make_view
from steps.contract import Matrix


def cut_out(
    job: Job, trigger: int, camera: str, name: str, region_mm: tuple[float, float, float, float]
) -> NDArray[np.uint8]:
    """Cut a region out of one carton, rectified to the plane of a step's reference.

    Parameters
    ----------
    job : Job
        Recipe and set; references of other steps may still be missing.
    trigger : int
        The carton.
    camera, name : str
        The step whose reference gives the plane and the mm.
    region_mm : tuple
        Left, top, width and height of the region [mm].

    Returns
    -------
    (M, N) or (M, N, 3) uint8
        The region at the scale of the step's reference; RGB from a colour camera.

    Raises
    ------
    StepFault
        When the frame cannot be used, or the step found no pose on it.
    """
    plan = job.plan.cameras[camera]
    position = next(i for i, p in enumerate(plan.steps) if p.name == name)
    arrival = CapturedSource(job.captured, [camera]).read(trigger, camera)
    if not isinstance(arrival, Frame):
        message = f"{camera}: {arrival.why}"
        raise StepFault(message)
    geometry = job.captured.cameras.of(camera)
    poses: dict[int, Matrix] = {}
    result = inspect_frame(plan, arrival, geometry, MachineClock(), poses=poses)
    if position not in poses:
        said = result.steps[position] if result.steps else None
        why = (said.not_measured or said.fault or "not run") if said else result.fault
        message = f"{camera}.{name} found no pose on carton {trigger}: {why}"
        raise StepFault(message)
    view, _ = make_view(FrameImages(arrival), _window(plan.steps[position], position, region_mm),
                        poses, geometry)  # fmt: skip
    return view.gray if view.rgb is None else view.rgb


def _window(
    planned: PlannedStep, position: int, region_mm: tuple[float, float, float, float]
) -> PlannedStep:
    x, y, width, height = region_mm
    scale = planned.mm_per_px
    size = max(1, round(width / scale)), max(1, round(height / scale))
    return replace(
        planned,
        step=replace(planned.step, rgb=True),
        placed_by=position,
        origin_mm=(x, y),
        size_px=size,
        mask=None,
        left=(),
    )
