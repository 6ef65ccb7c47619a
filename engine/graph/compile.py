"""A recipe to a plan per camera: every mistake of meaning is found here, before the first frame."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from engine.frame import CameraTable
from engine.graph.area import area_of, check_regions, left_out, region_of, scale_of
from engine.graph.draft import Draft, DraftReader, not_beside_settings
from engine.graph.limits import LimitPlanner, as_names
from engine.graph.mistakes import Mistakes
from engine.graph.order import typed_order
from engine.graph.plan import (
    CameraPlan,
    Plan,
    PlannedLimit,
    PlannedReason,
    PlannedStep,
    Untaught,
    words_of,
)
from engine.graph.registry import NoSuchStep, Step, load_step, reference_files
from engine.graph.rules import agreements, check_explanations, uniques
from engine.graph.wiring import wired
from engine.problems import Problem, ProblemsFound, sentence
from engine.recipe.load import LoadedRecipe, identity
from engine.recipe.model import NotMeasuredRule, RegionMm
from engine.yamlfile import Path_
from steps.contract import Given, UnusableReference


def compile_recipe(
    loaded: LoadedRecipe,
    order: Mapping[str, str] | None,
    cameras: CameraTable | None = None,
    *,
    untaught_allowed: bool = False,
    prepared: bool = True,
) -> Plan:
    """Compile a recipe.

    Parameters
    ----------
    loaded : LoadedRecipe
        The recipe. Where it was loaded with `keep_going`, its mistakes of shape are raised with
        those found here.
    order : mapping or None
        Values of the order as text. None checks the recipe alone: nothing is prepared, and the
        plan cannot run.
    cameras : CameraTable, optional
        What is known of the cameras (scale).
    untaught_allowed : bool
        Whether references that `teach` is still to make may be missing.
    prepared : bool
        Whether steps are prepared, once for all frames. Without, the plan judges recorded values
        and cannot look at a frame.

    Raises
    ------
    ProblemsFound
        With every mistake found, each with its place.
    """
    mistakes = Mistakes(loaded.document)
    mistakes.problems += [_led(p, path, loaded) for p, path in loaded.mistakes]
    typed: dict[str, Any] | None = None
    if order is not None and not loaded.mistakes:
        try:
            typed = typed_order(loaded.recipe.order, order)
        except ProblemsFound as found:
            mistakes.problems += found.problems
    reader = DraftReader(loaded, mistakes, untaught_allowed=untaught_allowed)
    compiler = _Compiler(loaded, typed, cameras or CameraTable(), reader, mistakes)
    compiler.prepared = prepared
    plans = {name: compiler.camera(name) for name in loaded.recipe.cameras}
    agree = tuple(agreements(loaded.recipe, mistakes))
    unique = tuple(uniques(loaded.recipe, mistakes, typed))
    check_explanations(loaded.recipe, mistakes)
    if mistakes.problems:
        raise ProblemsFound(mistakes.problems)
    return Plan(
        product=loaded.recipe.product,
        title=loaded.recipe.title,
        sha256=identity(loaded, reader.reference_bytes),
        cameras=plans,
        agree=agree,
        unique=unique,
        order=typed or {},
        warnings=tuple(_unjudged(loaded)),
    )


class _Compiler:
    """Plans the steps of each camera; with no order nothing is prepared."""

    def __init__(
        self,
        loaded: LoadedRecipe,
        order: Mapping[str, Any] | None,
        cameras: CameraTable,
        reader: DraftReader,
        mistakes: Mistakes,
    ) -> None:
        self.recipe = loaded.recipe
        self.order = order
        self.cameras = cameras
        self.reader = reader
        self.mistakes = mistakes
        self.limits = LimitPlanner(mistakes, loaded.recipe.order, order)
        self.prepared = True

    def camera(self, name: str) -> CameraPlan:
        drafts = self.reader.drafts(name)
        ordered = wired(drafts, self.mistakes)
        positions = {draft.name: i for i, draft in enumerate(ordered)}
        planned = [self.step(draft, drafts, positions) for draft in ordered]
        steps = tuple(step for step in planned if step is not None)
        return CameraPlan(name, self.recipe.cameras[name].expects, steps)

    def step(
        self, draft: Draft, drafts: Mapping[str, Draft], positions: Mapping[str, int]
    ) -> PlannedStep | None:
        step, spec, mistakes = draft.step, draft.spec, self.mistakes
        check_regions(draft, mistakes)
        if step is None:
            return None
        path = (*draft.path, "limits")
        limits = self.limits.plan(draft.camera, draft.name, step, spec.limits, path)
        placing = drafts.get(spec.placed_by) if spec.placed_by else None
        if self.order is None or draft.params is None or (spec.placed_by and placing is None):
            return None
        if placing is not None and (placing.step is None or placing.params is None):
            return None
        if not self.prepared:
            placed_by = positions[spec.placed_by] if spec.placed_by else None
            return _unprepared(draft, step, placed_by, limits)
        draft.mm_per_px = scale_of(draft, placing, self.cameras)
        region = region_of(draft, placing, mistakes)
        if not self.prepare(draft, region) or not self.has_scale(draft, placing, region):
            return None
        area = area_of(draft, region, mistakes)
        mask, left = left_out(draft, drafts, positions, area)
        return PlannedStep(
            camera=draft.camera,
            name=draft.name,
            step=step,
            params=draft.params,
            prepared=draft.prepared,
            placed_by=None if spec.placed_by is None else positions[spec.placed_by],
            mm_per_px=draft.mm_per_px,
            origin_mm=area.origin_mm,
            size_px=area.size_px,
            offset_px=area.offset_px,
            mask=mask,
            left=left,
            limits=limits,
            not_measured=_not_measured(draft),
        )

    def prepare(self, draft: Draft, region: RegionMm | None) -> bool:
        """Prepare a step, once for all frames; says whether it can be planned."""
        step = draft.step
        if step is None or step.prepare is None or draft.params is None:
            return True
        if draft.untaught:
            draft.prepared = Untaught()
            return True
        if {name for _, name in reference_files(draft.params)} - set(draft.references):
            return False
        size = None if region is None else (region.width, region.height)
        color = self.recipe.cameras[draft.camera].expects.color
        given = Given(draft.references, self.order or {}, draft.mm_per_px, size, color)
        path: Path_ = (*draft.path, "settings")
        try:
            draft.prepared = step.prepare(draft.params, given)
        except UnusableReference as error:
            where = (*path, *(int(p) if p.isdigit() else p for p in error.parameter.split(".")))
            self.mistakes.add(where, "unusable-reference", sentence(error.why))
            return False
        except Exception as error:  # noqa: BLE001 - a step's own mistake, named before it can run
            what = f"`{step.name}` could not prepare for these settings: "
            what += f"{type(error).__name__}: {' '.join(str(error).split())[:200]}"
            self.mistakes.add(path, "broken-step", sentence(what), at_key=True)
            return False
        own = getattr(draft.prepared, "mm_per_px", None)
        if own is not None and math.isfinite(own) and own > 0:
            draft.mm_per_px = float(own)
        return True

    def has_scale(self, draft: Draft, placing: Draft | None, region: RegionMm | None) -> bool:
        """Say whether a step's view can be made; a scale that is missing is kept as a mistake."""
        if not math.isnan(draft.mm_per_px):
            return True
        if region is not None:
            if placing is None or not placing.untaught:
                what = "Nothing gives this step a scale: give `mm_per_px`."
                self.mistakes.add(draft.path, "no-scale", what, at_key=True)
            return False
        if draft.step is not None and not (draft.step.pose_name or draft.untaught):
            self.limits.needs_scale(draft.step, draft.spec.limits, (*draft.path, "limits"))
        return True


def _unprepared(
    draft: Draft, step: Step, placed_by: int | None, limits: tuple[PlannedLimit, ...]
) -> PlannedStep:
    """Plan a step for judging alone: it has no view."""
    return PlannedStep(
        camera=draft.camera,
        name=draft.name,
        step=step,
        params=draft.params,
        prepared=Untaught(),
        placed_by=placed_by,
        mm_per_px=math.nan,
        origin_mm=(0.0, 0.0),
        size_px=None,
        offset_px=(0, 0),
        mask=None,
        left=(),
        limits=limits,
        not_measured=_not_measured(draft),
    )


def _not_measured(draft: Draft) -> PlannedReason:
    rule = draft.spec.not_measured
    if isinstance(rule, NotMeasuredRule):
        return PlannedReason(rule.reject_as, tuple(rule.catches), as_names(rule.explained_by))
    return PlannedReason(rule or f"{words_of(draft.name)} not measured")


def _led(problem: Problem, path: Path_, loaded: LoadedRecipe) -> Problem:
    """Say of a key that may not stand in a step where it belongs, now that steps are known."""
    if problem.code != "extra-forbidden" or len(path) != 5 or path[2] != "steps":
        return problem
    spec = loaded.document.data["cameras"][path[1]]["steps"][path[3]]
    try:
        step = load_step(spec["step"])
    except (NoSuchStep, KeyError, TypeError):
        return problem
    what = not_beside_settings(str(path[4]), step)
    if not what:
        return problem
    return loaded.document.problem(path, problem.code, what, at_key=True)


def _unjudged(loaded: LoadedRecipe) -> list[str]:
    """Name the steps whose values nothing judges and that place no other."""
    rules = loaded.recipe.verdict
    compared = {tuple(value.split(".")[:2]) for rule in rules.agree for value in rule.values}
    compared |= {tuple(rule.value.split(".")[:2]) for rule in rules.unique}
    found: list[str] = []
    for camera, spec in loaded.recipe.cameras.items():
        placing = {step.placed_by for step in spec.steps.values()}
        found += [
            f"{camera}.{name} has no limits: whatever it measures, no carton is rejected for it."
            for name, step in spec.steps.items()
            if not step.limits and name not in placing and (camera, name) not in compared
        ]
    return found
