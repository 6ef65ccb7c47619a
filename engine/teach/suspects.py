"""Cartons that are called good and do not look it, and sets that cannot teach what they should."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import CapturedSet
from engine.devices.clock import MachineClock
from engine.frame import Frame
from engine.graph.plan import Plan, Untaught
from engine.problems import Problem
from engine.replay.replay import Job
from engine.result import CameraResult, trigger_name
from engine.run.camera import inspect_frame
from engine.run.verdict import decide
from engine.teach.folds import UNFOLDED
from engine.teach.suggest import Spread

STANDS_OUT = 7.0
"""A carton stands out when it lies so many standard deviations from the mean of the others."""
SHORT_MIN = 30
"""Good cartons from less time than this say little of a whole run [min]."""


def set_problems(captured: CapturedSet, cameras: Sequence[str], triggers: Sequence[int]) -> (
    list[Problem]
):  # fmt: skip
    """Find frames whose size is not that of the other frames of their camera, before any work.

    Parameters
    ----------
    captured : CapturedSet
        The set.
    cameras : sequence of str
        Cameras of the recipe.
    triggers : sequence of int
        The good cartons.
    """
    sizes: dict[str, dict[int, tuple[int, int]]] = {camera: {} for camera in cameras}
    for trigger in triggers:
        for camera in cameras:
            file = captured.files.get(trigger, {}).get(camera)
            size = None if file is None else _size(file)
            if size is not None:
                sizes[camera][trigger] = size
    usual = {camera: Counter(found.values()).most_common(1)[0][0]
             for camera, found in sizes.items() if found}  # fmt: skip
    problems: list[Problem] = []
    for camera, found in sizes.items():
        for trigger, size in found.items():
            if size == usual[camera]:
                continue
            what = f"The frame is {_px(size)}, the others of {camera} are {_px(usual[camera])}."
            others = [c for c in usual if c != camera and usual[c] == size]
            if others:
                what += f" Frames of {' and '.join(others)} are so: were cameras swapped?"
            file = captured.files[trigger][camera]
            problems.append(Problem(str(file), 0, 0, trigger_name(trigger), "cartons", what))
    return problems


def _size(file: Path) -> tuple[int, int] | None:
    from PIL import Image

    try:
        with Image.open(file) as image:
            return image.size
    except Exception:  # noqa: BLE001 - an image that cannot be read is told as a frame's fault
        return None


def _px(size: tuple[int, int]) -> str:
    return f"{size[0]} x {size[1]} px"


def swapped(job: Job, results: Mapping[int, tuple[CameraResult, ...]]) -> list[Problem]:
    """Find cartons on which one camera's frame shows what another camera should see.

    A carton is looked at when two of its cameras found nothing that places their other steps; it
    is named when each of them finds it on the frame of the other.

    Parameters
    ----------
    job : Job
        Recipe and set.
    results : mapping
        What steps said, by trigger.
    """
    problems: list[Problem] = []
    for trigger, cameras in results.items():
        blind = [said.camera for said in cameras if _blind(job.plan, said)]
        for i, one in enumerate(blind):
            for other in blind[i + 1 :]:
                if _sees(job, trigger, one, other) and _sees(job, trigger, other, one):
                    what = f"The frame of {one} shows what {other} should see, and the other way "
                    what += "round: were the cameras swapped?"
                    file = job.captured.files[trigger][one]
                    at = trigger_name(trigger)
                    problems.append(Problem(str(file), 0, 0, at, "cartons", what))
    return problems


def _blind(plan: Plan, said: CameraResult) -> bool:
    """Say whether a camera gave a frame on which its first step found nothing."""
    if said.fault is not None:
        return said.fault.startswith("unfit")
    first = {p.name for p in plan.cameras[said.camera].steps if p.placed_by is None}
    return any(s.values is None and s.step in first for s in said.steps)


def _sees(job: Job, trigger: int, camera: str, frame_of: str) -> bool:
    """Say whether a camera's first steps measure on the frame of another camera."""
    arrival = CapturedSource(job.captured, [frame_of]).read(trigger, frame_of)
    if not isinstance(arrival, Frame):
        return False
    plan = job.plan.cameras[camera]
    as_ours = replace(arrival, camera=camera)
    said = inspect_frame(plan, as_ours, job.captured.cameras.of(camera), MachineClock())
    return said.fault is None and not _blind(job.plan, said)


def short_stretch(captured: CapturedSet, triggers: Sequence[int]) -> str | None:
    """Say why good cartons may be too alike: all from one short stretch; None where they are not.

    Parameters
    ----------
    captured : CapturedSet
        The set; frames.csv may give times.
    triggers : sequence of int
        The good cartons.
    """
    times = [
        said.taken_at
        for (trigger, _), said in captured.times.items()
        if trigger in set(triggers) and said.taken_at is not None
    ]
    if times:
        minutes = (max(times) - min(times)).total_seconds() / 60
        if minutes >= SHORT_MIN:
            return None
        said = f"all were taken within {max(1, math.ceil(minutes))} min"
    elif triggers and max(triggers) - min(triggers) + 1 == len(triggers):
        said = f"they are {min(triggers)} to {max(triggers)}, one after the other"
    else:
        return None
    return (
        f"The good cartons come from one stretch: {said}. Take some from the start, the middle and "
        "the end\nof a run and from three label reels: what was not seen as good will be rejected."
    )


def outliers(
    plan: Plan, results: Mapping[int, tuple[CameraResult, ...]], found: Sequence[Spread]
) -> dict[int, list[str]]:
    """Name the cartons that do not look good, with the reasons.

    A carton is named when a frame or a step failed on it, or when a value under a limit lies
    `STANDS_OUT` standard deviations from the others, on a side that the limit bounds. Nothing but
    good cartons has a say in this.

    Parameters
    ----------
    plan : Plan
        The recipe.
    results : mapping
        What steps said, by trigger.
    found : sequence of Spread
        The values over the good cartons.
    """
    named: dict[int, list[str]] = {}
    untaught = {
        f"{p.camera}.{p.name}"
        for camera in plan.cameras.values()
        for p in camera.steps
        if isinstance(p.prepared, Untaught)
    }
    for trigger, cameras in results.items():
        verdict = decide(plan, trigger, cameras)
        failed = [r for r in verdict.reasons if r.kind in ("fault", "not_measured")]
        ours = [r.text for r in failed if not (r.place in untaught and "not taught yet" in r.text)]
        ours = [text for text in ours if UNFOLDED not in text]
        if ours:
            named[trigger] = ours
    for spread in found:
        if spread.limit is not None and len(spread.numbers) >= 5:
            for trigger, text in _far(spread).items():
                named.setdefault(trigger, []).append(text)
    return dict(sorted(named.items()))


def _far(spread: Spread) -> dict[int, str]:
    """Name the cartons that would break a limit made of the others.

    Those far from the median, in robust spreads, are set aside first, so that several of them do
    not hide each other. The middle half of the values tells whether to look at their logarithms.
    """
    low, middle, high = statistics.quantiles(spread.numbers, n=4, method="inclusive")
    logarithmic = min(spread.numbers) > 0 and high - middle > 1.5 * (middle - low)
    at = {t: math.log(v) if logarithmic else v for t, v in spread.by_trigger.items()}
    floor = spread.least_sd / middle if logarithmic else spread.least_sd
    centre = statistics.median(at.values())
    robust = max(1.4826 * statistics.median([abs(v - centre) for v in at.values()]), floor)
    rest = [v for v in at.values() if abs(v - centre) <= STANDS_OUT * robust]
    mean, sd = statistics.fmean(rest), max(statistics.stdev(rest), floor)
    return {
        trigger: f"{spread.place} {spread.by_trigger[trigger]:.4g}, usual {middle:.4g}: "
        f"{abs(value - mean) / sd:.0f} spreads of the others"
        for trigger, value in at.items()
        if abs(value - mean) > STANDS_OUT * sd and _limited_side(spread, spread.by_trigger[trigger])
    }


def _limited_side(spread: Spread, value: float) -> bool:
    """Say whether a limit bounds the side of the median on which a value lies."""
    limit = spread.limit
    if limit is None or (limit.minimum is None and limit.maximum is None):
        return True
    below = value < statistics.median(spread.numbers)
    return (limit.minimum if below else limit.maximum) is not None


def no_frames(
    captured: CapturedSet, results: Mapping[int, tuple[CameraResult, ...]]
) -> list[Problem]:
    """Say so where a camera gave not one frame that can be used.

    Parameters
    ----------
    captured : CapturedSet
        The set.
    results : mapping
        What steps said, by trigger.
    """
    faults: dict[str, list[str | None]] = {}
    for cameras in results.values():
        for said in cameras:
            faults.setdefault(said.camera, []).append(said.fault)
    return [
        Problem(
            str(captured.folder), 0, 0, camera, "no-frames",
            f"Not one of the {len(told)} good cartons gave a frame of {camera} that can be used; "
            f"the first: {told[0]}.",
        )
        for camera, told in faults.items()
        if all(fault is not None for fault in told)
    ]  # fmt: skip
