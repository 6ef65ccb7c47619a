"""Contents: right, wrong and missing items against exact truth, round items, and odd content."""

import math
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from skimage.feature import match_template
from skimage.transform import hough_circle, hough_circle_peaks

from steps.contents import CellPlace, ContentsParams, ContentsValues, Grid, contents, prepare, teach
from steps.contract import Given, NotMeasured, Reference, Taught, UnusableReference, View
from tests.generators.cells import CELL_MM, MM_PER_PX, circles, tray

GOOD = [["red", "red", "red"], ["red", "red", "red"]]
REGION = (3 * CELL_MM, 2 * CELL_MM)
PARAMS = ContentsParams(cells=Grid(columns=3, rows=2), reference="items.npz")


def seen(rgb: np.ndarray, *, color: bool = True, mask: np.ndarray | None = None) -> View:
    """Show a tray as the engine does: grey always, colour where the camera gives it."""
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    for array in (gray, rgb):
        array.setflags(write=False)
    return View(gray, mm_per_px=MM_PER_PX, rgb=rgb if color else None, mask=mask)


def with_one(variety: str, row: int = 1, column: int = 2) -> list[list[str]]:
    """A full tray with another item, or none, in one cell."""
    cells = [list(r) for r in GOOD]
    cells[row][column] = variety
    return cells


@cache
def taught(*, color: bool = True, either_way: bool = False) -> Taught:
    """Teach from 12 good trays."""
    params = PARAMS.model_copy(update={"either_way_round": either_way})
    views = [seen(tray(s, GOOD, either_way=either_way), color=color) for s in range(12)]
    return teach(views, params, Given(region_mm=REGION))


def judged(
    view: View, *, color: bool = True, either_way: bool = False
) -> ContentsValues | NotMeasured:
    """Measure a view with what was taught."""
    params = PARAMS.model_copy(update={"either_way_round": either_way})
    file = Reference("items.npz", arrays=taught(color=color, either_way=either_way).arrays)
    ready = prepare(params, Given(references={"items.npz": file}, region_mm=REGION))
    return contents(view, params, ready)


def test_a_full_tray_is_full_and_looks_like_the_taught_ones():
    for seed in range(100, 115):
        values = judged(seen(tray(seed, GOOD)))
        assert (values.present, values.missing, values.wrong) == (6, 0, 0)
        assert values.measures_agree
        assert values.difference < 6
        assert values.least_match > 0.9


@pytest.mark.parametrize("light", [0.8, 0.92])
def test_other_light_changes_nothing(light):
    rgb = (tray(200, GOOD) * light).astype(np.uint8)
    values = judged(seen(rgb))
    assert (values.present, values.wrong) == (6, 0)


@pytest.mark.parametrize(("variety", "difference"), [("brown", 10), ("blue", 16), ("back", 16)])
def test_another_variety_or_one_turned_over_is_wrong_and_its_cell_is_named(variety, difference):
    for seed in range(5):
        values = judged(seen(tray(300 + seed, with_one(variety))))
        assert (values.wrong, values.missing) == (1, 0)
        assert values.difference > difference
        assert values.where.startswith("row 2, column 3: ")


def test_the_plain_back_is_seen_by_one_measure_only_and_not_counted():
    values = judged(seen(tray(310, with_one("back"))))
    assert values.present == 5
    assert not values.measures_agree


@pytest.mark.parametrize("color", [True, False])
@pytest.mark.parametrize("empty", [1, 3, 6])
def test_empty_cells_are_missing_and_never_full(color, empty):
    cells = [list(r) for r in GOOD]
    for i in range(empty):
        cells[i // 3][i % 3] = "none"
    for seed in range(3):
        values = judged(seen(tray(400 + seed, cells), color=color), color=color)
        assert (values.present, values.missing) == (6 - empty, empty)
        assert values.difference > 8


def test_an_empty_tray_as_bright_as_the_items_is_not_full():
    rgb = tray(420, [["none"] * 3] * 2, ground=(226, 222, 212))
    values = judged(seen(rgb))
    assert values.present == 0
    assert not values.measures_agree


def test_items_either_way_round_are_right_only_where_the_recipe_says_so():
    turned = seen(tray(500, GOOD, either_way=True))
    assert judged(turned).wrong > 0
    values = judged(turned, either_way=True)
    assert (values.present, values.wrong, values.missing) == (6, 0, 0)
    values = judged(seen(tray(501, with_one("brown"), either_way=True)), either_way=True)
    assert values.wrong == 1


def test_an_item_is_found_where_normalised_correlation_finds_it():
    # Independent reference: skimage.feature.match_template with the taught item.
    arrays = taught().arrays
    rgb = tray(600, GOOD)
    marks = judged(seen(rgb)).marks
    rows, columns = arrays["size"]
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(float)
    small = cv2.resize(gray, (int(columns), int(rows)), interpolation=cv2.INTER_AREA)
    small -= cv2.GaussianBlur(small, (0, 0), 11)
    item = arrays["structure_4"]
    h, w = item.shape
    score = match_template(small, item, pad_input=True)
    y0, x0 = int(0.75 * rows), int(columns / 2)
    window = score[y0 - 8 : y0 + 9, x0 - 8 : x0 + 9]
    y, x = np.add(np.unravel_index(window.argmax(), window.shape), (y0 - 8, x0 - 8))
    middle = np.array([x - (w % 2 == 0) * 0.5, y - (h % 2 == 0) * 0.5])
    found = (marks[4].points.mean(axis=0) + 0.5) * columns / rgb.shape[1] - 0.5
    assert np.abs(found - middle).max() < 1.2


def test_cells_may_be_listed_with_their_places():
    places = tuple(CellPlace(x=c * 20, y=20, width=20, height=20) for c in range(2))
    params = PARAMS.model_copy(update={"cells": places})
    views = [seen(tray(s, GOOD)) for s in range(8)]
    file = Reference("items.npz", arrays=teach(views, params, Given(region_mm=REGION)).arrays)
    ready = prepare(params, Given(references={"items.npz": file}, region_mm=REGION))
    values = contents(seen(tray(700, with_one("none", 1, 1))), params, ready)
    assert (values.present, values.missing, values.where) == (1, 1, "cell 2: missing")


def test_teaching_leaves_out_a_tray_with_a_wrong_item_and_names_the_cell():
    views = [seen(tray(s, GOOD)) for s in range(12)]
    views[5] = seen(tray(5, with_one("brown", 0, 1)))
    views[9] = seen(tray(9, with_one("none", 1, 0)))
    left_out = teach(views, PARAMS, Given(region_mm=REGION)).left_out
    assert set(left_out) == {5, 9}
    assert left_out[5].startswith("row 1, column 2")
    assert left_out[9].startswith("row 2, column 1")


def test_teaching_leaves_out_a_view_with_a_hidden_cell():
    views = [seen(tray(s, GOOD)) for s in range(7)]
    mask = np.full(views[2].gray.shape, 255, np.uint8)
    mask[100:, 200:] = 0
    views[2] = seen(tray(2, GOOD), mask=mask)
    left_out = teach(views, PARAMS, Given(region_mm=REGION)).left_out
    assert left_out == {2: "row 2, column 3 is hidden or saturated"}


def test_too_few_views_to_teach_is_said():
    views = [seen(tray(s, GOOD)) for s in range(4)]
    with pytest.raises(UnusableReference, match="5 good views"):
        teach(views, PARAMS, Given(region_mm=REGION))


@pytest.mark.parametrize(
    ("change", "parameter", "why"),
    [
        ({"cells": Grid(columns=2, rows=2)}, "cells", "other cells"),
        ({"reference": None}, "reference", "taught reference"),
        ({"mode": "round"}, "diameter_mm", "diameter_mm"),
    ],
)
def test_settings_that_do_not_fit_are_refused_with_the_setting_at_fault(change, parameter, why):
    params = PARAMS.model_copy(update=change)
    file = Reference("items.npz", arrays=taught().arrays)
    with pytest.raises(UnusableReference, match=why) as refused:
        prepare(params, Given(references={"items.npz": file}, region_mm=REGION))
    assert refused.value.parameter == parameter


def test_a_file_of_something_else_is_refused():
    file = Reference("items.npz", arrays={"format": np.array([1])})
    with pytest.raises(UnusableReference, match="region_mm"):
        prepare(PARAMS, Given(references={"items.npz": file}, region_mm=REGION))


def test_hidden_saturated_grey_and_unscaled_views_are_not_measured():
    rgb = tray(800, GOOD)
    mask = np.full(rgb.shape[:2], 255, np.uint8)
    mask[:100, :100] = 0
    hidden = judged(seen(rgb, mask=mask))
    assert isinstance(hidden, NotMeasured)
    assert hidden.why == "row 1, column 1 is hidden or saturated"
    bright = judged(seen(np.full_like(rgb, 255)))
    assert isinstance(bright, NotMeasured)
    grey = judged(seen(rgb, color=False))
    assert isinstance(grey, NotMeasured)
    assert "grey" in grey.why
    unscaled = judged(View(np.zeros((50, 50), np.uint8)))
    assert isinstance(unscaled, NotMeasured)
    assert "scale" in unscaled.why


def rounds(gray: np.ndarray, diameter: float = 30, mask: np.ndarray | None = None):
    """Count round items at 1 mm/px."""
    params = ContentsParams(mode="round", diameter_mm=diameter)
    gray.setflags(write=False)
    return contents(View(gray, mm_per_px=1.0, mask=mask), params, prepare(params, Given()))


@pytest.mark.parametrize("touching", [True, False])
def test_faint_round_items_are_counted_down_to_touching_ones(touching):
    truth = [circles(s, contrast=15, touching=touching) for s in range(60)]
    values = [rounds(t.gray) for t in truth]
    assert [v.count_by_edges for v in values] == [t.count for t in truth]
    assert all(v.measures_agree for v in values)


def test_a_region_without_round_items_is_never_full():
    for seed in range(20):
        values = rounds(circles(seed, count=0, noise=1 + seed % 5).gray)
        assert (values.present, values.count_by_area) == (0, 0)


def test_round_items_agree_with_a_hough_transform_on_easy_views():
    # Independent reference: skimage.transform.hough_circle on Canny-like edges of clear views.
    for seed in range(4):
        truth = circles(seed, contrast=60, noise=1, touching=False, count=6)
        smooth = cv2.GaussianBlur(truth.gray, (0, 0), 1.5)
        edges = cv2.Canny(smooth, 20, 40) > 0
        radii = np.arange(14, 17)
        _, x, y, _ = hough_circle_peaks(
            hough_circle(edges, radii), radii, 20, 20, threshold=0.4, total_num_peaks=20
        )
        found = {(round(a / 15), round(b / 15)) for a, b in zip(x, y, strict=True)}
        assert rounds(truth.gray).present == truth.count
        assert len(found) >= truth.count


def test_a_square_of_the_size_of_an_item_makes_the_measures_differ_or_is_not_counted_twice():
    gray = np.full((120, 120), 80, np.uint8)
    gray[45:75, 45:75] = 140
    values = rounds(gray)
    assert values.present <= 1


def test_round_items_that_cannot_be_counted_say_why():
    gray = np.zeros((100, 100), np.uint8)
    for view, why in [
        (rounds(gray, 5), "8 are needed"),
        (rounds(gray, 200), "larger than the region"),
        (rounds(gray, 30, mask=np.zeros_like(gray)), "masked"),
    ]:
        assert isinstance(view, NotMeasured)
        assert why in view.why


@settings(max_examples=60, deadline=None)
@given(
    gray=hnp.arrays(np.uint8, st.tuples(st.integers(0, 40), st.integers(0, 40))),
    level=st.sampled_from([None, 0, 128, 255]),
    masked=st.booleans(),
    mode=st.sampled_from(["items", "round"]),
    scale=st.sampled_from([math.nan, 0.0, 0.2, 1.0]),
)
def test_no_content_raises_and_two_calls_agree(gray, level, masked, mode, scale):
    if level is not None:
        gray = np.full_like(gray, level)
    mask = np.zeros_like(gray) if masked else None
    view = View(gray, mm_per_px=scale, rgb=np.dstack([gray] * 3), mask=mask)
    if mode == "items":
        first, second = judged(view), judged(view)
    else:
        params = ContentsParams(mode="round", diameter_mm=9)
        ready = prepare(params, Given())
        first, second = contents(view, params, ready), contents(view, params, ready)
    if isinstance(first, NotMeasured):
        assert first == second
    else:
        assert first.model_dump(exclude={"marks"}) == second.model_dump(exclude={"marks"})
