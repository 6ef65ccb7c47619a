"""`code_content` against codes of independent encoders, photographs and a captured set."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
import segno
import yaml
from barcode import EAN13
from barcode.writer import ImageWriter
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from steps._shared import second_reader
from steps._shared.symbologies import SYMBOLOGIES
from steps.code_content import CodeContentParams, CodeContentValues, code_content
from steps.contract import NotMeasured, View
from tests.generators.codes import CONTENT, MATRIX, Picture, draw

SHARED = Path(__file__).parents[3] / "../shared/data"
SAMPLES = Path(__file__).parents[2] / "samples/code_content"
LINEAR = sorted(set(CONTENT) - MATRIX)


def read(picture: Picture | NDArray[np.uint8], symbology: str, **settings: object):
    """Values of the step on a plain view."""
    gray = picture.gray if isinstance(picture, Picture) else picture
    values = code_content(View(gray), CodeContentParams(symbology=symbology, **settings))
    assert isinstance(values, CodeContentValues)
    return values


# --- content --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(CONTENT))
@pytest.mark.parametrize("px_per_module", [3.0, 4.3])
def test_reads_what_an_independent_encoder_wrote(name: str, px_per_module: float):
    given_text, expected = CONTENT[name]
    values = read(draw(name, given_text, px_per_module=px_per_module), name)
    assert (values.state, values.text, values.symbology) == ("read", expected, name)
    assert values.count == 1


@pytest.mark.parametrize("name", sorted(set(CONTENT) - {"databar_expanded"}))
def test_module_size_and_angle_are_those_drawn(name: str):
    picture = draw(name, CONTENT[name][0], px_per_module=4.0, tilt_deg=4.0)
    values = read(picture, name)
    assert values.px_per_module == pytest.approx(4.0, rel=0.03)
    assert values.angle_deg == pytest.approx(4.0, abs=0.5 if name not in MATRIX else 1.5)


def test_reads_python_barcode():
    # python-barcode is a second encoder that shares no code with the readers
    file = io.BytesIO()
    EAN13("200448107001", writer=ImageWriter()).write(file, {"write_text": False})
    gray = cv2.imdecode(np.frombuffer(file.getvalue(), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert read(np.asarray(gray, np.uint8), "ean13").text == "2004481070017"


def test_reads_segno():
    # segno is a second QR encoder that shares no code with the readers
    cells = np.array([list(row) for row in segno.make("K4471/0007", micro=False).matrix])
    gray = np.pad(np.where(np.kron(cells, np.ones((4, 4))) > 0, 30, 220), 20, constant_values=220)
    values = read(gray.astype(np.uint8), "qr")
    assert values.text == "K4471/0007"
    assert values.px_per_module == pytest.approx(4.0, rel=0.03)


@pytest.mark.parametrize("name", ["gs1_128", "gs1_datamatrix"])
def test_gs1_content_is_taken_apart(name: str):
    values = read(draw(name, CONTENT["gs1_128"][0]), name)
    assert (values.gtin, values.lot, values.serial) == ("09501101530003", "K4471", "0007")
    assert values.expiry == date(2027, 3, 31)
    assert values.check_digit_right
    assert values.content_right
    assert values.content_fault == ""


def test_the_year_of_a_date_is_that_of_the_trigger():
    gray = draw("gs1_128", "[01]09501101530003[17]770601").gray
    params = CodeContentParams(symbology="gs1_128")
    early = code_content(View(gray, taken_at=datetime(2026, 6, 1)), params)
    late = code_content(View(gray, taken_at=datetime(2030, 6, 1)), params)
    assert isinstance(early, CodeContentValues)
    assert isinstance(late, CodeContentValues)
    assert (early.expiry, late.expiry) == (date(1977, 6, 1), date(2077, 6, 1))


def test_a_wrong_check_digit_inside_gs1_content_is_told():
    # the encoder only warns of the wrong digit (right is 3)
    values = read(draw("gs1_128", "[01]09501101530004"), "gs1_128")
    assert values.text == "(01)09501101530004"
    assert values.check_digit_right is False
    assert values.content_right is False
    assert "check digit 4" in str(values.content_fault)


def test_gtin_is_written_in_14_digits():
    picture = draw("ean13", CONTENT["ean13"][0])
    assert read(picture, "ean13").gtin == "02004481070017"


@pytest.mark.parametrize("name", sorted(CONTENT))
def test_nothing_but_the_named_kind_is_read(name: str):
    picture = draw(name, CONTENT[name][0])
    related = {
        "upca": {"ean13"},  # a UPC-A symbol is an EAN-13 symbol with a leading 0
        "gs1_128": {"code128"},
        "gs1_datamatrix": {"datamatrix"},
        "gs1_qr": {"qr"},
    }.get(name, set())
    for other in SYMBOLOGIES:
        if other != name and other not in related:
            assert read(picture, other, attempts=2).text is None, other


# --- place, tilt, several codes ---------------------------------------------------------------


@pytest.mark.parametrize("name", ["ean13", "gs1_128", "itf14"])
def test_reads_at_any_tilt(name: str):
    given_text, expected = CONTENT[name]
    missed = []
    for seed, tilt in enumerate(np.linspace(-85, 85, 36)):
        picture = draw(name, given_text, tilt_deg=float(tilt), px_per_module=2.5, seed=seed)
        values = read(picture, name, strips=4, second_reader=False)
        good = values.text == expected and abs((values.angle_deg or 999) - tilt) < 1
        missed += [] if good else [(tilt, values.text, values.angle_deg)]
    assert missed == []


def test_codes_in_view_are_counted_and_the_middle_one_is_given():
    codes = ["200448107001", "200448107002", "200448107003"]
    parts = [draw("ean13", code, seed=i).gray for i, code in enumerate(codes)]
    values = read(np.vstack(parts), "ean13", expect_count=3)
    assert values.count == 3
    assert values.text == "2004481070024"
    assert len(values.marks) == 3


def test_equal_codes_at_two_places_are_two_codes():
    part = draw("ean13", CONTENT["ean13"][0]).gray
    assert read(np.vstack([part, part]), "ean13", expect_count=2).count == 2
    assert read(np.hstack([part, part]), "ean13", expect_count=2).count == 2


def test_module_size_is_that_of_the_frame():
    picture = draw("ean13", CONTENT["ean13"][0], px_per_module=6)
    to_frame = np.diag([0.5, 0.5, 1.0])
    view = View(picture.gray, to_frame=to_frame)
    values = code_content(view, CodeContentParams(symbology="ean13"))
    assert isinstance(values, CodeContentValues)
    assert values.px_per_module == pytest.approx(3.0, rel=0.01)


# --- what cannot be read ----------------------------------------------------------------------


def damaged(share_of_height: float, width: float = 0.12) -> Picture:
    """A code with ink missing over part of its height, from the bottom up."""
    lost = np.zeros((100, 100), bool)
    lost[round(100 - 100 * share_of_height) :, 40 : 40 + round(100 * width)] = True
    return draw("ean13", CONTENT["ean13"][0], px_per_module=3, height_modules=60, damage=lost)


def test_a_torn_code_is_seen_but_not_read():
    values = read(damaged(1.0), "ean13")
    assert (values.state, values.text, values.count) == ("seen, not read", None, 0)
    assert values.scan_lines == 0.0


@pytest.mark.parametrize("name", ["ean13", "itf14", "upca", "code128"])
def test_a_torn_code_is_never_read_as_another(name: str):
    # a torn strip can leave a piece that is a code of its own, or digits that a reader makes up
    rng = np.random.default_rng(7771)
    for seed in range(12):
        lost = np.zeros((100, 100), bool)
        left = int(rng.integers(15, 75))
        lost[:, left : left + int(rng.integers(6, 16))] = True
        size, tilt = float(rng.uniform(2, 5)), float(rng.uniform(-60, 60))
        picture = draw(
            name, CONTENT[name][0], px_per_module=size, tilt_deg=tilt, damage=lost, seed=seed
        )
        assert read(picture, name).text in (None, CONTENT[name][1])


def test_a_torn_matrix_code_is_seen_but_not_read():
    picture = draw("datamatrix", CONTENT["datamatrix"][0], px_per_module=5)
    gray = picture.gray.copy()
    (x0, y0), (x1, y1) = picture.corners[0], picture.corners[2]
    gray[int(y0 + 12) : int(y1 - 12), int(x0 + 12) : int(x1 - 12)] = 220
    assert read(gray, "datamatrix").state == "seen, not read"


@pytest.mark.parametrize("symbology", ["ean13", "code128", "itf14", "datamatrix", "qr"])
def test_print_without_a_code_is_no_code(symbology: str):
    gray = np.full((300, 400), 210, np.uint8)
    for row in range(5):
        text = "Keep dry. Pour 200 ml of water."
        cv2.putText(gray, text, (10, 50 + 50 * row), cv2.FONT_HERSHEY_SIMPLEX, 0.6, (40,), 2)
    values = read(gray, symbology)
    assert (values.state, values.text, values.scan_lines) == ("no code", None, None)


@pytest.mark.parametrize("lost", [0.25, 0.5, 0.75])
def test_scan_lines_is_the_share_of_whole_height(lost: float):
    values = read(damaged(lost), "ean13")
    assert values.text == CONTENT["ean13"][1]
    assert values.scan_lines == pytest.approx(1 - lost, abs=0.1)


@pytest.mark.parametrize("name", LINEAR)
def test_a_whole_code_reads_in_every_strip(name: str):
    values = read(draw(name, CONTENT[name][0], tilt_deg=2), name)
    assert values.scan_lines == pytest.approx(1.0, abs=0.07)


@pytest.mark.parametrize("dark", [20.0, 90.0, 150.0])
@pytest.mark.parametrize("name", ["ean13", "datamatrix"])
def test_print_contrast_is_that_of_ink_on_board(name: str, dark: float):
    picture = draw(name, CONTENT[name][0], px_per_module=5, dark=dark, light=200, noise=1)
    values = read(picture, name)
    assert values.print_contrast == pytest.approx((200 - dark) / 200, abs=0.03)


def test_print_contrast_is_taken_in_light_not_in_grey_levels():
    coded = draw("ean13", CONTENT["ean13"][0], px_per_module=5, light=188, dark=92, noise=0).gray
    values = code_content(View(coded, gamma="srgb"), CodeContentParams(symbology="ean13"))
    assert isinstance(values, CodeContentValues)
    # sRGB 188 is 0.503 of full light and 92 is 0.107 (IEC 61966-2-1)
    assert values.print_contrast == pytest.approx(1 - 0.107 / 0.503, abs=0.02)


# --- any view ---------------------------------------------------------------------------------


def test_too_small_and_masked_views_are_not_measured():
    params = CodeContentParams(symbology="ean13")
    tiny = code_content(View(np.zeros((3, 8), np.uint8)), params)
    assert isinstance(tiny, NotMeasured)
    assert "12 px" in tiny.why
    gray = np.full((50, 50), 99, np.uint8)
    hidden = code_content(View(gray, mask=np.zeros((50, 50), np.uint8)), params)
    assert isinstance(hidden, NotMeasured)
    assert "masked" in hidden.why


def test_a_masked_code_is_not_seen():
    gray = draw("ean13", CONTENT["ean13"][0]).gray
    mask = np.full(gray.shape, 255, np.uint8)
    mask[20:-20, 20:-20] = 0
    values = code_content(View(gray, mask=mask), CodeContentParams(symbology="ean13"))
    assert isinstance(values, CodeContentValues)
    assert values.state == "no code"


@settings(max_examples=25, deadline=None)
@given(
    rows=st.integers(1, 120),
    columns=st.integers(12, 160),
    seed=st.integers(0, 99),
    kind=st.sampled_from(["noise", "flat", "stripes"]),
    name=st.sampled_from(sorted(SYMBOLOGIES)),
)
def test_any_view_gives_values_and_stays_untouched(
    rows: int, columns: int, seed: int, kind: str, name: str
):
    rng = np.random.default_rng(seed)
    gray = rng.integers(0, 256, (rows, columns), np.uint8)
    gray = {"noise": gray, "flat": gray * 0 + 77, "stripes": gray * 0 + gray[:1]}[kind]
    gray.flags.writeable = False
    params = CodeContentParams(symbology=[name])
    view = View(gray, gamma="srgb")
    first, again = code_content(view, params), code_content(view, params)
    assert isinstance(first, CodeContentValues)
    assert isinstance(again, CodeContentValues)
    assert first.model_dump(exclude={"marks"}) == again.model_dump(exclude={"marks"})


def test_goes_on_with_one_reader_where_the_second_is_missing(monkeypatch: pytest.MonkeyPatch):
    def missing(_: str) -> object:
        raise ImportError("libzbar.so.0")

    monkeypatch.setattr(second_reader, "import_module", missing)
    second_reader._second_reader.cache_clear()
    try:
        values = read(draw("ean13", CONTENT["ean13"][0]), "ean13")
    finally:
        second_reader._second_reader.cache_clear()
    assert values.text == CONTENT["ean13"][1]
    assert values.readers_agree is None


def test_attempts_are_counted_and_bounded():
    gray = np.random.default_rng(1).integers(0, 256, (200, 200), np.uint8)
    assert read(gray, "ean13", attempts=3).attempts == 3
    assert read(draw("ean13", CONTENT["ean13"][0]), "ean13").attempts == 1


# --- photographs and a captured set -----------------------------------------------------------

PHOTOGRAPHS = SHARED / "codes/cases.csv"
BRINDLEMOOR = SHARED / "captures/brindlemoor-tea"
NAMES = {
    "CODE-128": "code128",
    "CODE-39": "code39",
    "DATABAR": "databar",
    "DATABAR-EXP": "databar_expanded",
    "DATAMATRIX": "datamatrix",
    "EAN-13": "ean13",
    "EAN-8": "ean8",
    "ITF": "itf14",
    "QR": "qr",
    "UPC-A": "upca",
    "UPC-E": "upce",
}


def photographs() -> Iterator[dict[str, str]]:
    """Each different picture once: equal folder and stem in both sources is one picture."""
    with PHOTOGRAPHS.open(encoding="utf-8", newline="") as file:
        rows = sorted(csv.DictReader(file), key=lambda row: row["file"].startswith("zxing-cpp"))
    pictures = {Path(row["file"]).with_suffix("").parts[1:]: row for row in reversed(rows)}
    yield from pictures.values()


def gray_of(row: dict[str, str]) -> NDArray[np.uint8]:
    """Grey levels of a photograph."""
    path = PHOTOGRAPHS.parent / row["file"]
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    return np.asarray(Image.open(path).convert("L") if gray is None else gray, np.uint8)


def plain(text: str) -> str:
    """Text without what may differ in writing only: separators, brackets, line ends."""
    for mark, instead in (("\x1d", ""), ("(", ""), (")", ""), ("\r\n", "\n")):
        text = text.replace(mark, instead)
    return text.strip()


@pytest.mark.skipif(not PHOTOGRAPHS.exists(), reason="no shared photographs beside this checkout")
def test_photographs_reach_their_floors():
    floors = yaml.safe_load((SAMPLES / "floors.yaml").read_text(encoding="utf-8"))["photographs"]
    read_by: dict[str, list[bool]] = {}
    others: list[str] = []
    for row in photographs():
        if row["symbology"] == "NONE":
            continue
        values = read(gray_of(row), NAMES[row["symbology"]])
        good = values.text is not None and plain(values.text) == plain(row["text"])
        read_by.setdefault(row["symbology"], []).append(good)
        others += [] if good or values.text is None else [row["file"]]
    every = [good for goods in read_by.values() for good in goods]
    assert np.mean(every) >= floors["read_at_least"]
    assert len(others) <= floors["other_text_at_most"], others
    for symbology, floor in floors["read_by_symbology_at_least"].items():
        assert np.mean(read_by[symbology]) >= floor, symbology


@pytest.mark.skipif(not PHOTOGRAPHS.exists(), reason="no shared photographs beside this checkout")
def test_photographs_without_a_code_give_none():
    floors = yaml.safe_load((SAMPLES / "floors.yaml").read_text(encoding="utf-8"))["negatives"]
    params = CodeContentParams(symbology=list(SYMBOLOGIES))
    texts: list[str] = []
    none = [row for row in photographs() if row["symbology"] == "NONE"]
    for row in none[::2]:  # the benchmark looks at all of them
        values = code_content(View(gray_of(row)), params)
        texts += [values.text] if isinstance(values, CodeContentValues) and values.text else []
    assert len(texts) <= floors["read_at_most"], texts


@pytest.mark.skipif(not BRINDLEMOOR.exists(), reason="no shared captured set beside this checkout")
def test_damage_and_weak_print_of_the_captured_set_lie_outside_the_good():
    with (BRINDLEMOOR / "truth.csv").open(encoding="utf-8") as file:
        defects = {row["trigger"]: row["defects"] for row in csv.DictReader(file)}
    seen: dict[str, CodeContentValues] = {}
    for trigger, words in defects.items():
        path = BRINDLEMOOR / f"frames/{trigger}/side.png"
        if path.exists() and (trigger <= "000020" or "code" in words or "contrast" in words):
            view = View(np.asarray(cv2.imread(str(path), 0), np.uint8), gamma="srgb")
            values = code_content(view, CodeContentParams(symbology="ean13", attempts=10))
            assert isinstance(values, CodeContentValues)
            seen[trigger] = values
    good = [seen[t] for t in seen if t <= "000020"]
    assert {v.text for v in good} == {"2004481070017"}
    assert min(v.scan_lines or 0 for v in good) > 0.9
    contrast = [v.print_contrast or 0 for v in good]
    limit = np.mean(contrast) - 8 * max(np.std(contrast), 0.002)
    weak = {t: v for t, v in seen.items() if "low-contrast" in defects[t]}
    by_word = sorted(weak, key=lambda t: int(defects[t].split(":")[1]))
    assert [weak[t].print_contrast for t in by_word] == sorted(
        v.print_contrast or 0 for v in weak.values()
    )
    assert max(v.print_contrast or 0 for v in weak.values()) < limit
    for trigger, words in defects.items():
        if "code-damaged:light" in words:
            assert (seen[trigger].scan_lines or 0) < 0.6
        elif "code-damaged:heavy" in words:
            assert (seen[trigger].state, seen[trigger].scan_lines) == ("seen, not read", 0)
        elif "code-missing" in words:
            assert seen[trigger].state == "no code"
        elif "code-wrong" in words:
            assert seen[trigger].text not in (None, "2004481070017")
