"""Our own reference decodes against published figures, independent encoders and a reader."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steps._shared.code128_text import text_of
from steps._shared.reference_decode import decode_widths
from steps._shared.symbology_names import STANDARD_NAMES
from steps._shared.symbology_tables import (
    CODE128_WIDTHS,
    EAN_A_WIDTHS,
    EAN_PARITY,
    ITF_WIDE,
    LINEAR,
    linear_symbology,
)
from tests.generators.symbols import python_barcode_modules, random_data, zint_modules

FACTS = Path(__file__).parents[4] / "../shared/data/facts"


def rows(name: str) -> list[dict[str, str]]:
    path = FACTS / name
    if not path.exists():
        pytest.skip(f"the shared facts ({name}) are not beside this checkout")
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def widths_of(modules) -> np.ndarray:
    """Element widths of a module string, in modules."""
    bits = np.array([int(c) for c in modules] if isinstance(modules, str) else modules)
    change = np.nonzero(np.diff(bits))[0] + 1
    return np.diff(np.concatenate(([0], change, [len(bits)]))).astype(float)


def digits_only(data: str) -> str:
    return data.replace("(", "").replace(")", "")


def test_patterns_are_those_of_the_published_tables():
    elements = ("bar1", "space1", "bar2", "space2", "bar3", "space3")
    for row in rows("code128.csv"):
        widths = "".join(row[e] for e in elements)
        assert CODE128_WIDTHS[int(row["value"])] == widths
    for row in rows("ean.csv"):
        if row["set"] == "A":
            assert EAN_A_WIDTHS[int(row["digit"])] == "".join(row[f"el{k}"] for k in (1, 2, 3, 4))
    for row in rows("ean_parity.csv"):
        assert EAN_PARITY[int(row["leading_digit"])] == row["sets_digits_2_to_7"]
    for row in rows("itf.csv"):
        wide = row["elements"].replace("n", "0").replace("w", "1")
        assert ITF_WIDE[int(row["digit"])] == wide
    quiet = {r["symbol"].split(" /")[0]: r for r in rows("gs1_quiet_zone.csv")}
    for name in ("ean13", "ean8", "upca", "itf14", "gs1_128"):
        row = quiet[STANDARD_NAMES[name]]
        assert LINEAR[name].quiet_left == float(row["left_x"])
        assert LINEAR[name].quiet_right == float(row["right_x"])


@pytest.mark.parametrize("backwards", [False, True])
def test_published_figures_decode(backwards):
    # Figures of ISO/IEC 15417 and the GS1 General Specifications, as listed in the table.
    figures = rows("symbol_figures.csv")
    for row in figures:
        widths = widths_of(row["modules_1_is_bar"])
        found = decode_widths(widths[None, ::-1] if backwards else widths[None],
                              linear_symbology(row["symbology"]))[0]  # fmt: skip
        assert found is not None, row["data"]
        assert found.text.replace("\x1d", "") == digits_only(row["data"])
        assert found.reversed == backwards
        assert found.decodability == pytest.approx(1.0)
    assert len(figures) >= 10


@pytest.mark.parametrize("symbology", ["ean13", "ean8", "upca", "code128", "gs1_128", "itf14"])
def test_random_symbols_of_zint_decode_through_gain_and_jitter(symbology):
    # zint (zint-bindings) as the independent encoder; gain up to 0.3 X, edges 0.05 X.
    rng = np.random.default_rng(11)
    for _ in range(150):
        data = random_data(symbology, rng)
        widths = widths_of(zint_modules(symbology, data)[0])
        edges = np.concatenate(([0.0], np.cumsum(widths)))
        gain = rng.uniform(-0.3, 0.3)
        edges[::2] -= gain / 2
        edges[1::2] += gain / 2
        edges += np.clip(rng.normal(0, 0.03, len(edges)), -0.05, 0.05)
        found = decode_widths(np.diff(edges)[None], linear_symbology(symbology))[0]
        assert found is not None, data
        assert found.text == (digits_only(data) if symbology == "gs1_128" else data)
        assert found.bar_gain == pytest.approx(gain, abs=0.03)


@pytest.mark.parametrize("symbology", ["ean13", "ean8", "upca", "code128"])
def test_random_symbols_of_python_barcode_decode(symbology):
    rng = np.random.default_rng(12)
    for _ in range(50):
        data = random_data(symbology, rng)
        if symbology == "code128" and data.startswith("99"):
            continue  # python-barcode loses a leading 99; zxing-cpp reads its symbol without, too
        widths = widths_of(python_barcode_modules(symbology, data)[0])
        found = decode_widths(widths[None], linear_symbology(symbology))[0]
        assert found is not None
        assert found.text == data


def test_a_wrong_check_digit_does_not_decode():
    modules = zint_modules("ean13", "4512345678906")[0]
    widths = widths_of(modules)
    assert decode_widths(widths[None], LINEAR["ean13"])[0].text == "4512345678906"
    # Swap the last digit's pattern (6 -> 1111 4 mirrored places) for that of 0.
    other = widths.copy()
    other[-7:-3] = [3, 2, 1, 1]
    assert decode_widths(other[None], LINEAR["ean13"])[0] is None


def test_upc_a_is_an_ean_13_with_a_leading_0_only():
    widths = widths_of(zint_modules("ean13", "4512345678906")[0])
    assert decode_widths(widths[None], LINEAR["upca"])[0] is None
    widths = widths_of(zint_modules("upca", "614141000302")[0])
    assert decode_widths(widths[None], LINEAR["ean13"])[0].text == "0614141000302"


def test_gs1_128_needs_its_function_character():
    widths = widths_of(zint_modules("code128", "ABC123")[0])
    assert decode_widths(widths[None], LINEAR["gs1_128"])[0] is None
    assert decode_widths(widths[None], LINEAR["code128"])[0].text == "ABC123"


def test_worked_decodability_of_code_128():
    # ISO/IEC 15417 (from memory): V1 = K / (S / 22); e1 off by 0.1 module leaves K = 0.4, V1 = 0.8.
    widths = widths_of(zint_modules("code128", "AIM")[0])
    moved = widths.copy()
    moved[6] += 0.1
    moved[7] -= 0.1
    found = decode_widths(moved[None], LINEAR["code128"])[0]
    assert found.decodability == pytest.approx(0.8, abs=1e-6)


def test_code_sets_shift_and_function_characters():
    # ISO/IEC 15417 (from memory): A has control characters, 98 shifts one character.
    assert text_of([103, 33, 98, 65, 33]) == "AaA"
    assert text_of([103, 64, 34]) == "\x00B"
    assert text_of([104, 100, 65, 65]) == "\xe1a"
    assert text_of([104, 100, 100, 65, 65]) == "\xe1\xe1"
    assert text_of([105, 12, 34, 100, 33, 102, 34]) == "1234A\x1dB"
    assert text_of([12, 34]) is None


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 9.0), min_size=1, max_size=120), st.sampled_from(sorted(LINEAR)))
def test_any_widths_give_a_value_or_nothing(widths, name):
    found = decode_widths(np.array([widths]), LINEAR[name])[0]
    assert found is None or (len(found.text) > 0 and found.decodability <= 1.0)


@settings(max_examples=40, deadline=None)
@given(gain=st.floats(-0.4, 0.4), seed=st.integers(0, 99))
def test_even_gain_leaves_the_edge_to_edge_margin_of_ean(gain, seed):
    data = random_data("ean13", np.random.default_rng(seed))
    edges = np.concatenate(([0.0], np.cumsum(widths_of(zint_modules("ean13", data)[0]))))
    edges[::2] -= gain / 2
    edges[1::2] += gain / 2
    found = decode_widths(np.diff(edges)[None], LINEAR["ean13"])[0]
    assert found is not None
    assert found.text == data
