"""Colour against the label's own white: what light does not change, and what is told apart."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, lab2rgb, rgb2lab

from steps._shared.color_difference import ciede2000, from_lab, to_lab
from steps._shared.light import to_coded
from steps._shared.own_white import brightest, white_of
from steps.colour import ColourParams, ColourValues, ExpectedColour, Patch, colour, prepare, teach
from steps.contract import (
    Given,
    NotMeasured,
    Reference,
    ReferenceFile,
    Taught,
    UnusableReference,
    View,
)

SCALE = 0.2
PATCH = Patch(x=2, y=8, width=16, height=6)
WHITES = (Patch(x=2, y=2, width=16, height=3), Patch(x=2, y=16, width=16, height=3))
WHERE = {"patch_mm": PATCH, "white_mm": WHITES}
NOTHING = ExpectedColour(None, None, None)

PAPER = np.array([0.80, 0.78, 0.70])
"""Light that the paper gives back, by channel."""

OCHRE = (62.0, 18.0, 48.0)
"""L*, a*, b* of the print against the paper."""

colours = st.tuples(st.floats(5, 100), st.floats(-60, 60), st.floats(-60, 60))


def photograph(
    lab=OCHRE,
    *,
    level=0.8,
    cast=(1.0, 1.0, 1.0),
    slope=0.0,
    noise=1.5,
    seed=0,
    gamma: str | float = "srgb",
) -> View:
    """A band of a colour on paper, under light of a level, a cast and a slope over the height."""
    light = np.ones((105, 100, 1)) * PAPER
    light[38:72] = PAPER * from_lab(lab)
    light *= level * np.array(cast) * (1 + slope * np.linspace(-0.5, 0.5, 105))[:, None, None]
    seen = to_coded(light, gamma) + np.random.default_rng(seed).normal(0, noise, light.shape)
    rgb = np.clip(np.rint(seen), 0, 255).astype(np.uint8)
    rgb.flags.writeable = False
    return View(rgb[..., 1], mm_per_px=SCALE, rgb=rgb, gamma=gamma)


def measured(view: View, expected: ExpectedColour = NOTHING, **where) -> ColourValues:
    values = colour(view, ColourParams(**(where or WHERE)), expected)
    assert isinstance(values, ColourValues)
    return values


def why(view: View, **where) -> str:
    values = colour(view, ColourParams(**(where or WHERE)), NOTHING)
    assert isinstance(values, NotMeasured)
    return values.why


def ready(taught: Taught) -> ExpectedColour:
    params = ColourParams(**WHERE, reference=ReferenceFile("band.npz"))
    reference = Reference("band.npz", arrays=taught.arrays)
    return prepare(params, Given(references={"band.npz": reference}))


@given(one=colours, other=colours)
def test_ciede2000_agrees_with_an_independent_library(one, other):
    """scikit-image's deltaE_ciede2000; the formula jumps where hues are just opposite."""
    opposite = np.cross([*one[1:], 0], [*other[1:], 0])[2]
    assume(abs(opposite) > 1e-3 or np.dot(one[1:], other[1:]) > 0)
    expected = deltaE_ciede2000(np.array(one), np.array(other))
    assert ciede2000(one, other) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
        ((50, 2.8361, -74.0200), (50, 0, -82.7485), 3.4412),
    ],
)
def test_ciede2000_meets_published_pairs(one, other, expected):
    """Test data of Sharma, Wu, Dalal (2005), table 1, pairs 1 to 3; figures from memory."""
    assert ciede2000(one, other) == pytest.approx(expected, abs=5e-5)


@given(st.tuples(*[st.integers(0, 255)] * 3))
def test_lab_agrees_with_an_independent_library(pixel):
    """scikit-image's rgb2lab, D65; its white differs in the fifth digit."""
    rgb = np.array(pixel) / 255
    light = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    np.testing.assert_allclose(to_lab(light, np.ones(3)), rgb2lab(rgb), atol=0.03)


@given(colours)
def test_lab_is_undone(lab):
    light = from_lab(lab)
    if light.min() > 1e-4:
        np.testing.assert_allclose(to_lab(light, np.ones(3)), lab, atol=1e-6)


def test_colour_is_that_of_the_print_against_the_paper():
    """The drawn colour, itself checked against scikit-image's lab2rgb."""
    values = measured(photograph())
    assert (values.lightness, values.a, values.b) == pytest.approx(OCHRE, abs=0.4)
    coded = lab2rgb(np.array(OCHRE))
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    assert values.log_rg == pytest.approx(np.log(light[0] / light[1]), abs=0.01)
    assert values.log_bg == pytest.approx(np.log(light[2] / light[1]), abs=0.02)


@pytest.mark.parametrize("gamma", ["srgb", 1.0, 2.2])
@pytest.mark.parametrize("level", [0.8, 1.2])
@pytest.mark.parametrize("cast", [(1, 1, 1), (1.06, 1, 0.94)])
def test_level_and_cast_of_the_light_do_not_count(gamma, level, cast):
    first = measured(photograph(gamma=gamma))
    again = measured(photograph(level=0.8 * level, cast=cast, gamma=gamma, seed=1))
    lab = [(v.lightness, v.a, v.b) for v in (first, again)]
    assert ciede2000(*lab) < 0.5
    assert again.log_rg == pytest.approx(first.log_rg, abs=0.01)


def test_light_that_slopes_is_evened_by_whites_on_both_sides():
    expected = ExpectedColour(OCHRE, None, None)
    both = measured(photograph(slope=0.15), expected)
    one = measured(photograph(slope=0.15), expected, patch_mm=PATCH, white_mm=WHITES[:1])
    assert both.delta_e is not None
    assert one.delta_e is not None
    assert both.delta_e < 1 < one.delta_e


@pytest.mark.parametrize("off", [(0, 0, 0), (0.5, 0.3, -0.5), (4.5, 0, 0), (0, 4, 0), (0, 0, -9)])
def test_one_is_accepted_and_two_and_a_half_told_under_light_changed_by_a_fifth(off):
    """True differences by scikit-image: two below 1, three above 2.5; the limit is 1.75 between."""
    taught = ready(teach([photograph(seed=k) for _ in range(2) for k in range(5)], PARAMS, Given()))
    lab = tuple(float(a + b) for a, b in zip(OCHRE, off, strict=True))
    true = float(deltaE_ciede2000(np.array(OCHRE), np.array(lab)))
    assert true <= 1 or true >= 2.5
    for k, level in enumerate((0.8, 1.0, 1.2)):
        view = photograph(lab, level=0.8 * level, cast=(1.03, 1, 0.97), slope=0.05, seed=50 + k)
        values = measured(view, taught)
        assert values.delta_e is not None
        assert values.delta_e == pytest.approx(true, abs=0.5)
        assert (values.delta_e > 1.75) == (true > 1.75)


PARAMS = ColourParams(**WHERE)


def test_hue_stands_far_outside_good_cartons_where_grey_is_equal():
    rng = np.random.default_rng(3)

    def good(seed):
        return photograph(level=rng.uniform(0.65, 0.95), slope=0.05, seed=seed)

    taught = ready(teach([good(k) for k in range(10)], PARAMS, Given()))
    fresh = [measured(good(100 + k), taught).difference for k in range(20)]
    other = measured(photograph((62.0, 24.0, 40.0), seed=7), taught)
    assert all(value is not None and value < 7 for value in fresh)
    assert other.difference is not None
    assert other.difference > 14
    drawn = np.log(from_lab((62.0, 24.0, 40.0)) / from_lab(OCHRE))
    true = np.hypot(drawn[0] - drawn[1], drawn[2] - drawn[1])
    assert other.hue_shift == pytest.approx(true, abs=0.02)


def test_an_expected_colour_can_be_stated():
    expected = prepare(ColourParams(**WHERE, expected_lab=OCHRE), Given())
    values = measured(photograph(), expected)
    assert values.delta_e is not None
    assert values.hue_shift is not None
    assert values.delta_e < 0.5
    assert values.hue_shift < 0.02
    assert values.difference is None
    assert measured(photograph(), prepare(PARAMS, Given())).delta_e is None


def test_white_is_found_where_none_is_stated():
    given_white = measured(photograph())
    found_white = measured(photograph(), patch_mm=PATCH)
    assert found_white.lightness == pytest.approx(given_white.lightness, abs=1.0)
    assert found_white.log_rg == pytest.approx(given_white.log_rg, abs=0.02)


def test_a_few_clipped_pixels_of_white_do_no_harm_and_many_are_refused():
    """The light doubles until the paper's red is cut off."""
    first = measured(photograph(level=0.8))
    some = photograph(level=1.215, noise=3)
    assert some.rgb is not None
    assert 0.03 < (some.rgb[15:20, 15:85] >= 254).any(axis=-1).mean() < 0.4
    assert measured(some).log_rg == pytest.approx(first.log_rg, abs=0.01)
    assert why(photograph(level=1.4)) == "the white is cut off at full scale"


def test_bright_print_at_the_end_of_the_scale_is_refused():
    view = photograph((108.0, 0.0, 0.0), level=1.1)
    assert why(view) == "the patch is cut off at full scale"
    assert why(photograph((101.5, 0, 0), level=1.18), **WHERE, tone="mean") == (
        "the patch is cut off at full scale"
    )


def test_lettering_does_not_move_the_main_tone_but_the_mean():
    """A third of the patch is bare paper: the mean light is two parts print, one part paper."""
    view = photograph()
    assert view.rgb is not None
    lettered = view.rgb.copy()
    lettered[38:72, ::3] = lettered[10, ::3]
    on = View(lettered[..., 1], mm_per_px=SCALE, rgb=lettered, gamma="srgb")
    main, mean = measured(on), measured(on, **WHERE, tone="mean")
    assert main.lightness == pytest.approx(OCHRE[0], abs=0.8)
    mixed = to_lab((2 * from_lab(OCHRE) + 1) / 3, np.ones(3))
    assert (mean.lightness, mean.a, mean.b) == pytest.approx(tuple(mixed), abs=0.8)


def test_masked_pixels_do_not_count():
    view = photograph()
    assert view.rgb is not None
    spoiled, mask = view.rgb.copy(), np.full(view.gray.shape, 255, np.uint8)
    spoiled[45:60, 30:60] = 20
    mask[45:60, 30:60] = 0
    masked = View(spoiled[..., 1], mm_per_px=SCALE, rgb=spoiled, mask=mask, gamma="srgb")
    assert measured(masked).lightness == pytest.approx(measured(view).lightness, abs=0.2)


def test_what_cannot_be_measured_says_why():
    view = photograph()
    nowhere = Patch(x=90, y=90, width=1, height=1)
    assert why(View(view.gray, mm_per_px=SCALE)) == "the camera gives no colour"
    assert why(View(view.gray, rgb=view.rgb)) == "the scale of the view is not known"
    assert why(view, patch_mm=nowhere) == "too little of the patch is seen"
    assert why(view, white_mm=[nowhere]) == "too little of the white is seen"
    assert why(photograph(level=0.0)) == "the white is too dark to be a reference"
    masked = View(view.gray, mm_per_px=SCALE, rgb=view.rgb, mask=np.zeros_like(view.gray))
    assert why(masked) == "too little of the white is seen"


def test_white_is_told_between_grey_levels():
    levels = np.repeat(np.uint8([99, 100, 101]), [10, 50, 40])
    white = white_of(np.repeat(levels[:, None], 3, axis=1), 1.0)
    assert not isinstance(white, str)
    assert white[0] * 255 == pytest.approx(99.5 + 40 / 50)


def test_brightest_leaves_out_single_bright_pixels():
    rgb = np.full((60, 60, 3), 100, np.uint8)
    rgb[:20] = 200
    rgb[30, 30] = 250
    chosen = brightest(rgb, None)
    assert (chosen == 200).mean() > 0.9


def test_teaching_leaves_out_and_names_what_is_unlike():
    views = [photograph(seed=k) for k in range(8)]
    views[1] = View(views[1].gray, mm_per_px=SCALE)
    views[4] = photograph((62.0, 30.0, 30.0))
    taught = teach(views, PARAMS, Given())
    assert taught.left_out[1] == "the camera gives no colour"
    assert "off that of most" in taught.left_out[4]
    assert len(taught.left_out) == 2
    assert len(taught.arrays["lab"]) == 6


def test_teaching_from_a_grey_camera_is_refused():
    grey = [View(photograph().gray, mm_per_px=SCALE)] * 5
    with pytest.raises(UnusableReference, match=r"0 of 5 views can be used.*gives no colour"):
        teach(grey, PARAMS, Given())


def test_files_that_do_not_fit_are_refused():
    arrays = teach([photograph(seed=k) for k in range(4)], PARAMS, Given()).arrays
    with pytest.raises(UnusableReference, match="no taught colour"):
        ready(Taught({"format": np.array([1])}, {}))
    with pytest.raises(UnusableReference, match="another version"):
        ready(Taught({**arrays, "format": np.array([7])}, {}))
    both = ColourParams(**WHERE, reference=ReferenceFile("band.npz"), expected_lab=OCHRE)
    with pytest.raises(UnusableReference, match="either a reference or expected_lab"):
        prepare(both, Given())


@given(st.integers(0, 255), st.integers(1, 12), st.integers(1, 12))
def test_any_flat_view_gives_values_or_a_reason(level, rows, columns):
    rgb = np.full((rows, columns, 3), level, np.uint8)
    values = colour(View(rgb[..., 1], rgb=rgb, gamma=2.2), ColourParams(), NOTHING)
    if isinstance(values, ColourValues):
        assert values.lightness == pytest.approx(100, abs=1)
    else:
        assert "white" in values.why or "patch" in values.why
