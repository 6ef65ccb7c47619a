"""References from good cartons, and what they say of cartons that did not make them."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from engine.faults import StepFault
from engine.graph.plan import PlannedStep
from engine.graph.registry import reference_files
from engine.replay.replay import Job
from engine.result import Value
from steps.contract import Given, NotMeasured, Reference, Taught, UnusableReference, View

FOLDS = 5
UNFOLDED = "no reference could be made without it"


@dataclass(slots=True)
class Gathered:
    """Views of good cartons for one step, with their triggers."""

    planned: PlannedStep
    triggers: list[int] = field(default_factory=list[int])
    views: list[View] = field(default_factory=list[View])

    @property
    def place(self) -> str:
        """Give the step as `camera.step`."""
        return f"{self.planned.camera}.{self.planned.name}"


@dataclass(frozen=True, slots=True)
class TaughtStep:
    """One taught reference."""

    planned: PlannedStep
    reference: str
    """Name of the reference, as the recipe's settings give it."""
    taught: Taught
    used: int
    """Cartons that made it [count]."""
    left_out: Mapping[int, str]
    """Why a carton was not used, by trigger."""
    fresh: Mapping[int, Mapping[str, Value] | str]
    """Values of each carton by a reference that was made without it, by trigger; or why none."""
    failed: tuple[str, ...]
    """Why a reference could not be made without some of the cartons: those have no values."""


@dataclass(frozen=True, slots=True)
class _Fold:
    """A part of the cartons, measured by a reference made of the others."""

    values: Mapping[int, Mapping[str, Value] | str]
    failed: str | None = None


def teach_steps(
    job: Job,
    gathered: Sequence[Gathered],
    *,
    workers: int = 2,
    say: Callable[[str], None] = lambda _: None,
) -> list[TaughtStep]:
    """Make references, and measure every carton by references that were made without it.

    Parameters
    ----------
    job : Job
        The recipe and the set.
    gathered : sequence of Gathered
        The views of each step.
    workers : int
        How many references are made side by side.
    say : callable
        Is told what is being done.

    Raises
    ------
    StepFault
        When a step has no views, or cannot make a reference of them. Nothing is written.
    """
    for one in gathered:
        if not one.views:
            message = f"{one.place}: no carton gave a view; is the step that places it measured?"
            raise StepFault(message)
    with ThreadPoolExecutor(workers, thread_name_prefix="teach") as pool:
        whole = [pool.submit(_whole, job, one) for one in gathered]
        done: list[TaughtStep] = []
        for one, future in zip(gathered, whole, strict=True):
            say(f"teaching {one.place} from {len(one.views)} views")
            taught = future.result()
            done.append(_taught_step(job, one, taught, pool))
    return done


def _whole(job: Job, gathered: Gathered) -> Taught:
    """Teach from all views; what is made must be usable."""
    taught = _teach(job, gathered.planned, gathered.views)
    _prepared(job, gathered.planned, taught)
    return taught


def _taught_step(
    job: Job, gathered: Gathered, taught: Taught, pool: ThreadPoolExecutor
) -> TaughtStep:
    count = len(gathered.views)
    folds = min(FOLDS, count)
    unused = set(taught.left_out)
    parts: list[Future[_Fold]] = [
        pool.submit(_fold, job, gathered, [i for i in range(count) if i % folds == fold], unused)
        for fold in range(folds if folds > 1 else 0)
    ]
    done = [part.result() for part in parts]
    fresh: dict[int, Mapping[str, Value] | str] = {}
    for part in done:
        fresh |= part.values
    return TaughtStep(
        planned=gathered.planned,
        reference=next(name for _, name in reference_files(gathered.planned.params)),
        taught=taught,
        used=count - len(unused),
        left_out={gathered.triggers[i]: why for i, why in taught.left_out.items()},
        fresh=fresh,
        failed=tuple(part.failed for part in done if part.failed is not None),
    )


def _fold(job: Job, gathered: Gathered, held: Sequence[int], unused: set[int]) -> _Fold:
    """Measure some cartons by a reference made of the others."""
    planned = gathered.planned
    triggers = [gathered.triggers[i] for i in held]
    others = [i for i in range(len(gathered.views)) if i not in held and i not in unused]
    try:
        taught = _teach(job, planned, [gathered.views[i] for i in others])
        prepared = _prepared(job, planned, taught)
    except StepFault as fault:
        names = ", ".join(f"{trigger:06d}" for trigger in triggers)
        return _Fold(dict.fromkeys(triggers, f"{UNFOLDED}: {fault}"), f"without {names}: {fault}")
    values: dict[int, Mapping[str, Value] | str] = {}
    for i, trigger in zip(held, triggers, strict=True):
        said = _said(planned, gathered.views[i], prepared)
        values[trigger] = (
            said.why
            if isinstance(said, NotMeasured)
            else {name: _finite(getattr(said, name)) for name in planned.step.value_names}
        )
    return _Fold(values)


def _said(planned: PlannedStep, view: View, prepared: Any) -> Any:
    if planned.step.takes_prepared:
        return planned.step.function(view, planned.params, prepared)
    return planned.step.function(view, planned.params)


def _finite(value: Any) -> Value:
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _teach(job: Job, planned: PlannedStep, views: Sequence[View]) -> Taught:
    teach = planned.step.teach
    place = f"{planned.camera}.{planned.name}"
    if teach is None:
        message = f"{place}: `{planned.step.name}` is not taught"
        raise StepFault(message)
    if not views:
        message = f"{place}: no carton is left to teach from"
        raise StepFault(message)
    try:
        return teach(views, planned.params, _given(job, planned, {}))
    except UnusableReference as error:
        message = f"{place}: {error.why}"
        raise StepFault(message) from error


def _given(job: Job, planned: PlannedStep, references: Mapping[str, Reference]) -> Given:
    size = planned.size_px
    region = None if size is None else (size[0] * planned.mm_per_px, size[1] * planned.mm_per_px)
    return Given(references, job.plan.order, planned.mm_per_px, region)


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


def write_references(files: Mapping[Path, Taught]) -> None:
    """Write taught references, each with its picture, if any: all of them, or none.

    Parameters
    ----------
    files : mapping
        What each file is to hold.
    """
    staged: list[tuple[Path, Path]] = []
    try:
        for file, taught in files.items():
            file.parent.mkdir(parents=True, exist_ok=True)
            for target, raw in _contents(file, taught):
                part = target.with_name(target.name + ".part")
                staged.append((part, target))
                part.write_bytes(raw)
    except OSError as error:
        for part, _ in staged:
            part.unlink(missing_ok=True)
        message = f"the references cannot be written, and none was: {error}"
        raise StepFault(message) from error
    for part, target in staged:
        part.replace(target)


def _contents(file: Path, taught: Taught) -> list[tuple[Path, bytes]]:
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **taught.arrays)  # type: ignore[arg-type]
    found = [(file, buffer.getvalue())]
    if taught.picture is not None:
        pixels = taught.picture
        if pixels.ndim == 3:
            pixels = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR).astype(np.uint8)
        done, encoded = cv2.imencode(".png", pixels)
        if done:
            found.append((file.with_suffix(".taught.png"), encoded.tobytes()))
    return found
