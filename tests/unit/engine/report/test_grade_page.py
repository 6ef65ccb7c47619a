"""The page about one graded code: its drawings lie where the figures say, and texts are escaped."""

import re

import numpy as np
import pytest

from engine.graph.registry import load_step
from engine.report.grade_page import grade_page
from engine.report.grade_wording import Graded, Taken, as_json, condition_rows, visible_text
from engine.report.module_drawing import draw_modules
from engine.report.profile_drawing import WIDTH, draw_profile
from steps.contract import View
from tests.generators.symbols import (
    Blot,
    LinearPrint,
    photograph,
    photograph_matrix,
    zint_modules,
)

EAN = zint_modules("ean13", "4512345678906")[0]


def graded(gray: np.ndarray, symbology: str = "ean13", **taken) -> Graded:
    name = "code_grade_matrix" if "matrix" in symbology or "qr" in symbology else None
    step = load_step(name or "code_grade_linear")
    assert step.survey is not None
    values, survey = step.survey(View(gray), step.params(symbology=symbology))
    known = {"mm_per_px": None, "aperture_mm": None, "wavelength_nm": None, "angle_deg": None}
    known |= {"white_reflectance": None, "has_patch": False, "name": "code.png"} | taken
    return Graded(
        gray, symbology, Taken(size=gray.shape[::-1], coding="linear", channel="", **known),
        values.model_dump(exclude={"marks"}),
        {n: (i.unit, i.description) for n, i in step.values.items()}, survey,
    )  # fmt: skip


def scan_of(print_: LinearPrint, px: float = 8.0):
    return graded(photograph(print_, px, blur=0.5)).survey["scans"][4]


def horizontal(path: str) -> list[float]:
    """Every x at which a bar of the drawing begins or ends."""
    return [float(v) for v in re.findall(r"M([\d.]+) [\d.]+H([\d.]+)", path) for v in v]


def test_bars_are_drawn_as_wide_as_they_are_printed():
    drawn = draw_profile(scan_of(LinearPrint(EAN, height=20)))
    places = np.array(horizontal(drawn.bars))
    assert len(places) == 60
    change = np.nonzero(np.diff(np.concatenate(([0], EAN, [0])).astype(int)))[0]
    unit = (places[-1] - places[0]) / 95
    assert (places - places[0]) / unit == pytest.approx(change, abs=0.06)
    assert 0 < places[0] < places[-1] < WIDTH


def test_quiet_zones_lie_beside_the_bars_and_are_as_wide_as_asked():
    drawn = draw_profile(scan_of(LinearPrint(EAN, height=20)))
    places = horizontal(drawn.bars)
    unit = (places[-1] - places[0]) / 95
    (left, width, said), (right, other, also) = drawn.quiet
    assert left + width == pytest.approx(places[0], abs=0.3)
    assert right == pytest.approx(places[-1], abs=0.3)
    assert (width / unit, other / unit) == pytest.approx((11, 7), abs=0.1)
    assert (said, also) == ("11 X", "7 X")


def test_the_note_on_defects_lies_over_the_bar_with_the_void():
    void = Blot(27.0, -1, 0.3, 22, 0.5)
    drawn = draw_profile(scan_of(LinearPrint(EAN, height=20, blots=(void,))))
    places = horizontal(drawn.bars)
    unit = (places[-1] - places[0]) / 95
    note = next(n for n in drawn.notes if n.tone == "uneven")
    left, right = (float(v) for v in re.match(r"M([\d.]+) [\d.]+H([\d.]+)", note.shape).groups())
    assert (left - places[0]) / unit < 27.0 < (right - places[0]) / unit
    assert note.text.startswith("ERNmax 0.")


def test_levels_too_near_to_each_other_bear_one_name():
    scan = scan_of(LinearPrint(EAN, height=20))
    flat = {**scan, "profile": {**scan["profile"], "rmax": 0.5, "rmin": 0.45}}
    assert len(draw_profile(scan).levels) == 3
    assert [text for _, text, _ in draw_profile(flat).levels] == ["threshold 0.47"]


def test_a_scan_without_edges_is_drawn_as_a_curve_alone():
    profile = {
        "start": 0.0, "step": 0.1, "samples": [0.5] * 40, "rmax": 0.5, "rmin": 0.5, "edges": [],
        "levels": [], "worst_edge": None, "worst_element": None, "quiet_asked": [11, 7],
    }  # fmt: skip
    drawn = draw_profile({"profile": profile, "values": {}})
    assert (drawn.bars, drawn.edges, drawn.quiet, drawn.notes) == ("", "", (), ())
    assert drawn.curve.startswith("M")


@pytest.mark.parametrize("symbology", ["datamatrix", "qr"])
def test_the_grid_lies_on_the_modules_of_the_picture(symbology):
    modules = zint_modules(symbology, "CARTON 17")
    gray = photograph_matrix(modules, 9.0, turn_deg=7.0, quiet=5)
    survey = graded(gray, symbology).survey
    rows, columns = modules.shape
    drawn = draw_modules(survey, (10.0, 20.0))
    lines = re.findall(r"M([\d.-]+) ([\d.-]+)L([\d.-]+) ([\d.-]+)", drawn.grid)
    assert len(lines) == rows + columns + 2
    # Each middle of a module, found between the lines, has the colour of the module.
    first, last = (np.array(lines[k], float) for k in (0, columns))
    corner, across = first[:2], (last[:2] - first[:2]) / columns
    down = (first[2:] - first[:2]) / rows
    for r in range(rows):
        for c in range(columns):
            x, y = corner + (c + 0.5) * across + (r + 0.5) * down
            assert (gray[int(y + 20), int(x + 10)] < 128) == bool(modules[r, c])


def test_wrong_modules_in_the_quiet_zone_are_crossed_out_too():
    padded = np.pad(zint_modules("datamatrix", "CARTON 17"), 1)
    padded[4:8, 0] = 1
    survey = graded(photograph_matrix(padded, 9.0, quiet=4), "datamatrix").survey
    drawn = draw_modules(survey, (0.0, 0.0))
    by_name = {s.name: s for s in drawn.segments}
    assert by_name["QZL1"].wrong == 4
    assert drawn.wrong.count("M-0.88") == 4
    assert drawn.wrong_count == 0


def test_texts_of_others_are_escaped():
    gray = photograph(LinearPrint(EAN, height=20), 6.0)
    page = grade_page(graded(gray, name="<b>code</b>.png"))
    assert "<b>code" not in page
    assert "&lt;b&gt;code" in page


def test_the_page_says_what_every_value_is_and_which_white_is_meant():
    page = grade_page(graded(photograph(LinearPrint(EAN, height=20), 6.5)))
    for words in ("px_per_module", "bar_gain", "Mean excess width of the bars", "lightest place"):
        assert words in page
    assert "[fraction]" not in page


@pytest.mark.parametrize(
    ("taken", "said"),
    [
        ({}, "none, as aperture, wavelength and angle are not declared"),
        ({"aperture_mm": 0.25, "wavelength_nm": 660.0}, "none, as angle is not declared"),
    ],
)
def test_what_is_missing_for_a_notation_is_named(taken, said):
    found = graded(photograph(LinearPrint(EAN, height=20), 6.0), **taken)
    assert dict(condition_rows(found))["notation"] == said


def test_json_holds_no_samples_and_page_and_json_agree():
    found = graded(photograph(LinearPrint(EAN, height=20), 6.0))
    known = as_json(found)
    assert "profile" not in known["scans"][0]
    assert known["values"]["mod"] == pytest.approx(
        np.mean([scan["values"]["MOD"] for scan in known["scans"]])
    )


def test_separators_are_made_visible():
    assert visible_text("10A\x1d\x00é") == "10A<GS>\\x00é"
