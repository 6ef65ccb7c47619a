"""Linear print quality: a worked profile, laws, and a camera against a fine scan of one print."""

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from steps._shared.print_grades import grade_parameter, letter_of
from steps._shared.profile_grade import grade_profiles
from steps._shared.symbologies import SYMBOLOGIES
from steps.code_grade_linear import (
    CodeGradeLinearParams,
    CodeGradeLinearValues,
    code_grade_linear,
    grade_profile,
    grade_symbol,
)
from steps.contract import NotMeasured, View
from tests.generators.symbols import (
    Blot,
    LinearPrint,
    fine_scan,
    photograph,
    photograph_slanted,
    profile_of,
    random_data,
    zint_modules,
)

SHARED = Path(__file__).parents[3] / "../shared/data"
EAN = zint_modules("ean13", "4512345678906")[0]


def rows(name: str) -> list[dict[str, str]]:
    path = SHARED / "facts" / name
    if not path.exists():
        pytest.skip(f"the shared facts ({name}) are not beside this checkout")
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def measured(gray, symbology="ean13", **settings_) -> CodeGradeLinearValues:
    view = View(gray, gamma=settings_.pop("gamma", 1.0))
    values = code_grade_linear(view, CodeGradeLinearParams(symbology=symbology, **settings_))
    assert isinstance(values, CodeGradeLinearValues), values
    return values


# --- one profile -------------------------------------------------------------------------------


def test_the_worked_profile_gives_every_expected_figure():
    samples = [float(v) for r in rows("srp_example.csv") for v in r["samples_percent"].split()]
    grade = grade_profile(np.array(samples) / 100, None)
    expected = {r["quantity"]: r["value"] for r in rows("srp_expected.csv")}
    figures = {
        "Rmax": 100 * grade.rmax,
        "Rmin": 100 * grade.rmin,
        "SC": 100 * grade.sc,
        "GT": 50 * (grade.rmax + grade.rmin),
        "ECmin": 100 * grade.ecmin,
        "MOD": grade.mod,
        "MOD decimal": grade.grades["MOD"],
        "MOD grade": grade_parameter("MOD", grade.mod, decimals=False),
        "SC grade": grade.grades["SC"],
        "ERNmax": 100 * grade.ernmax,
        "Defects": grade.defects,
        "Defects grade": grade_parameter("Defects", grade.defects, decimals=False),
        "Defects decimal": grade.grades["Defects"],
        "profile grade by these parameters, decimal": grade.grade,
        "profile grade by these parameters, whole numbers": grade_profile(
            np.array(samples) / 100, None, decimals=False
        ).grade,
        "edge between element 5 and 6 at reflectance": 100 * grade.levels[5],
        "edge between element 6 and 7 at reflectance": 100 * grade.levels[6],
    }
    for name, value in figures.items():
        assert value == pytest.approx(float(expected[name]), abs=0.006), name
    assert (grade.grades["Rmin"] == 4) == (expected["Rmin rule"] == "pass")
    assert grade.limited_by == "MOD"


@pytest.mark.parametrize("symbology", ["ean13", "ean8", "upca", "code128", "gs1_128", "itf14"])
def test_a_sharp_print_has_grade_4_read_either_way(symbology):
    rng = np.random.default_rng(3)
    for _ in range(8):
        data = random_data(symbology, rng)
        profile = profile_of(zint_modules(symbology, data)[0])
        for turned in (profile, profile[::-1]):
            grade = grade_profile(turned, symbology)
            assert grade.grade == 4.0
            assert grade.limited_by == ""
            assert grade.decodability == pytest.approx(1.0)
            assert grade.quiet_left == pytest.approx(12.0)
    assert grade.reversed


def test_the_whole_grade_is_the_decimal_one_cut_off():
    profile = 0.3 + 0.5 * profile_of(EAN)
    decimal = grade_profile(profile, "ean13")
    whole = grade_profile(profile, "ean13", decimals=False)
    assert whole.grade == np.floor(decimal.grade) > 0


def test_a_missing_quiet_zone_fails_and_says_so():
    profile = profile_of(EAN, quiet=5)
    grade = grade_profile(profile, "ean13")
    assert (grade.grade, grade.limited_by) == (0.0, "Quiet zones")
    assert grade.quiet_left == pytest.approx(5.0)
    assert grade_profile(profile, "ean13", quiet_zones=False).grade == 4.0


def test_print_beside_the_code_is_cut_off_and_bounds_the_quiet_zone():
    beside = np.full(30, 0.1)
    profile = np.concatenate((np.full(20, 0.9), beside, profile_of(EAN, quiet=14), beside))
    grade = grade_profile(np.append(profile, np.full(9, 0.9)), "ean13")
    assert grade.decoded == "4512345678906"
    assert grade.grade == 4.0
    assert len(grade.edges) == 60
    assert grade.quiet_left == pytest.approx(14.0, abs=0.1)
    near = np.concatenate((np.full(20, 0.9), beside, profile_of(EAN, quiet=6), beside))
    assert grade_profile(near, "ean13").limited_by == "Quiet zones"


def test_a_profile_that_starts_inside_the_bars_does_not_decode():
    grade = grade_profile(profile_of(EAN)[200:], "ean13")
    assert (grade.grade, grade.decoded, grade.limited_by) == (0.0, None, "Edges")


def test_a_bar_split_by_a_void_fails_by_its_edges():
    profile = profile_of(EAN)
    edges = grade_profile(profile, "ean13").edges
    bar = int(np.argmax(np.diff(edges)[::2])) * 2
    middle = int(edges[bar] + edges[bar + 1]) // 2
    profile[middle - 3 : middle + 3] = 0.9
    grade = grade_profile(profile, "ean13")
    assert (grade.grade, grade.decoded, grade.limited_by) == (0.0, None, "Edges")


def test_rmin_above_half_of_rmax_fails():
    grade = grade_profile(0.55 + 0.4 * profile_of(EAN), "ean13")
    assert grade.rmin > 0.5 * grade.rmax
    assert grade.grades["Rmin"] == 0.0
    assert grade.grade == 0.0


def test_a_faded_narrow_bar_lowers_modulation_alone():
    profile = profile_of(EAN)
    clean = grade_profile(profile, "ean13")
    first_bar = slice(120, 130)
    profile[first_bar] = 0.4
    faded = grade_profile(profile, "ean13")
    assert faded.mod == pytest.approx((0.9 - 0.4) / 0.85)
    assert faded.limited_by == "MOD"
    assert faded.worst_edge in (0, 1)
    assert faded.sc == clean.sc
    assert faded.defects == 0.0


@pytest.mark.parametrize(
    "profile",
    [
        np.zeros(0),
        np.zeros(1),
        np.zeros(200),
        np.ones(3),
        np.full(50, np.nan),
        np.array([0.0, 1.0]),
    ],
)
def test_what_holds_no_bars_has_grade_0(profile):
    grade = grade_profile(profile, "ean13")
    assert grade.grade == 0.0
    assert grade.decoded is None


def test_a_profile_is_one_row_of_a_known_symbology():
    with pytest.raises(ValueError, match="one-dimensional"):
        grade_profile(np.zeros((2, 9)), "ean13")
    with pytest.raises(ValueError, match="not graded here; these are: ean13, ean8"):
        grade_profile(np.zeros(9), "datamatrix")


@pytest.mark.parametrize(
    ("written", "ours"),
    [("EAN-13", "ean13"), ("ean 8", "ean8"), ("UPC-A", "upca"), ("Code 128", "code128"),
     ("GS1-128", "gs1_128"), ("ITF-14", "itf14"), ("gs1_128", "gs1_128")],
)  # fmt: skip
def test_symbologies_may_be_written_as_the_standards_do(written, ours):
    profile = profile_of(zint_modules(ours, random_data(ours, np.random.default_rng(1)))[0])
    assert grade_profile(profile, written).decoded == grade_profile(profile, ours).decoded
    assert grade_profile(profile, written).grade == 4.0


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.floats(0, 1, allow_subnormal=False), min_size=2, max_size=300),
    st.sampled_from(["ean13", "code128", "itf14", None]),
)
def test_any_profile_has_parameters_in_range(samples, symbology):
    grade = grade_profile(np.array(samples), symbology)
    assert 0.0 <= grade.grade <= 4.0
    assert 0.0 <= grade.mod <= 1.0 + 1e-9
    assert 0.0 <= grade.defects <= 1.0 + 1e-9
    assert grade.ecmin <= grade.sc + 1e-12
    assert (np.diff(grade.edges) >= 0).all()


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 50), scale=st.floats(0.2, 1.1), noise=st.floats(0, 0.03))
def test_scaling_light_changes_no_ratio(seed, scale, noise):
    rng = np.random.default_rng(seed)
    profile = np.convolve(profile_of(EAN), np.ones(9) / 9, "same")[9:-9]
    profile = np.clip(profile + rng.normal(0, noise, len(profile)), 0.01, 0.9)
    one, other = grade_profile(profile, "ean13"), grade_profile(profile * scale, "ean13")
    assert other.mod == pytest.approx(one.mod)
    assert other.defects == pytest.approx(one.defects)
    assert other.decodability == pytest.approx(one.decodability)
    assert other.sc == pytest.approx(scale * one.sc)


@settings(max_examples=40, deadline=None)
@given(
    symbology=st.sampled_from(["code128", "itf14", "ean13"]),
    seed=st.integers(0, 50),
    gains=st.lists(st.floats(0, 0.4), min_size=2, max_size=2),
)
def test_more_gain_never_raises_decodability(symbology, seed, gains):
    modules = zint_modules(symbology, random_data(symbology, np.random.default_rng(seed)))[0]
    low, high = (
        grade_profile(fine_scan(LinearPrint(modules, bar_gain=g), 20.0), symbology)
        for g in sorted(gains)
    )
    assert high.decodability is None or high.decodability <= (low.decodability or 0) + 0.02


@settings(max_examples=40, deadline=None)
@given(
    place=st.floats(0, 95), width=st.floats(0.05, 1.5), light=st.floats(0.05, 0.85),
    seed=st.integers(0, 20),
)  # fmt: skip
def test_a_void_never_lowers_defects(place, width, light, seed):
    modules = zint_modules("ean13", random_data("ean13", np.random.default_rng(seed)))[0]
    clean = LinearPrint(modules)
    dark = np.flatnonzero(modules)
    inside = dark[int(place) % len(dark)] + (place % 1.0) * 0.5
    void = LinearPrint(modules, blots=(Blot(float(inside), 0.0, width, 40.0, light),))
    before = grade_profile(fine_scan(clean, 20.0), "ean13").defects
    after = grade_profile(fine_scan(void, 20.0), "ean13")
    # A void that opens a bar fully makes two bars: the edges then tell, not Defects.
    assert after.defects >= before - 1e-9


def test_by_its_own_rule_defects_jumps_as_a_void_nears_the_edge_of_its_bar():
    # Why no camera can be near the fine scan for every void: one extreme in a bar counts nothing,
    # two count in full. The bar reaches from 25 to 29 X; the void is 0.4 X wide.
    places = np.arange(25.0, 25.8, 0.02)
    seen = [
        grade_profile(fine_scan(LinearPrint(EAN, blots=(Blot(x, 0, 0.4, 40, 0.6),)), 20.0), "ean13")
        for x in places.tolist()
    ]
    defects = np.array([s.defects for s in seen])
    assert set(defects.round(2)) == {0.0, 0.42}
    assert (defects[places < 25.19] < 1e-6).all()
    assert (defects[places > 25.25] > 0.4).all()


@pytest.mark.parametrize(
    ("light", "dark", "expected"),
    [(0.85, 0.15, 4.0), (0.7, 0.15, 3.0), (0.5, 0.1, 2.0), (0.35, 0.15, 1.0), (0.34, 0.15, 0.0)],
)
@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_contrasts_exactly_on_their_threshold_have_its_grade(light, dark, expected, kind):
    profile = np.where(profile_of(EAN) > 0.5, light, dark).astype(kind)
    grade = grade_profile(profile, "ean13")
    assert grade.grades["SC"] == pytest.approx(expected, abs=1e-4)
    assert (grade.mod, grade.defects) == (1.0, 0.0)


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_rmin_of_exactly_half_of_rmax_and_ecmin_of_exactly_15_percent_pass(kind):
    half = np.where(profile_of(EAN) > 0.5, 0.8, 0.4).astype(kind)
    assert grade_profile(half, "ean13").grades["Rmin"] == 4.0
    narrow = np.where(profile_of(EAN) > 0.5, 0.3, 0.15).astype(kind)
    assert grade_profile(narrow, "ean13").grades["ECmin"] == 4.0
    fails = np.where(profile_of(EAN) > 0.5, 0.29, 0.15)
    assert grade_profile(fails, "ean13").grades["ECmin"] == 0.0


@pytest.mark.parametrize(
    ("symbology", "left", "right"),
    [("ean13", 11, 7), ("ean8", 7, 7), ("upca", 9, 9), ("code128", 10, 10), ("gs1_128", 10, 10),
     ("itf14", 10, 10)],
)  # fmt: skip
def test_quiet_zones_as_wide_as_asked_pass_and_one_module_less_fails(symbology, left, right):
    # GS1 General Specifications 5.2.3.4, 5.3.2.2 and 5.4.4.2; ISO/IEC 15417, 16390 (from memory).
    modules = zint_modules(symbology, random_data(symbology, np.random.default_rng(2)))[0]
    wide = profile_of(modules, quiet=20)

    def graded(before: int, after: int):
        return grade_profile(wide[10 * (20 - before) : len(wide) - 10 * (20 - after)], symbology)

    assert graded(left, right).grade == 4.0
    for before, after in ((left - 1, right), (left, right - 1)):
        grade = graded(before, after)
        assert (grade.grade, grade.limited_by) == (0.0, "Quiet zones")


# --- several profiles --------------------------------------------------------------------------


def test_the_symbol_has_the_mean_of_its_scans():
    good = profile_of(EAN)
    pale = 0.25 + 0.6 * good
    profiles = grade_profiles(np.stack([good] * 7 + [pale] * 3), "ean13")
    symbol = grade_symbol(profiles)
    assert symbol.grade == pytest.approx(np.mean([p.grade for p in profiles]), abs=0.05)
    assert symbol.letter == letter_of(symbol.grade)
    assert symbol.limited_by == "SC"
    assert (symbol.decoded, symbol.lines_decoded) == ("4512345678906", 10)


def test_other_data_in_one_scan_makes_grade_0():
    other = profile_of(zint_modules("ean13", "2004481070017")[0])
    profiles = grade_profiles(np.stack([profile_of(EAN)] * 9 + [other]), "ean13")
    symbol = grade_symbol(profiles)
    assert (symbol.grade, symbol.letter, symbol.one_content) == (0.0, "F", False)
    assert symbol.limited_by == "Decode"


def test_graded_together_or_alone_profiles_have_equal_grades():
    rng = np.random.default_rng(5)
    profiles = np.clip(profile_of(EAN) + rng.normal(0, 0.02, (6, 1190)), 0, 1)
    together = grade_profiles(profiles, "ean13")
    for profile, one in zip(profiles, together, strict=True):
        alone = grade_profile(profile, "ean13")
        assert (alone.mod, alone.defects, alone.decodability) == (
            one.mod,
            one.defects,
            one.decodability,
        )


# --- the step: a camera against a fine scan ------------------------------------------------------


def truth(print_: LinearPrint, symbology: str) -> dict[str, float]:
    """Mean parameters of ten fine scans (40 samples a module, disc of 0.8 X)."""
    scans = [
        grade_profile(fine_scan(print_, (0.1 + 0.08 * (k + 0.5)) * print_.height), symbology)
        for k in range(10)
    ]
    return {
        name: float(np.mean([getattr(s, name) for s in scans]))
        for name in ("sc", "mod", "decodability", "defects")
    }


CASES = [
    ("ean13", 6.0, 0.5, LinearPrint(EAN, bar_gain=0.2, jitter=0.03, height=25)),
    ("ean13", 6.4, 0.8, LinearPrint(EAN, bar_gain=-0.2, jitter=0.02, height=25, light=0.7)),
    ("ean13", 8.3, 0.6, LinearPrint(EAN, height=25, blots=(Blot(20.2, 0, 0.4, 26, 0.6),))),
    ("ean8", 6.2, 0.5, LinearPrint(zint_modules("ean8", "95012346")[0], height=25)),
    ("upca", 7.0, 0.7, LinearPrint(zint_modules("upca", "614141000302")[0], height=20)),
    (
        "code128", 6.0, 0.6,
        LinearPrint(zint_modules("code128", "Lot 4471-K")[0], bar_gain=0.15, height=20, dark=0.2),
    ),
    (
        "gs1_128", 6.0, 0.5,
        LinearPrint(zint_modules("gs1_128", "(01)09501101530003")[0], jitter=0.04, height=20),
    ),
    ("itf14", 6.5, 0.6, LinearPrint(zint_modules("itf14", "15400141288763")[0], height=20)),
]  # fmt: skip


@pytest.mark.parametrize(("symbology", "px", "blur", "print_"), CASES)
def test_the_camera_agrees_with_the_fine_scan(symbology, px, blur, print_):
    gray = photograph(print_, px, blur=blur, noise=1.0, phase=(0.37, 0.61), seed=4)
    values = measured(gray, symbology, white_level=1.0)
    expected = truth(print_, symbology)
    assert values.sc == pytest.approx(expected["sc"], abs=0.02)
    assert values.mod == pytest.approx(expected["mod"], abs=0.04)
    assert values.decodability == pytest.approx(expected["decodability"], abs=0.02)
    assert values.defects == pytest.approx(expected["defects"], abs=0.03)
    assert values.px_per_module == pytest.approx(px, rel=0.01)
    assert values.bar_gain == pytest.approx(print_.bar_gain, abs=0.03)
    assert values.blur_px == pytest.approx(blur, abs=0.2)
    assert values.lines_decoded == 10
    assert values.mod_bias is None
    assert values.quiet_zones_wide


def test_a_void_that_opens_a_bar_for_a_point_but_not_for_the_aperture_is_scanned_as_asked():
    # Where no point scan decodes, the module must still be found: a smaller aperture would see the
    # first bar open. Spaces are narrowed by gain, so the narrowest elements are no module.
    modules = zint_modules("code128", "[bf@t!=/")[0]
    void = Blot(0.28, 0.0, 0.31, 30.0, 0.6)
    print_ = LinearPrint(
        modules, light=0.616, dark=0.034, bar_gain=0.173, height=20.0, blots=(void,)
    )
    values = measured(photograph(print_, 6.0, blur=0.5, noise=1.0), "code128", white_level=1.0)
    expected = truth(print_, "code128")
    assert values.px_per_module == pytest.approx(6.0, rel=0.01)
    assert values.lines_decoded == 10
    assert values.defects == pytest.approx(expected["defects"], abs=0.03)
    assert values.mod == pytest.approx(expected["mod"], abs=0.04)


def slanted(print_: LinearPrint, px: float, turn: float, lean: float) -> np.ndarray:
    """Homography of a code turned, foreshortened and a little keystoned, in a 900 x 640 frame."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    middle = np.array([[1, 0, -len(print_.modules) / 2], [0, 1, -print_.height / 2], [0, 0, 1.0]])
    stretch = np.diag([px, px * lean, 1.0])
    keystone = np.array([[1, 0, 0], [0, 1, 0], [4e-5, 6e-5, 1.0]])
    turn_ = np.array([[c, -s, 450], [s, c, 320], [0, 0, 1.0]])
    return turn_ @ keystone @ stretch @ middle


@pytest.mark.parametrize("turn", [-8.0, 3.0, 95.0])
def test_a_slanted_code_is_measured_from_the_raw_frame_through_the_view(turn):
    print_ = LinearPrint(EAN, bar_gain=0.1, height=40, light=0.8)
    matrix = slanted(print_, 6.0, turn, 0.93)
    frame = photograph_slanted(print_, matrix, (900, 640), blur=0.5, noise=1.0, gamma="srgb")
    mm = 0.33
    # The view: rectified at 0.1 mm a pixel, 6 modules of surround.
    to_frame = matrix @ np.array([[0.1 / mm, 0, -14], [0, 0.1 / mm, -3], [0, 0, 1.0]])
    view_size = (int(123 * mm / 0.1), int(46 * mm / 0.1))
    gray = cv2.warpPerspective(frame, to_frame, view_size, flags=cv2.WARP_INVERSE_MAP | 1)
    view = View(gray, mm_per_px=0.1, frame=frame, to_frame=to_frame, gamma="srgb")
    params = CodeGradeLinearParams(symbology="ean13", white_level=1.0, aperture_mm=0.8 * mm)
    values = code_grade_linear(view, params)
    expected = truth(print_, "ean13")
    assert values.text == "4512345678906"
    assert values.px_per_module == pytest.approx(6.0, rel=0.03)
    assert values.sc == pytest.approx(expected["sc"], abs=0.02)
    assert values.mod == pytest.approx(expected["mod"], abs=0.04)
    assert values.decodability == pytest.approx(expected["decodability"], abs=0.02)
    assert values.lines_decoded == 10
    corners = cv2.perspectiveTransform(values.marks[0].points[None], to_frame)[0]
    ideal = np.array([[[0, 0], [95, 0], [95, 40], [0, 40]]], float)
    where = cv2.perspectiveTransform(ideal, matrix)[0]
    assert np.abs(corners - where).max() < 4.0


def test_too_coarse_gives_no_grade_but_indicators():
    values = measured(photograph(LinearPrint(EAN, height=60), 3.0, blur=0.6, noise=1.0))
    assert values.grade is None
    assert values.letter is None
    assert values.why_no_grade == "too coarse to grade: 3.0 px per module, 4 needed"
    assert values.mod is None
    assert values.lines_decoded == 10
    assert values.print_contrast == pytest.approx(0.8 / 0.85, abs=0.02)
    assert values.damaged_share == 0.0
    assert values.mod_bias < 0


def test_below_6_px_the_bias_of_modulation_is_stated():
    values = measured(photograph(LinearPrint(EAN, height=30), 5.0, blur=0.5))
    assert values.grade is not None
    assert -0.2 < values.mod_bias < 0


def test_clipped_light_is_refused():
    gray = photograph(LinearPrint(EAN, height=30), 6.0, exposure=1.25)
    values = measured(gray)
    assert values.grade is None
    assert values.why_no_grade.startswith("light is clipped: ")
    assert values.clipped > 0.9


def test_sixteen_bit_colour_frames_are_measured_in_red():
    gray = photograph(LinearPrint(EAN, height=30, light=0.7), 6.0, blur=0.5)
    frame = np.stack([gray.astype(np.uint16) * 257, gray.astype(np.uint16) * 100,
                      np.full(gray.shape, 9, np.uint16)], axis=2)  # fmt: skip
    params = CodeGradeLinearParams(symbology="ean13", white_level=1.0)
    deep = code_grade_linear(View(gray, frame=frame), params)
    plain = code_grade_linear(View(gray), params)
    assert deep.sc == pytest.approx(plain.sc, abs=1e-3)
    assert deep.mod == pytest.approx(plain.mod, abs=1e-3)


def test_gamma_coded_values_are_turned_into_light():
    print_ = LinearPrint(EAN, height=30, dark=0.25)
    linear = measured(photograph(print_, 6.0, blur=0.5))
    coded = measured(photograph(print_, 6.0, blur=0.5, gamma="srgb"), gamma="srgb")
    wrong = measured(photograph(print_, 6.0, blur=0.5, gamma="srgb"))
    assert coded.print_contrast == pytest.approx(linear.print_contrast, abs=0.01)
    assert coded.sc == pytest.approx(linear.sc, abs=0.01)
    assert abs(wrong.sc - linear.sc) > 0.1


def test_damage_over_part_of_the_height_shows_in_share_lines_and_void():
    torn = (Blot(30.0, 18.0, 9.0, 12.0, 0.85),)
    values = measured(photograph(LinearPrint(EAN, height=30, blots=torn), 6.0, blur=0.5))
    assert values.damaged_share == pytest.approx(0.4, abs=0.06)
    assert values.lines_decoded == 6
    assert values.void_modules > 2.0
    assert values.spot_modules < 0.5
    assert values.text == "4512345678906"


def test_damage_over_the_whole_height_is_found_by_its_bars():
    torn = (Blot(30.0, -1.0, 14.0, 32.0, 0.85),)
    values = measured(photograph(LinearPrint(EAN, height=30, blots=torn), 6.0, blur=0.5))
    assert values.text is None
    assert (values.lines_decoded, values.damaged_share, values.grade) == (0, 1.0, 0.0)


def test_a_pale_print_is_limited_by_its_contrast_and_the_cause_is_named():
    print_ = LinearPrint(EAN, height=30, light=0.8, dark=0.38)
    values = measured(photograph(print_, 6.0, blur=0.5), white_level=1.0)
    assert values.limited_by.startswith("SC: ink too pale")
    assert values.grade == pytest.approx(2.1, abs=0.15)
    assert values.notation is None
    assert values.standing.startswith("indicative, not a verification")
    assert "reference patch" in values.standing


def test_notation_needs_aperture_light_and_angle_declared():
    gray = photograph(LinearPrint(EAN, height=30), 6.0, blur=0.5)
    params = CodeGradeLinearParams(
        symbology="ean13", aperture_mm=0.25, wavelength_nm=660, light_angle_deg=45
    )
    with_scale = code_grade_linear(View(gray, mm_per_px=0.05), params)
    assert with_scale.notation == f"{with_scale.grade:.1f}/10/660"
    assert code_grade_linear(View(gray), params).notation is None


def test_another_symbology_than_asked_for_is_not_graded():
    gray = photograph(LinearPrint(EAN, height=30), 6.0, blur=0.5)
    values = code_grade_linear(View(gray), CodeGradeLinearParams(symbology="ean8"))
    assert isinstance(values, NotMeasured) or (values.text is None and values.grade == 0.0)


@pytest.mark.parametrize(
    "gray",
    [
        np.zeros((0, 0), np.uint8),
        np.zeros((1, 1), np.uint8),
        np.full((3, 400), 90, np.uint8),
        np.full((200, 300), 128, np.uint8),
        np.random.default_rng(0).integers(0, 256, (200, 300), dtype=np.uint8),
        np.tile(np.arange(255, dtype=np.uint8), (60, 1)),
    ],
)
def test_views_without_a_code_are_not_measured(gray):
    values = code_grade_linear(View(gray), CodeGradeLinearParams(symbology="ean13"))
    assert isinstance(values, NotMeasured)


def test_a_view_outside_its_frame_is_not_measured():
    gray = photograph(LinearPrint(EAN, height=30), 6.0)
    away = np.array([[1, 0, 5000.0], [0, 1, 5000.0], [0, 0, 1]])
    view = View(gray, frame=np.zeros((50, 50), np.uint8), to_frame=away)
    values = code_grade_linear(view, CodeGradeLinearParams(symbology="ean13"))
    assert isinstance(values, NotMeasured)


# --- photographs and the captured set -----------------------------------------------------------


def read_by_us(gray: np.ndarray, symbology: str) -> set[str]:
    """Every text our reference decode finds on ten scans of the code the reader points at."""
    from steps._shared.bar_scans import survey_bars, ten_scans
    from steps._shared.bars_area import find_bars_area
    from steps._shared.linear_find import find_linear

    found = find_linear(gray, symbology)
    area = None if found is None or found.text is None else find_bars_area(gray, found.line)
    if area is None:
        return set()
    light = gray.astype(np.float32) / 255
    survey = survey_bars(light, area, symbology)
    scans = ten_scans(light, area, symbology, survey, 0.5 * survey.module_px)
    grades = grade_profiles(scans.profiles, symbology, quiet_zones=False)
    return {g.decoded for g in grades if g.decoded is not None}


def test_our_decoders_contradict_the_reader_on_no_photograph():
    # Every photograph with an EAN-13, EAN-8, UPC-A, Code 128 or ITF code; zxing-cpp is the outside
    # reference. The floor on how many we read is what was reached; it may only rise.
    folder = SHARED / "codes"
    if not folder.exists():
        pytest.skip("the shared photographs of codes are not beside this checkout")
    names = {"EAN-13": "ean13", "EAN-8": "ean8", "UPC-A": "upca", "CODE-128": "code128",
             "ITF": "itf"}  # fmt: skip
    with (folder / "cases.csv").open(newline="") as file:
        cases = [c for c in csv.DictReader(file) if c["symbology"] in names]
    contradictions, agreed = [], 0
    for case in cases:
        gray = cv2.imread(str(folder / case["file"]), cv2.IMREAD_GRAYSCALE)
        if gray is None or gray.size > 1_500_000:
            continue
        symbology = names[case["symbology"]]
        reader = zxingcpp.read_barcodes(
            gray, formats=list(SYMBOLOGIES["itf14" if symbology == "itf" else symbology].formats),
            text_mode=zxingcpp.TextMode.Plain,
        )  # fmt: skip
        texts = {r.text[1:] if symbology == "upca" and len(r.text) == 13 else r.text
                 for r in reader}  # fmt: skip
        ours = read_by_us(gray, symbology)
        if texts and ours - texts:
            contradictions.append((case["file"], ours, texts))
        agreed += bool(ours & texts)
    assert contradictions == []
    assert agreed >= 108


BRINDLEMOOR = SHARED / "captures/brindlemoor-tea/frames"


def captured(trigger: str) -> CodeGradeLinearValues:
    path = BRINDLEMOOR / trigger / "side.png"
    if not path.exists():
        pytest.skip("the captured set is not beside this checkout")
    return measured(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), gamma="srgb")


def test_pale_and_damaged_cartons_lie_outside_the_spread_of_good_ones():
    good = [captured(f"{k:06d}") for k in range(1, 9)]
    contrasts = [v.print_contrast for v in good]
    spread = max(contrasts) - min(contrasts)
    assert spread < 0.01
    assert all(v.lines_decoded == 10 and v.damaged_share == 0 for v in good)
    assert all(v.grade is None and "too coarse" in v.why_no_grade for v in good)
    pale = [captured(t).print_contrast for t in ("000036", "000038", "000035")]  # 60, 45, 25 %
    assert pale == pytest.approx([0.60, 0.45, 0.25], abs=0.05)
    assert min(contrasts) - pale[0] > 20 * spread
    assert pale[0] > pale[1] > pale[2]
    for trigger in ("000021", "000030", "000071"):
        light_damage = captured(trigger)
        assert light_damage.lines_decoded <= 6
        assert light_damage.damaged_share > 0.4


def test_a_code_under_a_mask_is_left_alone():
    gray = photograph(LinearPrint(EAN, height=30), 6.0)
    masked = View(gray, mask=np.zeros_like(gray))
    values = code_grade_linear(masked, CodeGradeLinearParams(symbology="ean13"))
    assert isinstance(values, NotMeasured)
