"""What trying made-up defects gave: curves, disturbances, and which limits nothing tested."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.frame import Frame, to_8_bit
from engine.graph.plan import DaysFromToday, Plan, words_of
from engine.result import CartonVerdict, Finding
from engine.study.camera_look import Look
from engine.study.defects import Defect
from engine.study.detection import PodFit, pod_fit
from engine.study.disturbances import Disturbance

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Trial:
    """One made-up defect and what the engine said."""

    trigger: int
    size: float
    hit: bool
    """The carton did not pass."""
    right: bool
    """A limit of the step aimed at broke, or it could not measure."""
    broken: tuple[str, ...]
    """Every limit that broke (see `key_of`), and every step that could not measure."""
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """A trial with its pictures."""

    trial: Trial
    before: Picture
    after: Picture


@dataclass(eq=False)
class Curve:
    """One defect at one step."""

    camera: str
    step: str
    kind: str
    """Name of the step in `steps/`."""
    defect: Defect
    trials: list[Trial] = field(default_factory=list)
    bare: list[Trial] = field(default_factory=list)
    """The good cartons as they are: size 0."""
    why_none: str = ""
    any_fit: PodFit | None = None
    right_fit: PodFit | None = None
    caught: Example | None = None
    """The smallest that was caught by the step aimed at."""
    missed: Example | None = None
    """The largest that passed."""

    @property
    def place(self) -> str:
        """Give `camera.step`."""
        return f"{self.camera}.{self.step}"

    def take(self, trial: Trial, example: Callable[[], Example]) -> None:
        """Keep a trial, and its pictures where it is the last just caught or just missed."""
        self.trials.append(trial)
        if trial.right and (self.caught is None or trial.size < self.caught.trial.size):
            self.caught = example()
        if not trial.hit and (self.missed is None or trial.size > self.missed.trial.size):
            self.missed = example()

    def fit(self) -> None:
        """Fit both curves."""
        self.any_fit = _fitted(self.trials, self.bare, self.defect.log, lambda t: t.hit)
        self.right_fit = _fitted(self.trials, self.bare, self.defect.log, lambda t: t.right)

    def detection(self, size: float, *, right: bool = False) -> float | None:
        """Give the share detected that the trials predict at a size; None where they cannot."""
        fit = self.right_fit if right else self.any_fit
        if fit is None:
            return None
        if fit.kind == "curve":
            return float(fit.pod([size])[0])
        if fit.kind == "separated" and fit.between is not None:
            low, high = fit.between
            return 0.0 if size <= low else 1.0 if size >= high else 0.5
        sizes = [t.size for t in self.trials]
        if fit.kind == "all hit":
            return 1.0 if size >= min(sizes) else None
        if fit.kind == "all missed":
            return 0.0 if size <= max(sizes) else None
        return None


def _fitted(
    trials: Sequence[Trial], bare: Sequence[Trial], log: bool, hit: Callable[[Trial], bool]
) -> PodFit | None:
    if not trials or len({t.size for t in trials}) < 2:
        return None
    trials = [*trials, *bare]
    return pod_fit([t.size for t in trials], [hit(t) for t in trials], "logit", log)


@dataclass(eq=False)
class Disturbed:
    """One disturbance of one camera's frames."""

    camera: str
    disturbance: Disturbance
    sizes: list[float] = field(default_factory=list)
    failed: list[int] = field(default_factory=list)
    tried: list[int] = field(default_factory=list)
    first_reason: str = ""
    broken: list[tuple[str, ...]] = field(default_factory=list)

    def take(self, size: float, verdicts: Sequence[CartonVerdict]) -> None:
        """Keep what was said at one size."""
        self.sizes.append(size)
        bad = [v for v in verdicts if v.verdict != "pass"]
        self.failed.append(len(bad))
        self.tried.append(len(verdicts))
        if bad and not self.first_reason:
            self.first_reason = bad[0].reasons[0].text
        keys = {key_of(f) for v in verdicts for f in v.findings if not f.good}
        keys |= {
            f"{s.camera}.{s.step}" for v in verdicts for r in v.results for s in r.steps
            if s.not_measured is not None
        }  # fmt: skip
        self.broken.append(tuple(sorted(keys)))

    @property
    def holds_to(self) -> float | None:
        """Give the largest size up to which every good carton passed."""
        held = None
        for size, failed in zip(self.sizes, self.failed, strict=True):
            if failed:
                return held
            held = size
        return held

    @property
    def fails_from(self) -> float | None:
        """Give the smallest size at which a good carton failed; None = none did."""
        return next((s for s, f in zip(self.sizes, self.failed, strict=True) if f), None)


@dataclass(frozen=True, slots=True)
class FrameLoss:
    """What was said when one camera's frame came late or not at all."""

    camera: str
    kind: str
    verdict: str
    reason: str


@dataclass(frozen=True, slots=True)
class LimitUnderTest:
    """One limit or rule of a recipe."""

    key: str
    place: str
    value: str
    reason: str
    bound: Mapping[str, Any]
    catches: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Trip:
    """From which size on one defect breaks one limit."""

    curve: Curve
    smallest: float
    """Smallest size that broke it."""
    fit: PodFit | None
    own: bool
    """Whether the defect was aimed at the limit's own step."""


@dataclass(frozen=True, slots=True, eq=False)
class Stress:
    """All that was tried."""

    product: str
    title: str
    recipe: str
    seed: int
    per_defect: int
    cartons: tuple[int, ...]
    left_out: Mapping[int, str]
    looks: Mapping[str, Look]
    curves: tuple[Curve, ...]
    disturbed: tuple[Disturbed, ...]
    losses: tuple[FrameLoss, ...]
    limits: tuple[LimitUnderTest, ...]
    complete: bool
    """Whether every defect was tried, not only some."""

    def trips(self, limit: LimitUnderTest) -> list[Trip]:
        """Give which defects break a limit, those aimed at its own step first."""
        found: list[Trip] = []
        for curve in self.curves:
            broke = [t.size for t in curve.trials if limit.key in t.broken]
            if not broke:
                continue
            fit = _fitted(curve.trials, (), curve.defect.log, lambda t: limit.key in t.broken)
            found.append(Trip(curve, min(broke), fit, curve.place == limit.place))
        return sorted(found, key=lambda t: not t.own)

    @property
    def untested(self) -> tuple[LimitUnderTest, ...]:
        """Give the limits that no made-up defect broke, and what was never not measured."""
        broken = {key for curve in self.curves for t in curve.trials for key in t.broken}
        disturbed = {key for d in self.disturbed for keys in d.broken for key in keys}
        return tuple(
            limit
            for limit in self.limits
            if limit.key not in broken and (limit.value or limit.key not in disturbed)
        )

    def curve(self, place: str, defect: str) -> Curve:
        """Give one curve by `camera.step` and the name of its defect."""
        return next(c for c in self.curves if c.place == place and c.defect.name == defect)


def key_of(finding: Finding) -> str:
    """Give the name by which a limit or rule is counted."""
    other = finding.limit.get("agrees_with")
    name = f"{finding.camera}.{finding.step}.{finding.value}"
    return f"{other} = {name}" if other else name


def all_limits(plan: Plan) -> tuple[LimitUnderTest, ...]:
    """List every limit and rule of a recipe, and what is rejected as not measured."""
    found: list[LimitUnderTest] = []
    for camera in plan.cameras.values():
        for planned in camera.steps:
            place = f"{planned.camera}.{planned.name}"
            for limit in planned.limits:
                bounds = {
                    name: f"{bound.days} days from today"
                    if isinstance(bound, DaysFromToday)
                    else bound
                    for name, bound in (
                        ("min", limit.minimum), ("max", limit.maximum), ("equals", limit.equals),
                        ("one_of", limit.one_of), ("matches", limit.matches),
                    )
                    if bound is not None
                }  # fmt: skip
                found.append(LimitUnderTest(f"{place}.{limit.value}", place, limit.value,
                                            limit.reason, bounds, limit.catches))  # fmt: skip
            rule = planned.not_measured
            if rule.text != f"{words_of(planned.name)} not measured":  # the recipe says it itself
                found.append(LimitUnderTest(place, place, "", rule.text, {}, rule.catches))
    for agreement in plan.agree:
        first, *others = (".".join(v) for v in agreement.values)
        found += [
            LimitUnderTest(f"{first} = {o}", o.rpartition(".")[0], o.rpartition(".")[2],
                           agreement.reason.text, {"agrees_with": first}, agreement.reason.catches)
            for o in others
        ]  # fmt: skip
    for unique in plan.unique:
        name = ".".join(unique.value)
        found.append(
            LimitUnderTest(
                f"unique {name}", ".".join(unique.value[:2]), unique.value[2],
                unique.reason.text, {"unique": True}, unique.reason.catches,
            )
        )  # fmt: skip
    return tuple(found)


def picture_of(frame: Frame, around: NDArray[np.float64], margin: float) -> Picture:
    """Cut the part of a frame around some points, as 8-bit pixels."""
    rows, columns = frame.pixels.shape[:2]
    low = np.clip(np.floor(around.min(axis=0) - margin), 0, (columns - 2, rows - 2)).astype(int)
    high = np.clip(np.ceil(around.max(axis=0) + margin), low + 2, (columns, rows)).astype(int)
    part = frame.pixels[low[1] : high[1], low[0] : high[0]]
    return to_8_bit(part, frame.bits).copy()
