"""Layouts and error correction of matrix codes, against symbols of independent encoders."""

import csv
from pathlib import Path

import numpy as np
import pytest
import segno
from hypothesis import given, settings
from hypothesis import strategies as st

from steps._shared.data_matrix import data_matrix_layout
from steps._shared.matrix_layout import place_words, read_words
from steps._shared.qr import qr_layout, read_bits, read_format, version_bits, version_places
from steps._shared.reed_solomon import DATA_MATRIX_FIELD, QR_FIELD, find_errors
from tests.generators.symbols import zint_modules

FACTS = Path(__file__).parents[4] / "../shared/data/facts"


def qr_symbol(version: int, level: str) -> tuple[np.ndarray, int]:
    code = segno.make("A1b", version=version, error=level, boost_error=False, micro=False)
    return np.array(code.matrix, np.uint8) == 1, code.mask


def test_published_data_matrix_figures_are_laid_out_as_we_lay_them_out():
    path = FACTS / "matrix_figures.csv"
    if not path.exists():
        pytest.skip("the shared facts (matrix_figures.csv) are not beside this checkout")
    with path.open(newline="") as file:
        figures = list(csv.DictReader(file))
    for figure in figures:
        rows = figure["modules_1_is_dark_rows_joined_by_slash"].split("/")
        dark = np.array([[c == "1" for c in row] for row in rows])
        layout = data_matrix_layout(*dark.shape)
        words = read_words(layout, dark)
        for block in layout.blocks:
            assert find_errors(words[block.words], block.check, layout.field) == {}
        assert (place_words(layout, words) == dark).all()
    assert len(figures) >= 3


@pytest.mark.parametrize("size", range(1, 31))
def test_every_data_matrix_size_of_zint_is_read_and_corrected(size):
    # option_2 of zint is the symbol size: 24 square and 6 rectangular ones of ECC 200.
    dark = zint_modules("datamatrix", "A1b", option_2=size) == 1
    layout = data_matrix_layout(*dark.shape)
    fixed = layout.fixed >= 0
    assert (layout.fixed[fixed] == dark[fixed]).all()
    words = read_words(layout, dark)
    rng = np.random.default_rng(size)
    for block in layout.blocks:
        right = words[block.words]
        assert find_errors(right, block.check, layout.field) == {}
        places = rng.choice(len(right), block.check // 2, replace=False)
        wrong = right.copy()
        wrong[places] ^= rng.integers(1, 256, len(places))
        errors = find_errors(wrong, block.check, layout.field)
        assert {p: wrong[p] ^ right[p] for p in places} == errors


@pytest.mark.parametrize("version", [*range(1, 12), 14, 21, 27, 32, 40])
def test_qr_symbols_of_segno_are_read_at_every_level(version):
    for level in "LMQH":
        dark, mask = qr_symbol(version, level)
        form = read_format(dark)
        assert (form.level, form.mask, form.wrong) == (level, mask, (0, 0))
        layout = qr_layout(version, level, mask)
        fixed = layout.fixed >= 0
        assert (layout.fixed[fixed] == dark[fixed]).all()
        words = read_words(layout, dark)
        for block in layout.blocks:
            assert find_errors(words[block.words], block.check, layout.field) == {}
        ideal = place_words(layout, words)
        assert (ideal[ideal >= 0] == dark[ideal >= 0]).all()
        if version >= 7:
            for places in version_places(len(dark)):
                assert read_bits(dark, places) == version_bits(version)


def test_format_information_stands_three_wrong_bits_in_one_copy():
    dark, mask = qr_symbol(3, "Q")
    for place in ((0, 8), (2, 8), (8, 1)):
        dark[place] ^= True
    form = read_format(dark)
    assert (form.level, form.mask, form.wrong) == ("Q", mask, (3, 0))


@settings(max_examples=60, deadline=None)
@given(
    data=st.lists(st.integers(0, 255), min_size=1, max_size=40),
    wrong=st.integers(0, 5),
    seed=st.integers(0, 999),
    qr=st.booleans(),
)
def test_as_many_errors_as_half_the_check_words_are_found(data, wrong, seed, qr):
    field = QR_FIELD if qr else DATA_MATRIX_FIELD
    # Encoded here by division with the generator polynomial, independently of the decoder.
    generator = [1]
    for k in range(field.first_root, field.first_root + 10):
        shifted = [*generator, 0]
        for i, c in enumerate(generator):
            if c:
                shifted[i + 1] ^= field.powers[field.logs[c] + k]
        generator = shifted
    rest = [*data, *[0] * 10]
    for i in range(len(data)):
        lead = rest[i]
        for j, c in enumerate(generator):
            if c and lead:
                rest[i + j] ^= field.powers[field.logs[c] + field.logs[lead]]
    block = np.array([*data, *rest[len(data) :]])
    rng = np.random.default_rng(seed)
    places = rng.choice(len(block), min(wrong, len(block)), replace=False)
    change = rng.integers(1, 256, len(places))
    received = block.copy()
    received[places] ^= change
    found = find_errors(received, 10, field)
    assert found == dict(zip(places.tolist(), change.tolist(), strict=True))


def test_too_many_errors_are_said():
    rng = np.random.default_rng(1)
    refused = 0
    for _ in range(50):
        block = np.zeros(30, int)
        block[rng.choice(30, 9, replace=False)] = rng.integers(1, 256, 9)
        refused += find_errors(block, 8, QR_FIELD) is None
    assert refused >= 45


def test_sizes_that_are_none_are_refused():
    with pytest.raises(ValueError, match="no Data Matrix has 11 x 11"):
        data_matrix_layout(11, 11)
