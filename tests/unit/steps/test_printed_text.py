"""The step `printed_text` on drawn lines with exact truth, and on the captured set's date box."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import numpy as np
import pytest
from skimage.feature import match_template

from steps._shared.text_patterns import parse_pattern
from steps.contract import Given, NotMeasured, Reference, UnusableReference, View
from steps.printed_text import (
    PreparedText,
    PrintedTextParams,
    PrintedTextValues,
    prepare,
    printed_text,
    teach,
)
from tests.generators.dot_matrix import (
    Drawn,
    Look,
    changed,
    dot_line,
    sheet,
    solid_line,
    varied,
)

ORDER = {"lot": "K4471", "expiry": date(2027, 3, 14)}
NEXT_ORDER = {"lot": "L5992", "expiry": date(2028, 6, 28)}
LOT = PrintedTextParams(text="LOT {lot} hh:mm", reference="taught.npz")
BEST_BEFORE = PrintedTextParams(text="BB {expiry:dd/mm/yyyy}", reference="taught.npz")
CODER = Look(missing=0.02, clutter=True)


def view(drawn: Drawn, **more: object) -> View:
    gray = drawn.gray
    gray.setflags(write=False)
    return View(gray, mm_per_px=drawn.look.mm_per_px, **more)


def clock(k: int) -> str:
    return f"{7 + k // 6:02}:{(31 + 7 * k) % 60:02}"


def line_of(params: PrintedTextParams, order: dict, k: int = 0) -> str:
    return parse_pattern(params.text, order).shown().replace("??:??", clock(k))


def taught(params: PrintedTextParams, look: Look, draw=dot_line, count: int = 10, seed: int = 1):
    rng = np.random.default_rng(seed)
    views = [
        view(draw(line_of(params, ORDER, k), varied(look, rng, slant=3, stretch=0.03), rng))
        for k in range(count)
    ]
    return teach(views, params, Given(order=ORDER))


def ready(params: PrintedTextParams, arrays, order=ORDER) -> PreparedText:
    return prepare(params, Given({"taught.npz": Reference("taught.npz", arrays=arrays)}, order))


@pytest.fixture(scope="module")
def lot_arrays():
    return taught(LOT, CODER).arrays


@pytest.fixture(scope="module")
def best_before_arrays():
    return taught(BEST_BEFORE, CODER).arrays


def measured(text: str, prepared: PreparedText, params=LOT, look=CODER, seed=7, draw=dot_line):
    rng = np.random.default_rng(seed)
    seen = view(draw(text, varied(look, rng, slant=3, stretch=0.03), rng))
    values = printed_text(seen, params, prepared)
    assert isinstance(values, PrintedTextValues)
    return values


def test_the_right_line_matches_at_every_place(lot_arrays):
    values = measured("LOT K4471 09:58", ready(LOT, lot_arrays))
    assert values.matches
    assert values.text == "LOT K4471 09:58"
    assert values.time == "09:58"
    assert values.date is None
    assert values.worst_margin > 0.2


def test_a_wrong_lot_is_named_with_its_place(lot_arrays):
    values = measured("LOT K4417 09:58", ready(LOT, lot_arrays))
    assert not values.matches
    assert values.text == "LOT K4417 09:58"
    assert values.worst_place in (8, 9)
    assert values.worst_character in ("7 looks like 1", "1 looks like 7")
    assert values.worst_margin < -0.5


def test_the_date_is_the_printed_one_not_the_expected_one(best_before_arrays):
    values = measured("BB 14/03/2025", ready(BEST_BEFORE, best_before_arrays), BEST_BEFORE)
    assert values.date == date(2025, 3, 14)
    assert not values.matches
    assert values.worst_character == "7 looks like 5"


def test_a_bare_date_is_read(best_before_arrays):
    params = PrintedTextParams(text="BB dd/mm/yyyy", reference="taught.npz")
    values = measured("BB 29/08/2031", ready(params, best_before_arrays), params)
    assert values.date == date(2031, 8, 29)
    assert values.matches


def test_a_printed_day_that_does_not_exist_is_no_date(best_before_arrays):
    params = PrintedTextParams(text="BB dd/mm/yyyy", reference="taught.npz")
    values = measured("BB 31/02/2031", ready(params, best_before_arrays), params)
    assert values.date is None
    assert values.text == "BB 31/02/2031"


def test_next_weeks_lot_is_verified_without_teaching_again(lot_arrays):
    prepared = ready(LOT, lot_arrays, NEXT_ORDER)
    assert measured("LOT L5992 14:06", prepared).matches
    assert not measured("LOT L5982 14:06", prepared).matches


@pytest.mark.parametrize(("printed", "off"), [("09:58", -2.0), ("10:03", 3.0)])
def test_printed_time_against_the_time_of_the_frame(lot_arrays, printed, off):
    drawn = dot_line(f"LOT K4471 {printed}", CODER, np.random.default_rng(3))
    seen = view(drawn, taken_at=datetime(2026, 3, 14, 10, 0))
    values = printed_text(seen, LOT, ready(LOT, lot_arrays))
    assert values.time_off_min == pytest.approx(off)


def test_size_place_and_contrast_are_measured(lot_arrays):
    look = Look(shift_mm=(0.6, -0.3), noise=1.0)
    drawn = dot_line("LOT K4471 09:58", look, np.random.default_rng(3))
    values = printed_text(view(drawn), LOT, ready(LOT, lot_arrays))
    assert values.offset_x_mm == pytest.approx(0.6, abs=0.06)
    assert values.offset_y_mm == pytest.approx(-0.3, abs=0.06)
    assert values.height_mm == pytest.approx(3.0, abs=0.12)
    assert values.contrast == pytest.approx(150, abs=45)


def test_the_place_is_that_of_template_matching_of_scikit_image(lot_arrays):
    # skimage.feature.match_template (normalised cross-correlation) is the independent reference.
    text, clean = "LOT K4471 09:58", Look(noise=0.0, jitter=0.0)
    template = dot_line(text, clean, np.random.default_rng(0)).gray[8:28, 20:222]
    moved = replace(clean, shift_mm=(5 * 0.19, -3 * 0.19))
    drawn = [dot_line(text, look, np.random.default_rng(0)) for look in (clean, moved)]
    peaks = [np.unravel_index(np.argmax(match_template(d.gray, template)), (17, 41)) for d in drawn]
    seen = [printed_text(view(d), LOT, ready(LOT, lot_arrays)) for d in drawn]
    down, across = np.subtract(peaks[1], peaks[0]) * 0.19
    assert seen[1].offset_x_mm - seen[0].offset_x_mm == pytest.approx(across, abs=0.02)
    assert seen[1].offset_y_mm - seen[0].offset_y_mm == pytest.approx(down, abs=0.02)


def test_built_in_dots_need_only_the_height():
    params = PrintedTextParams(text="LOT {lot} hh:mm", height_mm=3.0)
    prepared = prepare(params, Given(order=ORDER))
    assert measured("LOT K4471 09:58", prepared, params).matches
    assert measured("LOT K4477 09:58", prepared, params).text == "LOT K4477 09:58"


def test_a_picture_of_the_coders_characters_will_do():
    names = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ/:.-"
    params = LOT.model_copy(
        update={"reference": None, "font": "font.png", "font_text": names, "height_mm": 3.0}
    )
    font = Reference("font.png", image=sheet(names, Look(blur_px=0.5)))
    prepared = prepare(params, Given({"font.png": font}, ORDER))
    assert measured("LOT K4471 09:58", prepared, params).matches
    assert not measured("LOT H4471 09:58", prepared, params).matches


def test_light_print_on_dark_ground():
    look = Look(light_print=True, ground=60, ink=200)
    params = LOT.model_copy(update={"print": "light"})
    arrays = taught(params, look).arrays
    values = measured("LOT K4471 11:20", ready(params, arrays), params, look)
    assert values.matches
    assert values.time == "11:20"


@pytest.mark.parametrize("face", [0, 2])
def test_ordinary_print_of_characters_of_unlike_width(face):
    def draw(text, look, rng):
        return solid_line(text, look, rng, face=face)

    look = Look(clutter=True)
    prepared = ready(LOT, taught(LOT, look, draw).arrays)
    right = measured("LOT K4471 07:31", prepared, LOT, look, draw=draw)
    wrong = measured("LOT K4417 07:31", prepared, LOT, look, draw=draw)
    assert right.matches
    assert right.worst_margin > 0.2
    assert not wrong.matches


def test_a_letter_never_taught_does_not_pass_for_its_like_in_ordinary_print():
    def draw(text, look, rng):
        return solid_line(text, look, rng, face=0)

    prepared = ready(BEST_BEFORE, taught(BEST_BEFORE, Look(), draw).arrays)
    for line in ("BP 14/03/2027", "BB 14/08/2027", "BB 19/03/2027", "BB 14/03/2021"):
        assert not measured(line, prepared, BEST_BEFORE, Look(), draw=draw).matches
    assert measured("BB 14/03/2027", prepared, BEST_BEFORE, Look(), draw=draw).matches


def test_teaching_leaves_out_a_carton_with_another_lot():
    rng = np.random.default_rng(5)
    views = [
        view(dot_line(line_of(LOT, ORDER, k), varied(CODER, rng, slant=0, stretch=0), rng))
        for k in range(8)
    ]
    views[3] = view(dot_line("LOT H4471 08:00", CODER, rng))
    views[5] = view(Drawn(np.full_like(views[0].gray, 200), "", CODER, (0, 0)))
    result = teach(views, LOT, Given(order=ORDER))
    assert set(result.left_out) == {3, 5}
    assert result.left_out[3] == "place 5: K looks like H"
    assert result.picture is not None
    assert int(result.arrays["format"][0]) == 1


def test_teaching_refuses_views_without_the_line():
    rng = np.random.default_rng(5)
    views = [view(dot_line("BEST 12 345 67", CODER, rng)) for _ in range(6)]
    with pytest.raises(UnusableReference, match=r"is (not )?found (in 0 of 6|on the) views"):
        teach(views, LOT, Given(order=ORDER))


@pytest.mark.parametrize(
    ("update", "order", "parameter", "why"),
    [
        ({"text": "LOT {lto}"}, ORDER, "text", "no field `lto`"),
        ({}, {}, "text", "no field `lot`"),
        ({"text": "LOT {lot} €"}, ORDER, "reference", "no shape is known for €"),
        ({"reference": None}, ORDER, "height_mm", "height of a capital is needed"),
        ({"reference": "bad.npz"}, ORDER, "reference", "holds no taught characters"),
        ({"reference": "new.npz"}, ORDER, "reference", "format 99 cannot be read"),
        ({"font": "font.png"}, ORDER, "font_text", "which characters"),
        ({"font": "font.png", "font_text": "ABC"}, ORDER, "font", "does not show 3 characters"),
    ],
)
def test_what_cannot_be_used_is_said_with_its_setting(lot_arrays, update, order, parameter, why):
    references = {
        "taught.npz": Reference("taught.npz", arrays=lot_arrays),
        "bad.npz": Reference("bad.npz", arrays={"format": np.array([1])}),
        "new.npz": Reference("new.npz", arrays={**lot_arrays, "format": np.array([99])}),
        "font.png": Reference("font.png", image=np.full((20, 60), 255, np.uint8)),
    }
    with pytest.raises(UnusableReference, match=why) as raised:
        prepare(LOT.model_copy(update=update), Given(references, order))
    assert raised.value.parameter == parameter


def test_a_missing_line_is_not_measured(lot_arrays):
    rng = np.random.default_rng(2)
    gray = np.clip(rng.normal(200, 3, (36, 240)), 0, 255).astype(np.uint8)
    result = printed_text(View(gray, mm_per_px=0.19), LOT, ready(LOT, lot_arrays))
    assert result == NotMeasured("no print like the expected line is found")


def test_a_line_half_outside_the_region_is_not_measured(lot_arrays):
    drawn = dot_line("LOT K4471 09:58", Look(shift_mm=(7.0, 0)), np.random.default_rng(2))
    result = printed_text(view(drawn), LOT, ready(LOT, lot_arrays))
    assert isinstance(result, NotMeasured)


def test_a_masked_place_is_not_measured(lot_arrays):
    drawn = dot_line("LOT K4471 09:58", Look(), np.random.default_rng(2))
    mask = np.full(drawn.gray.shape, 255, np.uint8)
    mask[:, 100:125] = 0
    result = printed_text(view(drawn, mask=mask), LOT, ready(LOT, lot_arrays))
    assert result == NotMeasured("part of the line is outside the picture or left out")


@pytest.mark.parametrize(
    "gray",
    [
        np.zeros((0, 0), np.uint8),
        np.zeros((1, 1), np.uint8),
        np.zeros((40, 240), np.uint8),
        np.full((40, 240), 255, np.uint8),
        np.random.default_rng(0).integers(0, 256, (40, 240), np.uint8),
        np.tile(np.uint8([0, 255]), (40, 120)),
    ],
    ids=["empty", "one pixel", "black", "white", "noise", "stripes"],
)
@pytest.mark.parametrize("scale", [0.19, np.nan, 1e-6, 50.0])
def test_bad_pictures_are_not_measured_and_never_raise(lot_arrays, gray, scale):
    result = printed_text(View(gray, mm_per_px=scale), LOT, ready(LOT, lot_arrays))
    assert isinstance(result, NotMeasured)
    assert result.why


def test_the_same_view_gives_the_same_values(lot_arrays):
    prepared = ready(LOT, lot_arrays)
    a, b = (measured("LOT K4471 09:58", prepared).model_dump(exclude={"marks"}) for _ in range(2))
    assert a == b


def test_floor_dot_matrix_accepts_right_lines_and_no_changed_one(best_before_arrays):
    """A piece of the run in benchmarks/printed_text.py; these floors may only rise."""
    rng = np.random.default_rng(2024)
    prepared = ready(BEST_BEFORE, best_before_arrays)
    text = "BB 14/03/2027"
    coder = replace(CODER, missing=0.03)
    right = wrong = 0
    for _ in range(60):
        for wanted in (True, False):
            line = text if wanted else changed(text, rng)
            look = varied(coder, rng, slant=10, stretch=0.1)
            values = printed_text(view(dot_line(line, look, rng)), BEST_BEFORE, prepared)
            accepted = isinstance(values, PrintedTextValues) and values.matches
            right += accepted and wanted
            wrong += accepted and not wanted
    assert right >= 59
    assert wrong == 0
