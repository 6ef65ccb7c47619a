"""A print against taught good ones: what stands out, what does not, and what cannot be judged."""

from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import label as connected
from skimage.metrics import structural_similarity
from skimage.registration import phase_cross_correlation

from steps._shared.local_shifts import LocalShifts
from steps.contract import (
    Given,
    NotMeasured,
    Reference,
    ReferenceFile,
    Taught,
    UnusableReference,
    View,
)
from steps.print_difference import (
    PreparedPrint,
    PrintDifferenceParams,
    PrintDifferenceValues,
    prepare,
    print_difference,
    teach,
)
from tests.generators.prints import (
    HEIGHT,
    QUIET,
    WIDE,
    WIDTH,
    Condition,
    Photographer,
    Print,
    print_of,
    with_spot,
)

PARAMS = PrintDifferenceParams(reference=ReferenceFile("print.npz"))
SCALE = 0.2
LIMIT = 7.0
"""The limit the step's page advises; set before these prints were looked at."""

GOOD = print_of(11)


def view(gray, mask=None) -> View:
    gray = gray.copy()
    gray.flags.writeable = False
    return View(gray, mm_per_px=SCALE, mask=mask)


def ready(taught: Taught, **given) -> PreparedPrint:
    reference = Reference("print.npz", arrays=taught.arrays)
    return prepare(PARAMS, Given(references={"print.npz": reference}, **given))


def photographer(condition: Condition, seed: int) -> Photographer:
    return Photographer(condition, np.random.default_rng(seed))


@cache
def lesson(condition: Condition) -> Taught:
    camera = photographer(condition, 1)
    return teach([view(camera.view(GOOD)) for _ in range(10)], PARAMS, Given())


@cache
def prepared(condition: Condition) -> PreparedPrint:
    return ready(lesson(condition))


def measured(condition: Condition, of: Print, seed: int) -> PrintDifferenceValues:
    values = print_difference(
        view(photographer(condition, seed).view(of)), PARAMS, prepared(condition)
    )
    assert isinstance(values, PrintDifferenceValues)
    return values


@pytest.mark.parametrize("condition", [QUIET, WIDE], ids=["quiet", "wide"])
def test_fresh_good_prints_stay_below_the_limit(condition):
    worst = max(measured(condition, GOOD, 100 + k).difference for k in range(8))
    assert worst < LIMIT


def test_a_good_print_has_no_area_and_no_marks():
    values = measured(QUIET, GOOD, 5)
    assert (values.count, values.largest_mm2, values.total_mm2, values.marks) == (0, 0, 0, ())


@pytest.mark.parametrize(("condition", "diameter"), [(QUIET, 2), (WIDE, 4)], ids=["quiet", "wide"])
def test_a_small_spot_is_found_where_it_is(condition, diameter):
    rng = np.random.default_rng(7)
    for k in range(6):
        at = rng.uniform(40, WIDTH - 40), rng.uniform(40, HEIGHT - 40)
        tone = GOOD.drawing[round(at[1] * 2), round(at[0] * 2)]
        spot = with_spot(GOOD, at, diameter, -0.4 if tone > 128 else 0.4)
        values = measured(condition, spot, 200 + k)
        assert values.difference > LIMIT
        assert np.hypot(values.x_mm / SCALE - at[0], values.y_mm / SCALE - at[1]) < 6
        assert values.direction == ("darker" if tone > 128 else "lighter")


def test_area_of_a_spot_is_measured():
    """Against the area drawn: 20 px across, 0.2 mm/px, so 12.57 mm2."""
    spot = with_spot(GOOD, (380, 275), 20, -0.4)
    values = measured(QUIET, spot, 3)
    assert values.largest_mm2 == pytest.approx(np.pi * 10**2 * SCALE**2, rel=0.25)
    assert values.count == 1
    (mark,) = values.marks
    low, high = mark.points.min(axis=0), mark.points.max(axis=0)
    assert (low < (372, 267)).all()
    assert (high > (388, 283)).all()


def test_two_spots_are_two_differences():
    """Counted independently: scikit-image labels the drawn change."""
    spots = with_spot(with_spot(GOOD, (380, 275), 16, -0.4), (450, 60), 10, -0.4)
    values = measured(QUIET, spots, 4)
    assert values.count == connected(np.abs(spots.drawing - GOOD.drawing) > 20).max() == 2
    assert values.total_mm2 > values.largest_mm2 > values.total_mm2 / 2


@pytest.mark.parametrize("condition", [QUIET, WIDE], ids=["quiet", "wide"])
@pytest.mark.parametrize("change", [{"digit": 3}, {"digit": 11}, {"word": 4}, {"word": 27}])
def test_a_changed_digit_or_word_is_caught(condition, change):
    assert measured(condition, print_of(11, **change), 8).difference > LIMIT


def test_similarity_of_the_whole_would_not_see_a_changed_digit():
    """Sanity: scikit-image's structural similarity spreads more among good prints."""
    camera = photographer(QUIET, 8)
    first, *good = (camera.view(GOOD) for _ in range(5))
    scores = [structural_similarity(first, other) for other in good]
    changed = structural_similarity(first, camera.view(print_of(11, digit=3)))
    assert min(scores) < changed


def test_missing_print_is_caught_even_where_whole_blocks_are_bare():
    drawing = GOOD.drawing.copy()
    drawing[560:900, :1100] = 225
    values = measured(QUIET, Print(drawing), 9)
    assert values.difference > 2 * LIMIT
    assert values.direction == "lighter"


def test_a_bare_label_is_caught():
    bare = np.full((HEIGHT, WIDTH), 200.0) + np.random.default_rng(2).normal(0, 2, (HEIGHT, WIDTH))
    values = print_difference(view(bare.astype(np.uint8)), PARAMS, prepared(QUIET))
    assert isinstance(values, PrintDifferenceValues)
    assert values.difference > 2 * LIMIT


@pytest.mark.parametrize("level", [0.8, 1.2])
def test_light_makes_no_difference(level):
    gray = photographer(Condition(gain=(0.8, 0.8)), 12).view(GOOD)
    lit = np.clip(gray * level, 0, 255).astype(np.uint8)
    values = print_difference(view(lit), PARAMS, prepared(QUIET))
    assert isinstance(values, PrintDifferenceValues)
    assert values.difference < LIMIT


def test_a_wide_soft_glare_makes_no_difference():
    gray = photographer(Condition(gain=(0.75, 0.75)), 12).view(GOOD).astype(float)
    rows, columns = np.ogrid[:HEIGHT, :WIDTH]
    glare = 25 * np.exp(-((columns - 500) ** 2 + (rows - 200) ** 2) / (2 * 120**2))
    values = print_difference(view((gray + glare).astype(np.uint8)), PARAMS, prepared(QUIET))
    assert isinstance(values, PrintDifferenceValues)
    assert values.difference < LIMIT


STRETCHED = Condition(stretch=1.5)
"""Displaced by up to 1.5 px, slowly over the print."""
LOCAL = PrintDifferenceParams(reference=ReferenceFile("print.npz"), local_shifts=True)


@cache
def prepared_for_stretch() -> PreparedPrint:
    camera = photographer(STRETCHED, 21)
    taught = teach([view(camera.view(GOOD)) for _ in range(8)], LOCAL, Given())
    reference = Reference("print.npz", arrays=taught.arrays)
    return prepare(LOCAL, Given(references={"print.npz": reference}))


def test_a_stretched_or_bent_print_is_good_and_its_spots_are_found():
    camera = photographer(STRETCHED, 22)
    spot = with_spot(GOOD, (420, 290), 3, -0.4)
    for _ in range(4):
        good = print_difference(view(camera.view(GOOD)), LOCAL, prepared_for_stretch())
        bad = print_difference(view(camera.view(spot)), LOCAL, prepared_for_stretch())
        assert isinstance(good, PrintDifferenceValues)
        assert isinstance(bad, PrintDifferenceValues)
        assert good.difference < LIMIT < bad.difference


def test_straightening_takes_out_displacements():
    """Against the displacement drawn: a slow wave of 1.2 px, by scikit-image's registration."""
    still = photographer(QUIET, 23).view(GOOD)
    rows, columns = np.indices(still.shape, np.float32)
    wave = (1.2 * np.sin(2 * np.pi * rows / HEIGHT)).astype(np.float32)
    bent = cv2.remap(still, columns + wave, rows, cv2.INTER_LINEAR)
    shifts = LocalShifts.of(still.astype(np.float32), np.ones(still.shape, bool))
    straight = shifts.straightened(bent, None)

    def off(image):
        part = np.s_[100:170, 60:260]
        return phase_cross_correlation(still[part], image[part], upsample_factor=50)[0][1]

    assert abs(off(bent)) > 0.9
    assert abs(off(straight)) < 0.1


def test_masked_places_do_not_count():
    spot = photographer(QUIET, 13).view(with_spot(GOOD, (300, 200), 30, -0.5))
    mask = np.full(spot.shape, 255, np.uint8)
    mask[180:220, 280:320] = 0
    seen = print_difference(view(spot), PARAMS, prepared(QUIET))
    masked = print_difference(view(spot, mask), PARAMS, prepared(QUIET))
    assert isinstance(seen, PrintDifferenceValues)
    assert isinstance(masked, PrintDifferenceValues)
    assert seen.difference > LIMIT > masked.difference


def test_masked_places_may_change_from_carton_to_carton_in_teaching():
    camera, rng = photographer(QUIET, 14), np.random.default_rng(3)
    mask = np.full((HEIGHT, WIDTH), 255, np.uint8)
    mask[440:490, 50:230] = 0

    def dated():
        gray = camera.view(print_of(11, digit=int(rng.integers(0, 13)))).copy()
        gray[450:480, 60:220] = rng.integers(0, 255, (30, 160))
        return view(gray, mask)

    good = ready(teach([dated() for _ in range(6)], PARAMS, Given()))
    values = print_difference(dated(), PARAMS, good)
    assert isinstance(values, PrintDifferenceValues)
    assert values.difference < LIMIT


@pytest.mark.parametrize("rows", [-1, 1])
@pytest.mark.parametrize("columns", [-1, 1])
def test_a_view_of_one_pixel_more_or_less_is_compared(rows, columns):
    gray = photographer(QUIET, 15).view(GOOD)
    gray = np.pad(gray, ((0, 1), (0, 1)), mode="edge")[: HEIGHT + rows, : WIDTH + columns]
    values = print_difference(view(gray), PARAMS, prepared(QUIET))
    assert isinstance(values, PrintDifferenceValues)
    assert values.difference < LIMIT


def test_teaching_leaves_out_and_names_what_is_unlike():
    camera = photographer(QUIET, 16)
    views = [view(camera.view(GOOD)) for _ in range(9)]
    views[2] = view(camera.view(with_spot(GOOD, (300, 200), 12, -0.4)))
    views[5] = view(np.roll(camera.view(GOOD), 5, axis=1))
    views[7] = view(np.zeros((40, 50), np.uint8))
    taught = teach(views, PARAMS, Given())
    assert set(taught.left_out) == {2, 5, 7}
    assert "50 x 40 px" in taught.left_out[7]
    assert "times as much" in taught.left_out[2]
    assert taught.picture is not None
    assert taught.picture.shape == (HEIGHT, WIDTH)
    with_bad = print_difference(view(camera.view(GOOD)), PARAMS, ready(taught))
    assert isinstance(with_bad, PrintDifferenceValues)
    assert with_bad.difference < LIMIT


def test_two_alike_wrong_prints_among_eight_are_left_out():
    camera = photographer(QUIET, 17)
    views = [view(camera.view(GOOD)) for _ in range(8)]
    views[3] = view(camera.view(print_of(11, word=4)))
    views[6] = view(camera.view(print_of(11, word=4)))
    assert set(teach(views, PARAMS, Given()).left_out) == {3, 6}


def test_views_that_are_mostly_masked_are_left_out():
    camera = photographer(QUIET, 24)
    half = np.full((HEIGHT, WIDTH), 255, np.uint8)
    half[:, :300] = 0
    views = [view(camera.view(GOOD)) for _ in range(4)] + [view(camera.view(GOOD), half)]
    assert teach(views, PARAMS, Given()).left_out == {
        4: "only 60 % of it is in the frame and not masked"
    }
    nothing = [view(camera.view(GOOD), 0 * half)] * 3
    with pytest.raises(UnusableReference, match="only 0 of 3 views are alike"):
        teach(nothing, PARAMS, Given())


def test_too_few_views_are_refused():
    with pytest.raises(UnusableReference, match="2 of 2 views can be used; 3 are needed"):
        teach([view(photographer(QUIET, 1).view(GOOD))] * 2, PARAMS, Given())
    with pytest.raises(UnusableReference, match="0 of 0 views"):
        teach([], PARAMS, Given())


def test_teaching_twice_gives_the_same():
    camera = photographer(QUIET, 18)
    views = [view(camera.view(GOOD)) for _ in range(4)]
    one, other = (teach(views, PARAMS, Given()).arrays for _ in range(2))
    for name, array in one.items():
        np.testing.assert_array_equal(array, other[name])


def test_a_taught_file_survives_its_file(tmp_path):
    np.savez_compressed(tmp_path / "print.npz", **lesson(QUIET).arrays)
    with np.load(tmp_path / "print.npz", allow_pickle=False) as loaded:
        again = ready(Taught(dict(loaded), {}))
    gray = view(photographer(QUIET, 19).view(GOOD))
    first = print_difference(gray, PARAMS, prepared(QUIET))
    second = print_difference(gray, PARAMS, again)
    assert first == second
    assert again.mm_per_px == SCALE


def test_files_that_do_not_fit_are_refused():
    arrays = dict(lesson(QUIET).arrays)
    with pytest.raises(UnusableReference, match="this is no taught print"):
        ready(Taught({"format": np.array([1])}, {}))
    with pytest.raises(UnusableReference, match="another version"):
        ready(Taught(arrays | {"format": np.array([99])}, {}))
    with pytest.raises(UnusableReference, match=r"taught for a region of 152.0 x 104.0 mm, not 90"):
        ready(lesson(QUIET), region_mm=(90.0, 104.0))


def test_what_cannot_be_compared_says_why():
    def why(gray, mask=None):
        values = print_difference(view(gray, mask), PARAMS, prepared(QUIET))
        assert isinstance(values, NotMeasured)
        return values.why

    black = np.zeros((HEIGHT, WIDTH), np.uint8)
    assert why(np.zeros((9, 12), np.uint8)) == (
        "the view is 12 x 9 px, the print was taught at 760 x 520 px"
    )
    assert why(black) == "the view is almost black"
    assert why(black + 200, black) == "most of the print is masked or outside the frame"


@settings(max_examples=12, deadline=None)
@given(kind=st.sampled_from(["flat", "noise", "half", "white"]), seed=st.integers(0, 9))
def test_any_content_gives_values_and_twice_the_same(kind, seed):
    rng = np.random.default_rng(seed)
    shape = HEIGHT, WIDTH
    gray = {
        "flat": lambda: np.full(shape, 40 + 20 * seed, np.uint8),
        "noise": lambda: rng.integers(0, 256, shape).astype(np.uint8),
        "half": lambda: np.where(np.arange(WIDTH) < 380, 250, 5) * np.ones(shape, np.uint8),
        "white": lambda: np.full(shape, 255, np.uint8),
    }[kind]()
    gray = gray.astype(np.uint8)
    mask = cv2.resize(rng.integers(0, 2, (5, 5)).astype(np.uint8) * 255, shape[::-1]) | 1
    first = print_difference(view(gray, mask), PARAMS, prepared(QUIET))
    assert isinstance(first, PrintDifferenceValues)
    assert np.isfinite([first.difference, first.strongest, first.total_mm2]).all()
    second = print_difference(view(gray, mask), PARAMS, prepared(QUIET))
    assert isinstance(second, PrintDifferenceValues)
    assert first.model_dump(exclude={"marks"}) == second.model_dump(exclude={"marks"})
