"""A recipe to a plan: order, places, scales, masks, limits with their types."""

import math
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from engine.frame import CameraGeometry, CameraTable
from engine.graph.compile import compile_recipe
from engine.graph.plan import CameraPlan, DaysFromToday, Plan, Untaught
from engine.problems import ProblemsFound
from engine.recipe.load import load_recipe
from tests.generators.toy_registry import toy_registry

REFERENCES = (Path(__file__).parents[3] / "recipes" / "bad" / "references").resolve()
PANEL = f"step: toy.find, settings: {{reference: {REFERENCES}/panel.png, size_mm: [80, 60]}}"
HEAD = "format: 1\nproduct: toy\norder: {lot: text, expiry: date, count: whole_number}\n"
ORDER = {"lot": "0447", "expiry": "2027-03-14", "count": "6"}


@pytest.fixture(autouse=True)
def _toys():
    with toy_registry():
        yield


def compiled(tmp_path: Path, steps: str, more: str = "", **options: Any) -> Plan:
    """Compile a recipe with one camera, `top`."""
    file = tmp_path / "recipe.yaml"
    indented = "".join(f"      {line}\n" for line in steps.strip().splitlines())
    file.write_text(f"{HEAD}cameras:\n  top:\n    steps:\n{indented}{more}")
    order = options.pop("order", ORDER)
    return compile_recipe(load_recipe(file), order, **options)


def top(tmp_path: Path, steps: str, more: str = "", **options: Any) -> CameraPlan:
    return compiled(tmp_path, steps, more, **options).cameras["top"]


def test_steps_run_in_an_order_in_which_each_finds_what_places_it(tmp_path):
    plan = top(tmp_path, f"""
print: {{step: toy.gap, placed_by: label, leave_out: [date], limits: {{holes: {{max: 0}}}}}}
label: {{{PANEL}, placed_by: panel}}
date: {{step: toy.gap, placed_by: panel, region_mm: {{x: 1, y: 2, width: 3, height: 4}}}}
panel: {{{PANEL}}}
""")  # fmt: skip
    assert [step.name for step in plan.steps] == ["panel", "label", "date", "print"]
    assert [step.placed_by for step in plan.steps] == [None, 0, 0, 1]


def test_a_placed_step_looks_at_its_region_at_the_scale_of_what_places_it(tmp_path):
    _, gap = top(tmp_path, f"""
panel: {{{PANEL}}}
gap: {{step: toy.gap, placed_by: panel, region_mm: {{x: -5, y: 2.5, width: 31, height: 9}}}}
""").steps  # fmt: skip
    assert gap.mm_per_px == 2.0  # 80 mm over the 40 pixels of the picture
    assert gap.size_px == (16, 4)
    assert gap.origin_mm == (-5, 2.5)


def test_without_a_region_a_placed_step_looks_at_the_whole_reference(tmp_path):
    steps = f"panel: {{{PANEL}}}\ngap: {{step: toy.gap, placed_by: panel, mm_per_px: 0.5}}"
    _, gap = top(tmp_path, steps).steps
    assert (gap.origin_mm, gap.size_px, gap.mm_per_px) == ((0, 0), (160, 120), 0.5)


def test_an_unplaced_step_looks_at_its_pixels_at_the_scale_of_the_camera(tmp_path):
    cameras = CameraTable({"top": CameraGeometry(mm_per_px=0.1)})
    steps = "gap: {step: toy.gap, region_px: {x: 3, y: 4, width: 50, height: 60}}"
    (gap,) = top(tmp_path, steps, cameras=cameras).steps
    assert (gap.offset_px, gap.size_px, gap.mm_per_px) == ((3, 4), (50, 60), 0.1)
    (unknown,) = top(tmp_path, steps).steps
    assert math.isnan(unknown.mm_per_px)


def test_what_moves_with_the_step_is_masked_and_what_moves_otherwise_is_kept_apart(tmp_path):
    plan = top(tmp_path, f"""
panel: {{{PANEL}}}
label: {{{PANEL}, placed_by: panel}}
date: {{step: toy.gap, placed_by: panel, region_mm: {{x: 12, y: 2, width: 4, height: 6}}}}
band: {{step: toy.gap, placed_by: label, region_mm: {{x: 0, y: 0, width: 2, height: 2}}}}
print:
  step: toy.gap
  placed_by: panel
  region_mm: {{x: 10, y: 0, width: 20, height: 10}}
  leave_out: [date, band, {{x: -50, y: 8, width: 500, height: 500}}]
""")  # fmt: skip
    step = plan.steps[-1]
    expected = np.full((5, 10), 255)
    expected[1:4, 1:3] = 0  # the date, 2 mm a pixel from (10, 0)
    expected[4:, :] = 0
    assert step.name == "print"
    assert step.mask is not None
    assert np.array_equal(step.mask, expected)
    assert not step.mask.flags.writeable
    (left,) = step.left
    assert left.placed_by == 1
    assert left.corners_mm.tolist() == [[0, 0], [2, 0], [2, 2], [0, 2]]


def test_limits_have_the_type_of_their_value_and_the_values_of_the_order(tmp_path):
    (gap,) = top(tmp_path, """
gap:
  step: toy.gap
  mm_per_px: 0.1
  limits:
    gap_mm: {max: 2, catches: [gap], reject_as: gap open}
    holes: {min: {order: count}, max: 7}
    coverage: {min: {order: count}}
    seen: {equals: true}
    text: {one_of: [{order: lot}, 0448, 1.50, true, null-ish], matches: "[0-9.a-z-]+"}
    day: {equals: {order: expiry}, min: 2027-01-01, max: {days_from_today: 900}}
""").steps  # fmt: skip
    limits = {limit.value: limit for limit in gap.limits}
    assert limits["gap_mm"].maximum == 2.0
    assert isinstance(limits["gap_mm"].maximum, float)
    assert (limits["gap_mm"].reason, limits["gap_mm"].unit) == ("gap open", "mm")
    assert (limits["holes"].minimum, limits["holes"].maximum) == (6, 7)
    assert limits["holes"].reason == "gap: holes"
    assert limits["coverage"].minimum == 6
    assert limits["seen"].equals is True
    assert limits["text"].one_of == ("0447", "0448", "1.50", "true", "null-ish")
    assert limits["day"].equals == date(2027, 3, 14)
    assert limits["day"].minimum == date(2027, 1, 1)
    assert limits["day"].maximum == DaysFromToday(900)


def test_agreeing_values_may_be_a_whole_number_and_a_number_of_one_unit(tmp_path):
    steps = "a: {step: toy.gap}\nb: {step: toy.gap}"
    rule = "{values: [top.a.holes, top.b.holes], reject_as: they differ, tolerance: 1}"
    (agree,) = compiled(tmp_path, steps, f"verdict: {{agree: [{rule}]}}\n").agree
    assert agree.values == (("top", "a", "holes"), ("top", "b", "holes"))
    assert (agree.tolerance, agree.unit, agree.reason.text) == (1, "count", "they differ")


def test_a_step_that_nothing_judges_is_noted(tmp_path):
    steps = f"panel: {{{PANEL}}}\ngap: {{step: toy.gap, placed_by: panel}}\nb: {{step: toy.gap}}"
    notes = [note.split(" ")[0] for note in compiled(tmp_path, steps).warnings]
    assert notes == ["top.gap", "top.b"]
    rule = "{values: [top.b.text, top.gap.text], reject_as: they differ}"
    assert compiled(tmp_path, steps, f"verdict: {{agree: [{rule}]}}\n").warnings == ()


def test_a_reference_still_to_be_taught_may_be_missing_where_that_is_allowed(tmp_path):
    steps = f"""
panel: {{{PANEL}}}
print: {{step: toy.taught, placed_by: panel, settings: {{reference: print.npz}}}}
"""
    with pytest.raises(ProblemsFound, match="`cartonverdict teach` makes it"):
        top(tmp_path, steps)
    plan = top(tmp_path, steps, untaught_allowed=True)
    assert isinstance(plan.steps[1].prepared, Untaught)
    assert plan.steps[1].size_px == (40, 30)


def test_a_picture_that_is_missing_is_never_to_be_taught(tmp_path):
    steps = "panel: {step: toy.find, settings: {reference: no.png, size_mm: [8, 6]}}"
    with pytest.raises(ProblemsFound, match=r"There is no file .*no\.png\.$"):
        top(tmp_path, steps, untaught_allowed=True)


def test_with_mistakes_of_shape_the_mistakes_of_meaning_are_given_too(tmp_path):
    file = tmp_path / "recipe.yaml"
    file.write_text(
        f"{HEAD}colour: red\ncameras:\n  top:\n    steps:\n"
        "      a: {step: toy.gap, placed_by: gone, min_contrast: 3}\n"
        "      gone: {stepp: toy.find}\n      c: {step: toy.gap, placed_by: nowhere}\n"
    )
    loaded = load_recipe(file, keep_going=True)
    assert set(loaded.recipe.cameras["top"].steps) == {"a", "c"}
    with pytest.raises(ProblemsFound) as caught:
        compile_recipe(loaded, ORDER)
    said = [(p.line, p.code) for p in caught.value.problems]
    assert said == [
        (4, "extra-forbidden"),  # colour
        (8, "extra-forbidden"),  # min_contrast; that `gone` is there is known, so no word of it
        (9, "missing"), (9, "extra-forbidden"),  # gone lacks `step`
        (10, "unknown-step"),
    ]  # fmt: skip
    assert "it stands under `settings:`" in caught.value.problems[1].what
    with pytest.raises(ProblemsFound, match="colour"):
        load_recipe(file)


def test_a_missing_order_value_refuses_to_start_and_is_named_with_the_other_mistakes(tmp_path):
    with pytest.raises(ProblemsFound, match=r"(?s)no step `toy\.no`.*order field `lot`"):
        compiled(tmp_path, "a: {step: toy.no}", order={"expiry": "2027-03-14", "count": "6"})
