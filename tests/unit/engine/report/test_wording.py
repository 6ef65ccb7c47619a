"""Findings in words."""

from datetime import date

import pytest
from hypothesis import given

from engine.report.wording import broken_text, limit_text, margin_text, measured_text, number_text
from engine.result import Finding
from tests.generators.verdicts import findings


@pytest.mark.parametrize(
    ("limit", "text"),
    [
        ({"min": 0.8}, "at least 0.8"),
        ({"max": 1.0}, "at most 1"),
        ({"min": -2.5, "max": 2.5}, "-2.5 to 2.5"),
        ({"equals": "BB 14/03/2027"}, "equal to BB 14/03/2027"),
        ({"equals": True}, "equal to yes"),
        ({"one_of": ["a", "b"]}, "one of a, b"),
        ({"one_of": []}, "one of nothing"),
        ({"matches": "LOT .*"}, "matches LOT .*"),
        ({"min": date(2027, 3, 14)}, "at least 2027-03-14"),
        (
            {"agrees_with": "front.date.date", "equals": "2027-03-14"},
            "agrees with front.date.date, equal to 2027-03-14",
        ),
        ({}, "-"),
    ],
)
def test_limits_read_like_words(limit, text):
    assert limit_text(limit) == text


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0.0, "0"),
        (1e9, "1e+09"),
        (123456.7, "1.235e+05"),
        (float("inf"), "inf"),
        (float("nan"), "nan"),
        (41207, "41207"),
        (-(10**400), "-1.000e+400"),
    ],
)
def test_any_number_has_a_text(number, text):
    assert number_text(number) == text


def test_margins_carry_their_sign():
    assert [margin_text(m) for m in (0.25, 0.0, -2.1, None)] == ["+0.25", "0", "-2.1", "-"]


def test_a_broken_finding_says_value_and_limit():
    finding = Finding("side", "code", "text", None, "", {"equals": "1"}, False, None, "no code")
    assert broken_text(finding) == "text not measured (equal to 1)"


def test_units_follow_numbers_only():
    assert measured_text(3.14159, "mm") == "3.142 mm"
    assert measured_text(6, "count") == "6"
    assert measured_text(True, "mm") == "yes"
    assert measured_text(date(2027, 3, 14)) == "2027-03-14"


@given(finding=findings)
def test_any_finding_has_words(finding):
    assert finding.value in broken_text(finding)
    assert limit_text(finding.limit)
    assert margin_text(finding.margin)
