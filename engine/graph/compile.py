"""A recipe to a plan per camera: every mistake of meaning is found here, before the first frame."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.frame import CameraTable
from engine.graph.limits import LimitPlanner, as_names
from engine.graph.order import typed_order
from engine.graph.plan import (
    CameraPlan,
    Left,
    Plan,
    PlannedAgreement,
    PlannedReason,
    PlannedStep,
    Untaught,
    words_of,
)
from engine.graph.references import BadReference, load_reference
from engine.graph.registry import NoSuchStep, Step, load_step, reference_files, step_names
from engine.graph.wiring import running_order
from engine.placing import validate
from engine.problems import Problem, ProblemsFound, listed, nearest
from engine.recipe.load import LoadedRecipe, identity
from engine.recipe.model import CameraSpec, NotMeasuredRule, RegionMm, StepSpec
from engine.yamlfile import Path_
from steps.contract import Given, Params, Reference, UnusableReference

MAX_VIEW_PX = 40_000_000


@dataclass(slots=True)
class _Draft:
    """One step while it is compiled."""

    name: str
    spec: StepSpec
    path: Path_
    step: Step | None = None
    params: Params | None = None
    references: dict[str, Reference] = field(default_factory=dict[str, Reference])
    untaught: bool = False
    prepared: Any = None
    mm_per_px: float = math.nan


def compile_recipe(
    loaded: LoadedRecipe,
    order: Mapping[str, str] | None,
    cameras: CameraTable | None = None,
    *,
    untaught_allowed: bool = False,
) -> Plan:
    """Compile a recipe.

    Parameters
    ----------
    loaded : LoadedRecipe
        The recipe.
    order : mapping or None
        Values of the order as text. None checks the recipe alone: nothing is prepared, and the
        plan cannot run.
    cameras : CameraTable, optional
        What is known of the cameras (scale).
    untaught_allowed : bool
        Whether references that `teach` is still to make may be missing.

    Raises
    ------
    ProblemsFound
        With every mistake found, each with its place.
    """
    compiler = _Compiler(loaded, order, cameras or CameraTable(), untaught_allowed)
    return compiler.compile()


class _Compiler:
    def __init__(
        self,
        loaded: LoadedRecipe,
        order: Mapping[str, str] | None,
        cameras: CameraTable,
        untaught_allowed: bool,
    ) -> None:
        self.loaded = loaded
        self.recipe = loaded.recipe
        self.document = loaded.document
        self.cameras = cameras
        self.untaught_allowed = untaught_allowed
        self.problems: list[Problem] = []
        self.bytes: dict[str, bytes] = {}
        self.order = None if order is None else typed_order(self.recipe.order, order)
        self.limits = LimitPlanner(self.document, self.recipe.order, self.order, self.problems)

    def compile(self) -> Plan:
        plans: dict[str, CameraPlan] = {}
        for name, spec in self.recipe.cameras.items():
            plans[name] = self.camera(name, spec)
        agree = tuple(self.agreements())
        self.check_explanations()
        if self.problems:
            raise ProblemsFound(self.problems)
        return Plan(
            product=self.recipe.product,
            title=self.recipe.title,
            sha256=identity(self.loaded, self.bytes),
            cameras=plans,
            agree=agree,
            order=self.order or {},
        )

    def add(self, path: Path_, code: str, what: str, *, at_key: bool = False) -> None:
        self.problems.append(self.document.problem(path, code, what, at_key=at_key))

    # ------------------------------------------------------------------ one camera

    def camera(self, name: str, spec: CameraSpec) -> CameraPlan:
        path: Path_ = ("cameras", name, "steps")
        drafts = {n: _Draft(n, s, (*path, n)) for n, s in spec.steps.items()}
        for draft in drafts.values():
            self.step_and_settings(draft)
        ordered = self.wiring(drafts)
        positions = {draft.name: i for i, draft in enumerate(ordered)}
        planned: list[PlannedStep] = []
        for draft in ordered:
            planned_step = self.planned(name, draft, drafts, positions)
            if planned_step is not None:
                planned.append(planned_step)
        return CameraPlan(name, spec.expects, tuple(planned))

    def step_and_settings(self, draft: _Draft) -> None:
        try:
            draft.step = load_step(draft.spec.step)
        except NoSuchStep as error:
            what = f"{str(error)[:1].upper()}{str(error)[1:]}."
            what += nearest(draft.spec.step, step_names()) + f"\nSteps: {listed(step_names())}."
            self.add((*draft.path, "step"), "unknown-step", what)
            return
        settings = (*draft.path, "settings")
        params, problems = validate(draft.step.params, draft.spec.settings, self.document, settings)
        self.problems += problems
        draft.params = params
        if params is not None:
            self.load_references(draft, params)

    def load_references(self, draft: _Draft, params: Params) -> None:
        for path, name in reference_files(params):
            where = (*draft.path, "settings", *path)
            file = self.loaded.folder_of(where) / name
            if not file.is_file() and draft.step is not None and draft.step.teach is not None:
                if self.untaught_allowed:
                    draft.untaught = True
                    continue
                what = f"There is no file {file}. `cartonverdict teach` makes it from good cartons."
                self.add(where, "missing-reference", what)
                continue
            try:
                reference, raw = load_reference(file, name)
            except BadReference as error:
                code = "bad-reference" if file.is_file() else "missing-reference"
                self.add(where, code, str(error))
                continue
            draft.references[name] = reference
            self.bytes[".".join(map(str, where))] = raw

    # ------------------------------------------------------------------ wiring

    def wiring(self, drafts: dict[str, _Draft]) -> list[_Draft]:
        needs: dict[str, set[str]] = {name: set() for name in drafts}
        for draft in drafts.values():
            placing = draft.spec.placed_by
            if placing is not None and self.placing_is_right(draft, drafts):
                needs[draft.name].add(placing)
            for i, left in enumerate(draft.spec.leave_out):
                if isinstance(left, str) and self.left_is_right(draft, left, i, drafts):
                    other = drafts[left].spec.placed_by
                    if other is not None and other != draft.name and other in drafts:
                        needs[draft.name].add(other)
        names, circle = running_order(needs)
        for name in circle:
            what = f"These steps place each other in a circle: {listed(circle)}."
            self.add((*drafts[name].path, "placed_by"), "cycle", what)
        return [drafts[name] for name in names]

    def placing_is_right(self, draft: _Draft, drafts: dict[str, _Draft]) -> bool:
        placing = draft.spec.placed_by or ""
        path = (*draft.path, "placed_by")
        if placing not in drafts:
            what = f"This camera has no step `{placing}`.{nearest(placing, drafts)}"
            self.add(path, "unknown-step", what + f"\nIts steps: {listed(drafts)}.")
            return False
        step = drafts[placing].step
        if step is not None and step.pose_name is None:
            finders = [n for n, d in drafts.items() if d.step is not None and d.step.pose_name]
            what = f"`{placing}` ({step.name}) finds no pose, so it can place nothing."
            what += f"\nSteps here that find one: {listed(finders)}." if finders else ""
            self.add(path, "no-pose", what)
            return False
        return True

    def left_is_right(self, draft: _Draft, left: str, i: int, drafts: dict[str, _Draft]) -> bool:
        path = (*draft.path, "leave_out", i)
        if left == draft.name or left not in drafts:
            what = f"This camera has no other step `{left}`.{nearest(left, drafts)}"
            self.add(path, "unknown-step", what)
            return False
        if drafts[left].spec.placed_by is None or drafts[left].spec.region_mm is None:
            what = f"`{left}` has no `region_mm` that is placed, so it cannot be left out."
            self.add(path, "no-region", what)
            return False
        return True

    # ------------------------------------------------------------------ one step

    def planned(
        self,
        camera: str,
        draft: _Draft,
        drafts: dict[str, _Draft],
        positions: Mapping[str, int],
    ) -> PlannedStep | None:
        step, spec = draft.step, draft.spec
        if step is None:
            return None
        self.check_regions(draft)
        placing = drafts.get(spec.placed_by) if spec.placed_by else None
        draft.mm_per_px = self.scale(camera, spec, placing)
        limits = self.limits.plan(camera, draft.name, step, spec.limits, (*draft.path, "limits"))
        if self.order is None or draft.params is None:
            return None
        if placing is not None and (placing.step is None or placing.params is None):
            return None
        region = self.region(draft, placing)
        self.prepare(draft, region)
        if math.isnan(draft.mm_per_px):
            if region is not None:
                what = "Nothing gives this step a scale: give `mm_per_px`."
                self.add(draft.path, "no-scale", what, at_key=True)
                return None
            if not (step.pose_name or draft.untaught):
                self.limits.needs_scale(step, spec.limits, (*draft.path, "limits"))
        size, origin, offset = self.view_size(draft, region)
        mask, left = self.left_out(draft, drafts, positions, origin, size)
        placed_by = positions.get(spec.placed_by) if spec.placed_by else None
        return PlannedStep(
            camera=camera,
            name=draft.name,
            step=step,
            params=draft.params,
            prepared=draft.prepared,
            placed_by=placed_by,
            mm_per_px=draft.mm_per_px,
            origin_mm=origin,
            size_px=size,
            offset_px=offset,
            mask=mask,
            left=left,
            limits=limits,
            not_measured=self.not_measured(draft),
        )

    def check_regions(self, draft: _Draft) -> None:
        spec = draft.spec
        if spec.region_mm is not None and spec.placed_by is None:
            what = "`region_mm` is in mm of a reference: say which with `placed_by`, or use "
            what += "`region_px`."
            self.add((*draft.path, "region_mm"), "region", what, at_key=True)
        if spec.region_px is not None and spec.placed_by is not None:
            what = "A placed step moves with the carton: give `region_mm`, not `region_px`."
            self.add((*draft.path, "region_px"), "region", what, at_key=True)
        if spec.leave_out and spec.placed_by is None:
            what = "Only a placed step can leave parts out: say which step places it."
            self.add((*draft.path, "leave_out"), "region", what, at_key=True)

    def scale(self, camera: str, spec: StepSpec, placing: _Draft | None) -> float:
        if spec.mm_per_px is not None:
            return spec.mm_per_px
        if placing is not None:
            return placing.mm_per_px
        known = self.cameras.of(camera).mm_per_px
        return math.nan if known is None else known

    def region(self, draft: _Draft, placing: _Draft | None) -> RegionMm | None:
        if draft.spec.region_mm is not None or placing is None:
            return draft.spec.region_mm
        size = getattr(placing.prepared, "size_mm", None) or getattr(
            placing.params, "size_mm", None
        )
        if size is None:
            what = "Where does this step look? Give `region_mm`."
            self.add(draft.path, "region", what, at_key=True)
            return None
        return RegionMm(x=0, y=0, width=size[0], height=size[1])

    def prepare(self, draft: _Draft, region: RegionMm | None) -> None:
        step = draft.step
        if step is None or step.prepare is None or self.order is None:
            return
        if draft.untaught:
            draft.prepared = Untaught()
            return
        missing = {name for _, name in reference_files(draft.params)} - set(draft.references)
        if draft.params is None or missing:
            return
        try:
            draft.prepared = step.prepare(draft.params, self.given(draft, region))
        except UnusableReference as error:
            path = (*draft.path, "settings", *error.parameter.split("."))
            text = f"{error.why[:1].upper()}{error.why[1:]}".rstrip(".") + "."
            self.add(path, "unusable-reference", text)
            return
        own = getattr(draft.prepared, "mm_per_px", None)
        if own is not None and math.isfinite(own):
            draft.mm_per_px = float(own)

    def given(self, draft: _Draft, region: RegionMm | None) -> Given:
        size = None if region is None else (region.width, region.height)
        return Given(draft.references, self.order or {}, draft.mm_per_px, size)

    def view_size(
        self, draft: _Draft, region: RegionMm | None
    ) -> tuple[tuple[int, int] | None, tuple[float, float], tuple[int, int]]:
        if region is not None:
            width = max(1, round(region.width / draft.mm_per_px))
            height = max(1, round(region.height / draft.mm_per_px))
            if width * height > MAX_VIEW_PX:
                what = f"At {draft.mm_per_px:g} mm/px this is a view of {width} x {height} px: "
                self.add(draft.path, "view-size", what + "too large.", at_key=True)
                width = height = 1
            return (width, height), (region.x, region.y), (0, 0)
        px = draft.spec.region_px
        if px is not None:
            return (px.width, px.height), (0.0, 0.0), (px.x, px.y)
        return None, (0.0, 0.0), (0, 0)

    def left_out(
        self,
        draft: _Draft,
        drafts: dict[str, _Draft],
        positions: Mapping[str, int],
        origin: tuple[float, float],
        size: tuple[int, int] | None,
    ) -> tuple[NDArray[np.uint8] | None, tuple[Left, ...]]:
        fixed: list[RegionMm] = []
        moving: list[Left] = []
        for left in draft.spec.leave_out:
            if isinstance(left, RegionMm):
                fixed.append(left)
                continue
            other = drafts.get(left)
            if other is None or other.spec.region_mm is None or other.spec.placed_by is None:
                continue
            if other.spec.placed_by == draft.spec.placed_by:
                fixed.append(other.spec.region_mm)
            elif other.spec.placed_by in positions and other.spec.placed_by != draft.name:
                where = positions[other.spec.placed_by]
                moving.append(Left(where, _corners(other.spec.region_mm)))
            else:
                what = f"`{left}` is placed by `{other.spec.placed_by}`, which this step finds."
                self.add((*draft.path, "leave_out"), "no-region", what)
        if not fixed or size is None:
            return None, tuple(moving)
        mask = np.full((size[1], size[0]), 255, np.uint8)
        for region in fixed:
            x0, x1 = (
                round((x - origin[0]) / draft.mm_per_px)
                for x in (region.x, region.x + region.width)
            )
            y0, y1 = (
                round((y - origin[1]) / draft.mm_per_px)
                for y in (region.y, region.y + region.height)
            )
            mask[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)] = 0
        mask.setflags(write=False)
        return mask, tuple(moving)

    def not_measured(self, draft: _Draft) -> PlannedReason:
        rule = draft.spec.not_measured
        if isinstance(rule, NotMeasuredRule):
            return PlannedReason(rule.reject_as, tuple(rule.catches), as_names(rule.explained_by))
        return PlannedReason(rule or f"{words_of(draft.name)} not measured")

    # ------------------------------------------------------------------ over all cameras

    def agreements(self) -> Iterator[PlannedAgreement]:
        for i, rule in enumerate(self.recipe.verdict.agree):
            path: Path_ = ("verdict", "agree", i)
            found = [
                self.value_at(text, (*path, "values", j)) for j, text in enumerate(rule.values)
            ]
            known = [f for f in found if f is not None]
            kinds = {kind for _, kind, _ in known}
            if len(kinds) > 1 and not kinds <= {"number", "whole"}:
                what = "Only values of one type can agree; here stand "
                what += ", ".join(f"`{'.'.join(v)}` ({k})" for v, k, _ in known) + "."
                self.add((*path, "values"), "agree-type", what)
            if len(known) == len(found):
                reason = PlannedReason(rule.reject_as, tuple(rule.catches))
                values = tuple(value for value, _, _ in known)
                yield PlannedAgreement(values, reason, rule.tolerance, known[0][2])

    def value_at(self, text: str, path: Path_) -> tuple[tuple[str, str, str], str, str] | None:
        parts = text.split(".")
        if len(parts) != 3:
            self.add(path, "agree-value", f"`{text}` is not of the form camera.step.value.")
            return None
        camera, name, value = parts
        if camera not in self.recipe.cameras:
            what = f"There is no camera `{camera}`.{nearest(camera, self.recipe.cameras)}"
            self.add(path, "agree-value", what)
            return None
        steps = self.recipe.cameras[camera].steps
        if name not in steps:
            what = f"The camera `{camera}` has no step `{name}`.{nearest(name, steps)}"
            self.add(path, "agree-value", what)
            return None
        try:
            step = load_step(steps[name].step)
        except NoSuchStep:
            return None
        info = step.values.get(value)
        if info is None:
            what = f"`{step.name}` measures no `{value}`.{nearest(value, step.values)}"
            self.add(path, "agree-value", what + f"\nIt measures: {listed(step.values)}.")
            return None
        return (camera, name, value), info.kind, info.unit

    def check_explanations(self) -> None:
        known = {f"{c}.{s}" for c, spec in self.recipe.cameras.items() for s in spec.steps}
        for camera, spec in self.recipe.cameras.items():
            for name, step in spec.steps.items():
                path: Path_ = ("cameras", camera, "steps", name)
                rules = [(step.not_measured, (*path, "not_measured"))]
                rules += [(limit, (*path, "limits", v)) for v, limit in step.limits.items()]
                for rule, where in rules:
                    for cause in as_names(getattr(rule, "explained_by", ())):
                        if cause not in known or cause == f"{camera}.{name}":
                            what = f"`{cause}` is not another step, as camera.step."
                            what += nearest(cause, known)
                            self.add((*where, "explained_by"), "unknown-step", what)


def _corners(region: RegionMm) -> NDArray[np.float64]:
    x0, y0, x1, y1 = region.x, region.y, region.x + region.width, region.y + region.height
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)
