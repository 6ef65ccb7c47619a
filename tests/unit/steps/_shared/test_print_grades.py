"""Grades from values, against the tabulated cases of the facts beside the checkout."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from steps._shared.print_grades import (
    SCALES,
    grade_parameter,
    letter_of,
    limiting,
    mean_grade,
    notation,
)

FACTS = Path(__file__).parents[4] / "../shared/data/facts"


def rows(name: str) -> list[dict[str, str]]:
    path = FACTS / name
    if not path.exists():
        pytest.skip(f"the shared facts ({name}) are not beside this checkout")
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def value_of(case: dict[str, str]) -> float:
    """Compute the value of a case from its inputs, by formulas from memory."""
    n = {k: float(v) for k, v in re.findall(r"(\w+)=(-?[\d.]+)", case["inputs"])}
    free = [float(v) for v in re.findall(r"[\d.]+", case["inputs"])]
    by_name = {
        "SC": lambda: (n["Rmax"] - n["Rmin"]) / 100,
        "MOD": lambda: n["ECmin"] / n["SC"],
        "Defects": lambda: n["ERNmax"] / n["SC"],
        "module MOD": lambda: 2 * abs(n["R"] - n["GT"]) / n["SC"],
        "AN": lambda: abs(n["Xavg"] - n["Yavg"]) / ((n["Xavg"] + n["Yavg"]) / 2),
        "GN": lambda: free[-1],
        "UEC": lambda: 1 - (n["e"] + 2 * n["t"]) / (n["d"] - n["p"]),
        "Decodability": lambda: (
            n["K"] / (n["S"] / 22)
            if "K" in n
            else (1.75 - abs(float(re.findall(r"sum ([\d.]+)", case["inputs"])[0]) - n["V"])) / 1.75
        ),
    }
    return by_name[case["parameter"]]()


def test_every_tabulated_case_has_its_grade():
    cases = rows("grade_cases.csv")
    for case in cases:
        value = value_of(case)
        stated = float(case["value"]) / (100 if case["parameter"] == "SC" else 1)
        assert value == pytest.approx(stated, abs=6e-5), case
        whole = grade_parameter(case["parameter"], value, decimals=False)
        assert whole == float(case["grade"]), case
        if case["decimal_grade"]:
            decimal = grade_parameter(case["parameter"], value)
            assert decimal == pytest.approx(float(case["decimal_grade"]), abs=0.006), case
    assert len(cases) > 20


FIXED_PATTERNS = {
    "FPD Data Matrix L1 L2 QZL1 QZL2: percent of modules wrong": ("FPD share", 100.0),
    "FPD Data Matrix clock track transition ratio": ("FPD clock", 1.0),
    "FPD average grade of segments": ("FPD average", 1.0),
    "FPD QR finder segment: modules wrong": ("FPD finder", 1.0),
    "FPD QR timing segment: percent wrong": ("FPD timing", 100.0),
    "FPD QR alignment patterns: percent wrong": ("FPD alignment", 100.0),
    "29158 cell contrast": ("CC", 1.0),
}


@pytest.mark.parametrize("table", ["grades_15416.csv", "grades_15415.csv"])
def test_every_threshold_of_the_tables_is_ours(table):
    for row in rows(table):
        if not row["threshold"]:
            continue  # pass or fail: held by the tests of profiles
        name, scale = FIXED_PATTERNS.get(row["parameter"], (row["parameter"], 1.0))
        scale = 100.0 if row.get("unit") == "percent reflectance" else scale
        known = SCALES[name].thresholds[4 - int(row["grade"])]
        assert known == pytest.approx(float(row["threshold"]) / scale), row
        assert SCALES[name].smaller_is_better == ("max" in row.values()), row


@pytest.mark.parametrize("name", list(SCALES))
def test_just_past_a_threshold_the_next_grade_begins(name):
    worse = 1e-4 if SCALES[name].smaller_is_better else -1e-4
    for k, threshold in enumerate(SCALES[name].thresholds):
        below = grade_parameter(name, threshold + worse, decimals=False)
        assert below == (3 - k if k < 3 else 0)
        decimal = grade_parameter(name, threshold + worse)
        if k < 3:
            assert 3.9 - k < decimal < 4 - k
        else:
            assert decimal == 0.0


@pytest.mark.parametrize("name", list(SCALES))
def test_figures_of_32_bit_reach_their_threshold(name):
    for k, threshold in enumerate(SCALES[name].thresholds):
        assert grade_parameter(name, float(np.float32(threshold))) == pytest.approx(4 - k, abs=1e-4)


@pytest.mark.parametrize("name", list(SCALES))
def test_a_threshold_itself_has_its_grade(name):
    for k, threshold in enumerate(SCALES[name].thresholds):
        assert grade_parameter(name, threshold) == 4 - k
        assert grade_parameter(name, threshold, decimals=False) == 4 - k


def test_letters_begin_where_the_table_says():
    for row in rows("symbol_letter_grade.csv"):
        assert letter_of(float(row["min_numeric"])) == row["letter"]
        if row["max_numeric_exclusive"]:
            assert letter_of(float(row["max_numeric_exclusive"]) - 0.1) == row["letter"]


def test_the_mean_has_one_decimal_halves_upwards():
    assert mean_grade([3.0, 2.5]) == 2.8
    assert mean_grade([3.26] * 10) == 3.3
    assert mean_grade([]) == 0.0


def test_notation_needs_every_condition():
    # GS1 General Specifications R18, p. 337: 1.5/06/660, the angle only where it is not 45.
    assert notation(1.5, 0.1524, 660, 45) == "1.5/06/660"
    assert notation(2.74, 0.25, 660, 30) == "2.7/10/660/30"
    assert notation(1.5, 0.15, None, 45) is None
    assert notation(1.5, None, 660, 45) is None
    for row in rows("aperture_15416.csv"):
        text = notation(1.5, float(row["aperture_mm"]), 660, 45)
        assert text == f"1.5/{row['reference_number']}/660"


def test_the_lowest_grade_limits():
    assert limiting({"SC": 3.0, "MOD": 2.9}) == "MOD"
    assert limiting({"SC": 2.9, "MOD": 2.9}) == "SC"
    assert limiting({}) == ""
