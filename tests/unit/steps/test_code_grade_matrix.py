"""Matrix print quality: worked figures, damage where it belongs, a reader's error count."""

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest
import segno
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from steps._shared.data_matrix import data_matrix_layout
from steps._shared.matrix_find import find_matrix
from steps._shared.matrix_measures import (
    axial_nonuniformity,
    module_modulation,
    unused_error_correction,
)
from steps.code_grade_matrix import (
    CodeGradeMatrixParams,
    CodeGradeMatrixValues,
    code_grade_matrix,
    grade_matrix,
)
from steps.contract import NotMeasured, View
from tests.generators.symbols import photograph_matrix, zint_modules

SHARED = Path(__file__).parents[3] / "../shared/data"
CODE = zint_modules("datamatrix", "A" * 30, option_2=8)  # 24 x 24, 24 check codewords


def qr(version: int = 3, level: str = "m") -> np.ndarray:
    code = segno.make("CARTON 00123", version=version, error=level, boost_error=False, micro=False)
    return np.array(code.matrix, np.uint8)


def seen(modules: np.ndarray, px: float = 8.0, **conditions) -> np.ndarray:
    return photograph_matrix(
        modules, px, **{"turn_deg": 3.0, "blur": 0.5, "noise": 1.0, **conditions}
    )


def reader_uec(gray: np.ndarray, symbology: str) -> float:
    name = "QRCode" if symbology == "qr" else "DataMatrix"
    read = zxingcpp.read_barcodes(gray, formats=[getattr(zxingcpp.BarcodeFormat, name)])
    assert len(read) == 1
    return float(read[0].extra["UEC"])


def reader_best_uec(gray: np.ndarray, symbology: str) -> float:
    name = "QRCode" if symbology == "qr" else "DataMatrix"
    read = zxingcpp.read_barcodes(gray, formats=[getattr(zxingcpp.BarcodeFormat, name)])
    return max((float(r.extra["UEC"]) for r in read), default=0.0)


def measured(gray: np.ndarray, symbology: str = "datamatrix", **params) -> CodeGradeMatrixValues:
    values = code_grade_matrix(View(gray), CodeGradeMatrixParams(symbology=symbology, **params))
    assert isinstance(values, CodeGradeMatrixValues), values
    return values


# --- figures ------------------------------------------------------------------------------------


def test_worked_formulas():
    # ISO/IEC 15415:2011 (formulas from memory): module MOD, AN, UEC.
    assert module_modulation(np.array([0.50, 0.20]), 0.45, 0.70) == pytest.approx(
        [0.1429, 0.7143], abs=1e-4
    )
    assert axial_nonuniformity(0.5, 0.51) == pytest.approx(0.0198, abs=1e-4)
    assert axial_nonuniformity(0.57, 0.5) == pytest.approx(0.1308, abs=1e-4)
    assert unused_error_correction(3, 14) == pytest.approx(0.5714, abs=1e-4)
    assert unused_error_correction(3, 14, erasures=2) == pytest.approx(0.4286, abs=1e-4)
    assert unused_error_correction(4, 18, erasures=4) == pytest.approx(0.3333, abs=1e-4)
    assert unused_error_correction(2, 14, kept=2) == pytest.approx(1 - 4 / 12)


def test_published_figures_have_grade_4_and_their_content():
    path = SHARED / "facts/matrix_figures.csv"
    if not path.exists():
        pytest.skip("the shared facts (matrix_figures.csv) are not beside this checkout")
    with path.open(newline="") as file:
        figures = list(csv.DictReader(file))
    for figure in figures:
        rows = figure["modules_1_is_dark_rows_joined_by_slash"].split("/")
        modules = np.array([[int(c) for c in row] for row in rows], np.uint8)
        for turn in (0.0, 100.0):
            grade = grade_matrix(seen(modules, turn_deg=turn, quiet=6), figure["symbology"])
            plain = figure["data"].replace("(", "").replace(")", "")
            assert grade.decoded.replace("\x1d", "") == plain
            assert (grade.grade, grade.limited_by, grade.uec) == (4.0, "", 1.0)
            assert (grade.dark == (modules == 1)).all()
    assert len(figures) >= 3


@pytest.mark.parametrize("symbology", ["datamatrix", "qr"])
@pytest.mark.parametrize("turn", [0.0, 12.0, 90.0, 200.0])
def test_a_good_print_has_grade_4_however_it_is_turned(symbology, turn):
    modules = CODE if symbology == "datamatrix" else qr()
    grade = grade_matrix(seen(modules, 7.0, turn_deg=turn, keystone=0.04, quiet=6), symbology)
    assert (grade.dark == (modules == 1)).all()
    assert (grade.grade, grade.limited_by, grade.uec) == (4.0, "", 1.0)
    assert grade.sc == pytest.approx(0.8, abs=0.02)
    assert grade.an < 0.03
    assert grade.gn < 0.05
    assert grade.px_per_module == pytest.approx(7.0, rel=0.02)
    assert grade.blur_px == pytest.approx(0.5, abs=0.15)


# --- damage shows where it belongs ---------------------------------------------------------------


@pytest.mark.parametrize(("broken", "expected"), [(1, 3), (3, 2), (4, 1), (6, 0)])
def test_a_broken_side_lowers_fixed_patterns_and_leaves_the_error_correction(broken, expected):
    # Shares of 24 modules: 4, 12.5, 17 (16.7), 25 %, against 0, 9, 13, 17 %
    # (ISO/IEC 16022 Annex M, from memory).
    modules = CODE.copy()
    modules[5 : 5 + broken, 0] = 0
    grade = grade_matrix(seen(modules), "datamatrix")
    assert grade.segments["L1"] == expected
    assert grade.segments["L2"] == grade.segments["QZL1"] == grade.segments["QZL2"] == 4
    assert grade.fpd == min(grade.segments.values()) <= expected
    assert grade.uec == 1.0
    assert grade.limited_by == "FPD"


@pytest.mark.parametrize("flipped", [1, 4, 7, 10])
def test_flipped_data_lowers_the_error_correction_and_leaves_fixed_patterns(flipped):
    layout = data_matrix_layout(24, 24)
    modules = CODE.copy()
    for word in range(flipped):
        r, c = np.argwhere(layout.word == 3 * word)[0]
        modules[r, c] ^= 1
    gray = seen(modules)
    grade = grade_matrix(gray, "datamatrix")
    assert grade.errors == (flipped,)
    assert grade.uec == pytest.approx(1 - 2 * flipped / 24)
    assert grade.fpd == 4.0
    assert all(g == 4.0 for g in grade.segments.values())
    assert grade.worst_module < 0
    assert grade.mod == 4.0
    assert grade.rm == grade.grades["UEC"]


def test_print_in_the_quiet_zone_lowers_its_segment():
    padded = np.pad(CODE, 1)
    padded[8:12, 0] = 1
    grade = grade_matrix(seen(padded, quiet=3), "datamatrix")
    assert grade.segments["QZL1"] < 4
    assert grade.segments["L1"] == 4
    assert grade.uec == 1.0


def test_a_clock_track_filled_over_a_stretch_fails():
    modules = CODE.copy()
    modules[0, 4:12] = 1
    grade = grade_matrix(seen(modules), "datamatrix")
    assert grade.segments["clock tracks"] == 0.0
    assert grade.segments["L1"] == 4.0


def test_a_wrong_module_of_a_finder_counts_by_its_corner():
    modules = qr()
    modules[0, 0] = 0
    modules[-1, 0] = 0
    modules[-1, 6] = 0
    grade = grade_matrix(seen(modules, 7.0, quiet=6), "qr")
    assert grade.segments["finder top left"] == 3.0
    assert grade.segments["finder bottom left"] == 2.0
    assert grade.segments["finder top right"] == 4.0
    assert grade.fpd == 2.0
    assert grade.uec == 1.0


def test_wrong_format_bits_lower_their_own_grade():
    modules = qr()
    modules[8, 0] ^= 1
    modules[8, 1] ^= 1
    grade = grade_matrix(seen(modules, 7.0, quiet=6), "qr")
    assert grade.grades["Format"] == 3.0
    assert grade.uec == 1.0


def test_a_stretched_symbol_shows_in_axial_nonuniformity_alone():
    grade = grade_matrix(seen(CODE, stretch=1.09, turn_deg=0), "datamatrix")
    assert grade.an == pytest.approx(0.09 / 1.045, abs=0.004)
    assert grade.limited_by == "AN"
    assert grade.grades["AN"] == 2.0
    assert grade.gn < 0.05


def test_a_bent_grid_shows_in_grid_nonuniformity():
    gray = seen(CODE, turn_deg=0)
    rows, columns = np.indices(gray.shape).astype(np.float32)
    # A bow of 0.5 X over the symbol: up to about 0.3 X from the best straight grid.
    bow = 4.0 * ((rows - gray.shape[0] / 2) / (12 * 8.0)) ** 2
    bent = cv2.remap(gray, columns + bow.astype(np.float32), rows, cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    straight = grade_matrix(gray, "datamatrix")
    grade = grade_matrix(bent, "datamatrix")
    assert straight.gn < 0.03
    assert 0.15 < grade.gn < 0.40
    assert grade.an < 0.02


@pytest.mark.parametrize("gain", [-0.2, 0.0, 0.1, 0.2, 0.3])
def test_gain_is_measured_and_costs_modulation(gain):
    grade = grade_matrix(seen(CODE, gain=gain), "datamatrix")
    assert grade.print_gain == pytest.approx((gain, gain), abs=0.03)
    assert grade.uec == 1.0
    assert grade.worst_module > (0.85 if abs(gain) <= 0.2 else 0.6)


def test_modulation_agrees_with_a_fine_picture_of_the_same_print():
    # Truth: 20 px a module, no blur, no noise, turned by nothing.
    for gain in (0.0, 0.1, 0.3, 0.4):
        fine = grade_matrix(photograph_matrix(CODE, 20, gain=gain, parts=2), "datamatrix")
        for px, blur in ((6.0, 0.5), (8.0, 0.8)):
            coarse = grade_matrix(seen(CODE, px, gain=gain, blur=blur), "datamatrix")
            assert coarse.sc == pytest.approx(fine.sc, abs=0.02)
            assert coarse.mod == fine.mod
            assert coarse.worst_module == pytest.approx(fine.worst_module, abs=0.15)


# --- against the reader --------------------------------------------------------------------------


@pytest.mark.parametrize("case", ["24x24", "52x52", "16x48", "qr 1-L", "qr 5-Q", "qr 8-H"])
def test_unused_error_correction_is_the_readers_to_two_decimals(case):
    # zxing-cpp 3.1 as the outside reference; it cuts after two decimals.
    if case.startswith("qr"):
        version, level = case[3:].split("-")
        symbology, modules = "qr", qr(int(version), level.lower())
    else:
        size = {"24x24": 8, "52x52": 15, "16x48": 30}[case]
        symbology, modules = "datamatrix", zint_modules("datamatrix", "A1b", option_2=size)
    rng = np.random.default_rng(len(case))
    checked = 0
    for wrong in (0, 1, 2, 3, 4, 5):
        flipped = modules.copy()
        # Well inside, where there are no fixed patterns but timing and inner clock tracks.
        r = (
            rng.integers(9, modules.shape[0] - 3, wrong)
            if modules.shape[0] > 16
            else rng.integers(2, 14, wrong)
        )
        c = (
            rng.integers(9, modules.shape[1] - 9, wrong)
            if symbology == "qr"
            else rng.integers(3, 20, wrong)
        )
        flipped[r, c] ^= 1
        gray = seen(flipped, 6.0, turn_deg=4.0, quiet=5)
        grade = grade_matrix(gray, symbology)
        if grade.decoded is None:
            continue
        assert grade.uec - reader_uec(gray, symbology) == pytest.approx(0.005, abs=0.0052)
        checked += 1
    assert checked >= 3


def test_photographs_that_read_decode_by_our_own_correction_with_the_readers_count():
    # zxing-cpp is the outside reference. Floors: what was reached; they may only rise.
    folder = SHARED / "codes"
    if not folder.exists():
        pytest.skip("the shared photographs of codes are not beside this checkout")
    with (folder / "cases.csv").open(newline="") as file:
        cases = [c for c in csv.DictReader(file) if c["symbology"] in ("DATAMATRIX", "QR")]
    read = decoded = 0
    differences = []
    for case in cases:
        gray = cv2.imread(str(folder / case["file"]), cv2.IMREAD_GRAYSCALE)
        if gray is None or gray.size > 700_000:
            continue
        symbology = "qr" if case["symbology"] == "QR" else "datamatrix"
        found = find_matrix(gray, symbology)
        if found is None or found.text is None:
            continue
        side = np.hypot(*(found.corners[1] - found.corners[0]))
        if side / found.columns < 3.0 or found.rows != found.columns:
            continue  # too coarse for us, or a rectangular size beyond the first six
        read += 1
        grade = grade_matrix(gray, symbology)
        if grade.decoded is not None:
            decoded += 1
            differences.append(grade.uec - reader_best_uec(gray, symbology))
    assert read >= 60
    assert decoded >= 0.92 * read
    # Where our sampling differs it finds fewer errors than the reader's more often than more.
    assert np.median(np.abs(differences)) < 0.0102
    assert np.mean(differences) > 0.0


# --- laws and edges ------------------------------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(scale=st.floats(0.3, 1.15), seed=st.integers(0, 9))
def test_scaling_light_changes_no_ratio(scale, seed):
    modules = CODE.copy()
    modules[np.random.default_rng(seed).integers(2, 22), 7] ^= 1
    light = seen(modules).astype(np.float64) / 255
    one = grade_matrix(light, "datamatrix")
    other = grade_matrix(light * scale, "datamatrix")
    assert other.sc == pytest.approx(scale * one.sc, rel=0.01)
    assert other.worst_module == pytest.approx(one.worst_module, abs=0.02)
    assert (other.uec, other.fpd, other.mod, other.rm) == (one.uec, one.fpd, one.mod, one.rm)


@settings(max_examples=8, deadline=None)
@given(low=st.floats(0.0, 0.3), more=st.floats(0.05, 0.15))
def test_more_gain_never_raises_modulation(low, more):
    first = grade_matrix(seen(CODE, gain=low, noise=0.0), "datamatrix")
    second = grade_matrix(seen(CODE, gain=low + more, noise=0.0), "datamatrix")
    assert second.mod <= first.mod
    assert second.worst_module <= first.worst_module + 0.02


@pytest.mark.parametrize("symbology", ["datamatrix", "qr"])
@pytest.mark.parametrize(
    "gray",
    [
        np.zeros((1, 1), np.uint8),
        np.zeros((200, 3), np.uint8),
        np.full((120, 120), 128, np.uint8),
        np.random.default_rng(0).integers(0, 256, (150, 150), dtype=np.uint8),
    ],
)
def test_pictures_without_a_code(gray, symbology):
    assert grade_matrix(gray, symbology).grade == 0.0
    params = CodeGradeMatrixParams(symbology=symbology)
    assert isinstance(code_grade_matrix(View(gray), params), NotMeasured)


def test_what_is_no_picture_or_no_matrix_code_is_refused():
    with pytest.raises(ValueError, match="two-dimensional"):
        grade_matrix(np.zeros(9), "qr")
    with pytest.raises(
        ValueError, match="not graded here; these are: datamatrix, gs1_datamatrix, qr, gs1_qr"
    ):
        grade_matrix(np.zeros((9, 9)), "ean13")
    empty = View(np.zeros((0, 0), np.uint8))
    params = CodeGradeMatrixParams(symbology="qr")
    assert isinstance(code_grade_matrix(empty, params), NotMeasured)


# --- the step ------------------------------------------------------------------------------------


def test_the_step_names_what_limits_and_stays_indicative():
    modules = CODE.copy()
    modules[5:8, 0] = 0
    values = measured(seen(modules), white_level=1.0)
    assert values.grade == 2.0
    assert values.letter == "C"
    assert values.limited_by.startswith("FPD: damage to the finder")
    assert values.worst_segment == "L1"
    assert values.standing.startswith("indicative, not a verification")
    assert values.notation is None
    assert values.mod_bias is None
    assert values.wrong_words == 0


@pytest.mark.parametrize("kind", ["datamatrix", "qr"])
def test_an_ordinary_symbol_where_a_gs1_one_is_asked_for_does_not_decode(kind):
    element_string = zint_modules(kind, "(01)09501101530003(10)AB-123")
    gs1 = grade_matrix(seen(element_string, quiet=5), f"gs1_{kind}")
    assert (gs1.grade, gs1.decoded) == (4.0, "010950110153000310AB-123")
    ordinary = seen(CODE if kind == "datamatrix" else qr(), quiet=5)
    refused = grade_matrix(ordinary, f"gs1_{kind}")
    assert (refused.grade, refused.limited_by, refused.decoded) == (0.0, "Decode", None)
    assert refused.sc == grade_matrix(ordinary, kind).sc
    values = measured(ordinary, f"gs1_{kind}")
    assert (values.grade, values.text) == (0.0, None)
    assert values.limited_by.startswith("Decode: ")


@pytest.mark.parametrize("written", ["Data Matrix", "DataMatrix", "datamatrix"])
def test_symbologies_may_be_written_as_the_standards_do(written):
    assert grade_matrix(seen(CODE), written).grade == 4.0


def test_notation_needs_every_condition():
    params = CodeGradeMatrixParams(
        symbology="datamatrix", aperture_mm=0.203, wavelength_nm=660, light_angle_deg=45
    )
    values = code_grade_matrix(View(seen(CODE), mm_per_px=0.03), params)
    assert values.notation == f"{values.grade:.1f}/08/660"
    assert code_grade_matrix(View(seen(CODE)), params).notation is None


def test_sizes_of_the_rectangular_extension_are_said_not_to_be_graded():
    modules = zint_modules("datamatrix", "A1b", option_2=31)  # 8 x 48
    assert modules.shape == (8, 48)
    gray = seen(modules, 6.0, turn_deg=0.0)
    values = code_grade_matrix(View(gray), CodeGradeMatrixParams(symbology="datamatrix"))
    assert isinstance(values, NotMeasured)
    assert values.why == "Data Matrix symbols of 8 x 48 modules are not graded"
    assert grade_matrix(gray, "datamatrix").grade == 0.0


def test_too_coarse_gives_no_grade_but_what_can_be_counted():
    values = measured(seen(CODE, 3.4, blur=0.4))
    assert values.grade is None
    assert values.why_no_grade == "too coarse to grade: 3.4 px per module, 4 needed"
    assert values.sc is None
    assert values.uec == 1.0
    assert values.print_contrast == pytest.approx(0.8 / 0.85, abs=0.03)
    assert values.mod_bias < 0


def test_clipped_light_is_refused():
    values = measured(seen(CODE, light=1.2))
    assert values.grade is None
    assert values.why_no_grade.startswith("light is clipped: ")


def test_a_slanted_symbol_is_square_in_its_rectified_view():
    frame = seen(CODE, 9.0, stretch=0.85, turn_deg=0.0)
    assert measured(frame).an > 0.12
    to_frame = np.diag([0.85, 1.0, 1.0])
    gray = cv2.warpPerspective(
        frame, to_frame, (int(frame.shape[1] / 0.85), frame.shape[0]),
        flags=cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR,
    )  # fmt: skip
    view = View(gray, mm_per_px=0.05, frame=frame, to_frame=to_frame)
    values = code_grade_matrix(view, CodeGradeMatrixParams(symbology="datamatrix"))
    assert values.an < 0.01
    assert values.grade == 4.0


def test_a_code_under_a_mask_is_left_alone():
    gray = seen(CODE)
    masked = View(gray, mask=np.zeros_like(gray))
    values = code_grade_matrix(masked, CodeGradeMatrixParams(symbology="datamatrix"))
    assert isinstance(values, NotMeasured)


def test_a_rectangular_micro_qr_is_no_qr_to_grade():
    # zxing-cpp names its version "R15x43"; no such size may be mistaken for rows and columns.
    modules = segno.make("A1", micro=True).matrix
    gray = seen(np.array(modules, np.uint8), 8.0)
    assert grade_matrix(gray, "qr").decoded is None
