"""What a recipe catches: made-up defects of growing size in good frames, run through the engine."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from engine.devices.cameras.captured import CapturedSource
from engine.devices.clock import MachineClock
from engine.frame import Frame, FrameFailure, TriggerSet
from engine.graph.plan import PlannedStep
from engine.problems import Problem, ProblemsFound
from engine.replay.replay import Job
from engine.result import CameraResult, CartonVerdict, Finding, StepResult
from engine.run.camera import inspect_frame
from engine.run.loop import Inspector
from engine.study.camera_look import Look, measure_look
from engine.study.defects import Defect, defects_of
from engine.study.disturbances import DISTURBANCES, Disturbance
from engine.study.painting import Matrix
from engine.study.print_defects import Made
from engine.study.scene import Scene, plane_of
from engine.study.stress_results import (
    Curve,
    Disturbed,
    Example,
    FrameLoss,
    Stress,
    Trial,
    all_limits,
    key_of,
    picture_of,
)
from engine.study.stress_sizes import next_span, spread
from steps.contract import View

MOST_CARTONS = 24
"""Of more good cartons, so many are chosen evenly [count]."""
DISTURBED_CARTONS = 6
"""On how many good cartons each disturbance is tried [count]."""
ROUNDS = 3
"""Sizes are chosen in so many rounds: over the whole span first, then where it is decided."""

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class GoodCarton:
    """One good carton as the engine saw it."""

    frames: TriggerSet
    results: Mapping[str, CameraResult]
    scenes: Mapping[tuple[str, str], Scene]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be tried."""

    per_defect: int = 60
    seed: int = 1
    only: tuple[str, ...] = ()
    jobs: int = 1


class StressRun:
    """Everything made ready for trying defects on one recipe's good cartons.

    Parameters
    ----------
    job : Job
        Recipe and set.
    triggers : sequence of int
        Good cartons.
    wanted : Wanted
        How much is tried.

    Raises
    ------
    ProblemsFound
        When no carton is there, or none of them passes the recipe.
    """

    def __init__(self, job: Job, triggers: Sequence[int], wanted: Wanted) -> None:
        cv2.setNumThreads(1)
        self.job, self.wanted = job, wanted
        self.inspector = Inspector(job.plan, job.captured.cameras, MachineClock(), job.captured.day)
        self.source = CapturedSource(job.captured, job.plan.cameras)
        self.left_out: dict[int, str] = {}
        self.bare: dict[int, CartonVerdict] = {}
        chosen = _evenly(triggers, MOST_CARTONS)
        self.chosen = len(chosen)
        sets = [self.frames_of(trigger) for trigger in chosen]
        self.looks = {name: self._look(name, sets) for name in job.plan.cameras}
        self.cartons = [c for c in map(self._good, sets) if c is not None]
        if not self.cartons:
            raise ProblemsFound([self._none_passes(chosen)])

    @property
    def trials(self) -> int:
        """Give how many frames will be inspected at most."""
        return len(self.pairs()) * self.wanted.per_defect + sum(
            min(DISTURBED_CARTONS, len(self.cartons)) * len(d.sizes)
            for _ in self.job.plan.cameras for d in self.disturbances()
        )  # fmt: skip

    def pairs(self) -> list[tuple[PlannedStep, Defect]]:
        """Give every step with every defect that it is tried with."""
        return [
            (planned, defect)
            for camera in self.job.plan.cameras.values()
            for planned in camera.steps
            for defect in defects_of(planned, self.wanted.only)
        ]

    def disturbances(self) -> list[Disturbance]:
        """Give the disturbances that are tried."""
        only = self.wanted.only
        return [d for name, d in DISTURBANCES.items() if not only or name in only]

    def run(
        self, done: Callable[[int], None] = lambda _: None, say: Tell = lambda _: None
    ) -> Stress:
        """Try everything.

        Parameters
        ----------
        done : callable
            Is told how many more frames have been dealt with.
        say : callable
            Is told what is tried now.
        """
        with ThreadPoolExecutor(self.wanted.jobs, thread_name_prefix="stress") as pool:
            curves: list[Curve] = []
            for number, (planned, defect) in enumerate(self.pairs()):
                say(f"{planned.camera}.{planned.name}: {defect.title}")
                curves.append(self._curve(pool, number, planned, defect, done))
            disturbed = [
                self._disturbed(pool, camera, d, done, say)
                for camera in self.job.plan.cameras
                for d in self.disturbances()
            ]
        only = self.wanted.only
        losses = self._losses() if not only or "camera" in only else []
        return Stress(
            product=self.job.plan.product,
            title=self.job.plan.title,
            recipe=self.job.plan.identity,
            seed=self.wanted.seed,
            per_defect=self.wanted.per_defect,
            cartons=tuple(c.frames.trigger for c in self.cartons),
            left_out=dict(self.left_out),
            looks=self.looks,
            curves=tuple(curves),
            disturbed=tuple(disturbed),
            losses=tuple(losses),
            limits=all_limits(self.job.plan),
            complete=not only,
        )

    # -- good cartons -----------------------------------------------------------------------

    def frames_of(self, trigger: int) -> TriggerSet:
        """Read all frames of one carton."""
        frames = {name: self.source.read(trigger, name) for name in self.job.plan.cameras}
        return TriggerSet(trigger, frames)

    def _look(self, camera: str, sets: Iterable[TriggerSet]) -> Look:
        there = [f for s in sets if isinstance(f := s.frames[camera], Frame)]
        return measure_look(_evenly(there, 5)) if there else Look(0.7, (128.0,), (1.0,))

    def _good(self, frames: TriggerSet) -> GoodCarton | None:
        results: dict[str, CameraResult] = {}
        scenes: dict[tuple[str, str], Scene] = {}
        for name in self.job.plan.cameras:
            results[name] = self._seen(name, frames, scenes)
        verdict = self.inspector.verdict(frames, list(results.values()))
        if verdict.verdict != "fault":
            self.bare[frames.trigger] = verdict
        if verdict.verdict != "pass":
            self.left_out[frames.trigger] = "; ".join(r.text for r in verdict.reasons)
            return None
        return GoodCarton(frames, results, scenes)

    def _seen(
        self, camera: str, frames: TriggerSet, scenes: dict[tuple[str, str], Scene]
    ) -> CameraResult:
        plan = self.job.plan.cameras[camera]
        views: dict[str, View] = {}
        poses: dict[int, Matrix] = {}
        geometry = self.job.captured.cameras.of(camera)
        arrival = frames.frames[camera]

        def watch(planned: PlannedStep, view: View) -> None:
            views[planned.name] = view

        result = inspect_frame(plan, arrival, geometry, self.inspector.clock, watch, poses)
        said = {s.step: s for s in result.steps}
        for position, planned in enumerate(plan.steps):
            where = plane_of(planned, position, poses, geometry.mm_per_px)
            if where is None or planned.name not in views or not isinstance(arrival, Frame):
                continue
            plane, region, mask_fits = where
            mask = views[planned.name].mask if mask_fits else None
            scenes[camera, planned.name] = Scene(
                arrival, geometry.gamma, self.looks[camera], planned, said[planned.name],
                plane, region, mask,
            )  # fmt: skip
        return result

    def _none_passes(self, chosen: Sequence[int]) -> Problem:
        first = list(self.left_out.items())[:5]
        lines = [f"{trigger:06d}: {why}" for trigger, why in first]
        more = len(self.left_out) - len(first)
        what = "\n".join(
            [
                f"None of the {len(chosen)} good cartons passes this recipe, so there is nothing "
                "to make a defect in. Replay them, and mend the recipe first:",
                *lines,
                *([f"and {more} more"] if more > 0 else []),
            ]
        )
        return Problem(str(self.job.captured.folder), 0, 0, "", "no-good-carton", what)

    # -- one defect -------------------------------------------------------------------------

    def _curve(
        self,
        pool: ThreadPoolExecutor,
        number: int,
        planned: PlannedStep,
        defect: Defect,
        done: Callable[[int], None],
    ) -> Curve:
        place = (planned.camera, planned.name)
        cartons = [c for c in self.cartons if place in c.scenes]
        curve = Curve(planned.camera, planned.name, planned.step.name, defect)
        if not cartons:
            done(self.wanted.per_defect)
            curve.why_none = "nothing says how many mm a pixel is here"
            return curve
        span = defect.span(cartons[0].scenes[place])
        each = -(-self.wanted.per_defect // ROUNDS)
        for turn in range(ROUNDS):
            count = min(each, self.wanted.per_defect - turn * each)
            rng = np.random.default_rng([self.wanted.seed, number, turn])
            sizes = spread(next_span(curve.trials, span, defect), count, defect.log, rng)
            asked = [
                (
                    cartons[(turn * each + k) % len(cartons)],
                    size,
                    [self.wanted.seed, number, turn, k],
                )
                for k, size in enumerate(sizes)
            ]
            for found in pool.map(lambda a: self._trial(planned, defect, *a), asked):
                done(1)
                if found is not None:
                    curve.take(*found)
        if not curve.trials:
            curve.why_none = "it cannot be made here: no room for it, or nothing of its kind"
        curve.bare = [_as_trial(t, 0.0, v, planned) for t, v in self.bare.items()]
        curve.fit()
        return curve

    def _trial(
        self, planned: PlannedStep, defect: Defect, carton: GoodCarton, size: float, seed: list[int]
    ) -> tuple[Trial, Callable[[], Example]] | None:
        """Make one defect and have the engine judge the carton."""
        scene = carton.scenes[planned.camera, planned.name]
        try:
            made = defect.make(scene, size, np.random.default_rng(seed))
        except (cv2.error, np.linalg.LinAlgError, ValueError, IndexError):
            return None  # a place at the frame's end, or a mark without an area
        if made is None:
            return None
        verdict = self._judged(carton, planned.camera, made.frame)
        trial = _as_trial(carton.frames.trigger, made.size, verdict, planned)

        def example() -> Example:
            return _example(scene, made, trial)

        return trial, example

    def _judged(
        self, carton: GoodCarton, camera: str, arrival: Frame | FrameFailure
    ) -> CartonVerdict:
        """Judge a good carton with one camera's frame exchanged: only that camera runs again."""
        frames = replace(carton.frames, frames={**carton.frames.frames, camera: arrival})
        results = {**carton.results, camera: self.inspector.camera(camera, frames)}
        return self.inspector.verdict(frames, list(results.values()))

    # -- disturbances -----------------------------------------------------------------------

    def _disturbed(
        self,
        pool: ThreadPoolExecutor,
        camera: str,
        disturbance: Disturbance,
        done: Callable[[int], None],
        say: Tell,
    ) -> Disturbed:
        say(f"{camera}: {disturbance.title}")
        cartons = _evenly(self.cartons, DISTURBED_CARTONS)
        gamma = self.job.captured.cameras.of(camera).gamma
        found = Disturbed(camera, disturbance)
        for at, size in enumerate(disturbance.sizes):

            def one(carton: GoodCarton, size: float = size) -> CartonVerdict:
                frame = carton.frames.frames[camera]
                seed = [self.wanted.seed, at, carton.frames.trigger]  # noqa: B023 - run at once
                assert isinstance(frame, Frame)  # noqa: S101 - good cartons have all frames
                return self._judged(carton, camera, disturbance.apply(frame, gamma, size, seed))

            verdicts = list(pool.map(one, cartons))
            found.take(size, verdicts)
            done(len(cartons))
            if all(v.verdict != "pass" for v in verdicts):
                done(len(cartons) * (len(disturbance.sizes) - at - 1))
                break
        return found

    def _losses(self) -> list[FrameLoss]:
        carton = self.cartons[0]
        losses: list[FrameLoss] = []
        for camera in self.job.plan.cameras:
            for kind in ("missing", "late"):
                failure = FrameFailure(camera, carton.frames.trigger, kind, "tried by stress")
                verdict = self._judged(carton, camera, failure)
                text = verdict.reasons[0].text if verdict.reasons else ""
                losses.append(FrameLoss(camera, kind, verdict.verdict, text))
        return losses


def _as_trial(trigger: int, size: float, verdict: CartonVerdict, planned: PlannedStep) -> Trial:
    broken = [f for f in verdict.findings if not f.good]
    keys = [key_of(f) for f in broken]
    steps: list[StepResult] = [s for r in verdict.results for s in r.steps]
    keys += [f"{s.camera}.{s.step}" for s in steps if s.not_measured is not None]
    here = f"{planned.camera}.{planned.name}"
    right = any(_is_of(f, planned) for f in broken) or here in keys
    reason = verdict.reasons[0].text if verdict.reasons else ""
    return Trial(trigger, size, verdict.verdict != "pass", right, tuple(keys), reason)


def _is_of(finding: Finding, planned: PlannedStep) -> bool:
    return (finding.camera, finding.step) == (planned.camera, planned.name)


def _example(scene: Scene, made: Made, trial: Trial) -> Example:
    frames: tuple[Frame, Frame] = (scene.frame, made.frame)
    around = made.around
    before, after = (
        picture_of(f, around, 14 + 0.35 * float(np.ptp(around, axis=0).max())) for f in frames
    )
    return Example(trial, before, after)


def _evenly(things: Sequence[Any], most: int) -> list[Any]:
    """Choose so many, spread over all."""
    if len(things) <= most:
        return list(things)
    return [things[round(k)] for k in np.linspace(0, len(things) - 1, most)]
