"""The bars' own area: corners of prints whose place is known."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steps._shared.bars_area import find_bars_area
from steps._shared.linear_find import find_bars, find_linear
from tests.generators.symbols import (
    Blot,
    LinearPrint,
    photograph,
    photograph_slanted,
    zint_modules,
)

EAN = zint_modules("ean13", "4512345678906")[0]


def placed(turn: float, px: float = 5.0, lean: float = 1.0, keystone: float = 0.0, height=40.0):
    """Homography of a print's modules to a 900 x 640 frame, and the corners of its bars."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    middle = np.array([[1, 0, -47.5], [0, 1, -height / 2], [0, 0, 1.0]])
    tilt = np.array([[1, 0, 0], [0, 1, 0], [keystone, 0.5 * keystone, 1.0]])
    turned = np.array([[c, -s, 450], [s, c, 320], [0, 0, 1.0]])
    matrix = turned @ tilt @ np.diag([px, px * lean, 1.0]) @ middle
    corners = np.array([[[0, 0], [95, 0], [95, height], [0, height]]], np.float64)
    # Pixel centres are whole numbers, and the generator's pixels begin there.
    return matrix, cv2.perspectiveTransform(corners, matrix)[0] - 0.5


def off(area, corners) -> np.ndarray:
    """Distance of each found corner from the nearest true one [px]."""
    return np.array([np.hypot(*(corners - c).T).min() for c in area.corners])


@pytest.mark.parametrize("turn", [0.0, 4.0, -11.0, 40.0, 90.0, 183.0])
@pytest.mark.parametrize("keystone", [0.0, 1e-4])
def test_corners_are_found_however_the_code_lies(turn, keystone):
    matrix, corners = placed(turn, lean=0.9, keystone=keystone)
    frame = photograph_slanted(LinearPrint(EAN), matrix, (900, 640), blur=0.6, noise=2.0)
    # A line across the middle of the bars, as a reader gives it, a module and a half off.
    ends = cv2.perspectiveTransform(np.array([[[1.5, 18.0], [94.0, 23.0]]]), matrix)[0]
    area = find_bars_area(frame, ends)
    assert area is not None
    assert off(area, corners).max() < 1.2
    assert area.width_px == pytest.approx(np.hypot(*(corners[1] - corners[0])), rel=0.03)


@pytest.mark.parametrize("px", [2.0, 3.0, 9.0])
def test_corners_are_found_at_any_size(px):
    matrix, corners = placed(3.0, px=px)
    frame = photograph_slanted(LinearPrint(EAN), matrix, (900, 640), blur=0.6, noise=2.0)
    ends = cv2.perspectiveTransform(np.array([[[0.0, 20.0], [95.0, 20.0]]]), matrix)[0]
    area = find_bars_area(frame, ends)
    assert area is not None
    assert off(area, corners).max() < 1.0 + 0.1 * px


def test_damage_over_most_of_the_height_does_not_end_the_bars():
    rng = np.random.default_rng(2)
    scratches = tuple(
        Blot(float(rng.uniform(0, 85)), float(rng.uniform(14, 36)), 8.0, 2.0, 0.85)
        for _ in range(14)
    )
    wiped = (Blot(-3.0, 24.0, 101.0, 3.0, 0.85),)
    matrix, corners = placed(2.0)
    print_ = LinearPrint(EAN, blots=scratches + wiped)
    frame = photograph_slanted(print_, matrix, (900, 640), blur=0.6, noise=2.0)
    ends = cv2.perspectiveTransform(np.array([[[0.0, 6.0], [95.0, 6.0]]]), matrix)[0]
    area = find_bars_area(frame, ends)
    assert area is not None
    assert off(area, corners).max() < 2.0


def test_print_under_the_bars_is_not_taken_in():
    matrix, corners = placed(0.0)
    frame = photograph_slanted(LinearPrint(EAN), matrix, (900, 640), blur=0.6, noise=1.0)
    bottom = int(corners[2][1])
    cv2.putText(frame, "4 512345 678906", (230, bottom + 38), cv2.FONT_HERSHEY_SIMPLEX, 1.4, 20, 3)
    found = find_linear(frame, "ean13")
    assert found is not None
    area = find_bars_area(frame, found.line)
    assert area is not None
    assert off(area, corners).max() < 1.5


def test_bearer_bars_bound_the_bars_of_itf():
    modules = zint_modules("itf14", "15400141288763")[0]
    width = len(modules)
    bearers = (
        Blot(-14.0, -4.0, width + 28.0, 4.0, 0.05),
        Blot(-14.0, 30.0, width + 28.0, 4.0, 0.05),
        Blot(-14.0, 0.0, 4.0, 30.0, 0.05),
        Blot(width + 10.0, 0.0, 4.0, 30.0, 0.05),
    )
    print_ = LinearPrint(modules, height=30.0, quiet=20.0, blots=bearers)
    matrix = np.array([[4.5, 0, 120], [0, 4.5, 120], [0, 0, 1.0]])
    frame = photograph_slanted(print_, matrix, (900, 400), blur=0.5, noise=1.0)
    found = find_linear(frame, "itf14")
    assert found is not None
    area = find_bars_area(frame, found.line)
    assert area is not None
    true = np.array([[120, 120], [120 + 4.5 * width, 120], [120 + 4.5 * width, 255], [120, 255]])
    assert off(area, true - 0.5).max() < 4.0


@pytest.mark.parametrize(
    "picture",
    [
        np.full((60, 200), 90, np.uint8),
        np.zeros((2, 2), np.uint8),
        np.full((60, 200), 40_000, np.uint16),
    ],
)
def test_where_there_are_no_bars_there_is_no_area(picture):
    assert find_bars_area(picture, np.array([[20.0, 30.0], [180.0, 30.0]])) is None
    assert find_bars_area(picture, np.array([[20.0, 30.0], [20.0, 30.0]])) is None
    assert find_bars_area(picture, np.array([[np.nan, 30.0], [20.0, 30.0]])) is None


def test_a_block_of_bars_is_found_without_reading():
    for turn in (0.0, 25.0, 90.0):
        matrix, _ = placed(turn)
        torn = (Blot(40.0, -1.0, 14.0, 42.0, 0.85),)
        frame = photograph_slanted(LinearPrint(EAN, blots=torn), matrix, (900, 640), noise=1.0)
        found = find_bars(frame)
        assert found is not None
        ends = cv2.perspectiveTransform(found.line[None], np.linalg.inv(matrix))[0]
        assert sorted(ends[:, 0]) == pytest.approx([0.0, 95.0], abs=4.0)
        assert ends[:, 1] == pytest.approx([20.0, 20.0], abs=8.0)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    line=st.lists(st.floats(-50, 250), min_size=4, max_size=4),
    rows=st.integers(1, 90),
)
def test_any_picture_and_line_give_an_area_or_none(seed, line, rows):
    picture = np.random.default_rng(seed).integers(0, 256, (rows, 160), dtype=np.uint8)
    area = find_bars_area(picture, np.array(line).reshape(2, 2))
    assert area is None or np.isfinite(area.corners).all()


@pytest.mark.parametrize("below_top", [-0.05, 0.3, 19.7, 19.95, 20.2])
def test_a_line_along_the_very_end_of_the_bars_is_enough(below_top):
    # A reader's line lay 1.5 px above the end of the bars.
    print_ = LinearPrint(EAN, height=20)
    gray = photograph(print_, 10.0, blur=0.5, noise=1.0)
    row = (4 + below_top) * 10
    area = find_bars_area(gray, np.array([[138.5, row], [1090.0, row]]))
    assert area is not None
    assert area.corners[[0, 2], 1] == pytest.approx([39.5, 239.5], abs=2.0)
