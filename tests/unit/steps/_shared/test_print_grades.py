"""Grades from values, against the tabulated cases of the facts beside the checkout."""

import csv
import re
from pathlib import Path

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


def test_thresholds_are_those_of_the_tables():
    names = {
        "SC": "SC",
        "MOD": "MOD",
        "Defects": "Defects",
        "Decodability": "Decodability",
        "module MOD": "module MOD",
        "AN": "AN",
        "GN": "GN",
        "UEC": "UEC",
    }
    checked = 0
    for table in ("grades_15416.csv", "grades_15415.csv"):
        for row in rows(table):
            name = names.get(row["parameter"])
            if name is None or not row["threshold"]:
                continue
            scale = 100.0 if table == "grades_15416.csv" and name == "SC" else 1.0
            threshold = float(row["threshold"]) / scale
            assert SCALES[name].thresholds[4 - int(row["grade"])] == pytest.approx(threshold)
            checked += 1
    assert checked == 36


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
