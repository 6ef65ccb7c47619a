"""A drafted recipe on the good cartons: teach it, suggest limits, run it, draw what it measured."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from engine.draft.draft import Bound, Draft
from engine.draft.locating import RECIPE
from engine.draft.panels import Material, write_picture
from engine.draft.text import recipe_text
from engine.frame import Frame, TriggerSet
from engine.graph.plan import Untaught
from engine.replay.replay import Job, prepare_job, replay
from engine.report.drawing import Picture, contact_sheet, draw_camera
from engine.result import CartonVerdict, trigger_name
from engine.run.verdict import decide
from engine.teach.folds import TaughtStep, teach_steps, write_references
from engine.teach.gather import look, with_fresh
from engine.teach.suggest import Spread, spreads, suggest

SHEET = "good-cartons.png"
_SCAN_LINES = 0.75


@dataclass(slots=True)
class Trial:
    """What a draft did on the good cartons."""

    spreads: list[Spread]
    rejected: dict[int, list[str]]
    """Good cartons that break a limit, with the reasons, by trigger."""
    left_out: dict[str, Mapping[int, str]]
    """Cartons that taught nothing, by step."""
    notes: list[str]


def try_out(draft: Draft, material: Material) -> Trial:
    """Teach a draft, give it limits from good cartons, run it on them and draw the sheet."""
    job = _compiled(draft, material, untaught=True)
    wanted = [
        (p.camera, p.name)
        for camera in job.plan.cameras.values()
        for p in camera.steps
        if isinstance(p.prepared, Untaught)
    ]
    material.say("looking at all good cartons")
    looked = look(job, material.triggers, wanted)
    taught = teach_steps(job, looked.gathered, say=material.say)
    write_references({material.folder / step.reference: step.taught for step in taught})
    _settle(draft, _spreads(_compiled(draft, material), material, taught))
    job = _compiled(draft, material)
    notes = _suggest(draft, _spreads(job, material, taught), len(material.triggers))
    job = _compiled(draft, material)
    return _final(job, material, taught, notes)


def _compiled(draft: Draft, material: Material, *, untaught: bool = False) -> Job:
    (material.folder / RECIPE).write_text(recipe_text(draft), "utf-8")
    return prepare_job(material.captured, material.folder, draft.order, untaught_allowed=untaught)


def _spreads(job: Job, material: Material, taught: Sequence[TaughtStep]) -> list[Spread]:
    looked = look(job, material.triggers)
    return spreads(job.plan, with_fresh(looked.results, taught))


def _settle(draft: Draft, found: Sequence[Spread]) -> None:
    """Take from the good cartons where edges run and how many round items there are."""
    by_place = {spread.place: spread for spread in found}
    for name, camera in draft.cameras.items():
        for edge, said in camera.answers.edges.items():
            numbers = by_place[f"{name}.{edge}.offset_mm"].numbers
            if said.expected_mm is None and numbers:
                camera.edges_mm[edge] = round(statistics.median(numbers), 2)
        for item, said in camera.answers.contents.items():
            numbers = by_place[f"{name}.{item}.present"].numbers
            if said.diameter_mm is not None and len(set(numbers)) == 1:
                camera.counts[item] = round(numbers[0])


def _suggest(draft: Draft, found: Sequence[Spread], count: int) -> list[str]:
    """Suggest the limits that neither answers nor the scale of good cartons give."""
    by_place = {spread.place: spread for spread in found}
    notes: list[str] = []
    for name, camera in draft.cameras.items():
        wanted: list[tuple[str, bool, bool]] = []
        if camera.answers.panel.is_flap:
            wanted += [("panel.quality", True, False), ("panel.scale", True, True)]
        wanted += [(f"{code}.print_contrast", True, False) for code in camera.codes]
        for edge in camera.answers.edges:
            wanted += [(f"{edge}.gap_mm", False, True), (f"{edge}.angle_deg", True, True)]
            missing = by_place[f"{name}.{edge}.offset_mm"].missing
            if missing:
                notes.append(f"{name}.{edge}: the edge is not seen on {missing} of {count} good "
                             "cartons; look at its region")  # fmt: skip
        for value, low, high in wanted:
            place = f"{name}.{value}"
            bound = _bound(by_place[place], low=low, high=high)
            if bound is not None:
                draft.bounds[place] = bound
        for code in camera.codes:
            lines = by_place[f"{name}.{code}.scan_lines"].numbers
            if lines and min(lines) > 0.3:
                least = min(_SCAN_LINES, round(0.8 * min(lines), 2))
                reason = f"the least of them has {min(lines):.2f}; less is damage over the height"
                draft.bounds[f"{name}.{code}.scan_lines"] = Bound(f"min: {least:g}", reason)
    return notes


def _bound(spread: Spread, *, low: bool, high: bool) -> Bound | None:
    found = suggest(spread, low=low, high=high)
    if found is None:
        return None
    parts = [f"min: {found.low:g}"] if found.low is not None else []
    parts += [f"max: {found.high:g}"] if found.high is not None else []
    return Bound(", ".join(parts), found.reason, found.sound) if parts else None


def _final(job: Job, material: Material, taught: Sequence[TaughtStep], notes: list[str]) -> Trial:
    """Run the recipe as it will run, and draw every good carton."""
    material.say("running the recipe on the good cartons")
    pictures: list[Picture] = []
    captions: list[str] = []
    verdicts: dict[int, CartonVerdict] = {}

    class Draw:
        def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:
            verdicts[verdict.trigger] = verdict
            for result in verdict.results:
                frame = frames.frames[result.camera]
                if isinstance(frame, Frame):
                    pictures.append(draw_camera(frame.pixels, result, verdict.findings,
                                                bits=frame.bits, max_width=480))  # fmt: skip
                    said = f"{trigger_name(verdict.trigger)} {result.camera}: {verdict.verdict}"
                    captions.append(said)

    replay(job, [Draw()], triggers=material.triggers)
    sheet = contact_sheet(pictures, captions, columns=max(2, len(job.plan.cameras)),
                          cell_width=480)  # fmt: skip
    write_picture(sheet, material.folder / SHEET)
    results = with_fresh({t: v.results for t, v in verdicts.items()}, taught)
    rejected: dict[int, list[str]] = {}
    for trigger, said in results.items():
        fresh = decide(job.plan, trigger, said)
        if fresh.verdict != "pass":
            rejected[trigger] = [reason.text for reason in fresh.reasons]
    left_out = {f"{s.planned.camera}.{s.planned.name}": s.left_out for s in taught if s.left_out}
    return Trial(spreads(job.plan, results), rejected, left_out, notes)
