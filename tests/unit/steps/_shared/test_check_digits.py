"""Check digits: published numbers, and the laws of the method."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steps._shared.check_digits import (
    CHARACTERS_82,
    as_gtin14,
    check_digit,
    check_digit_is_right,
    check_pair,
    check_pair_is_right,
    same_gtin,
)

FACTS = Path(__file__).parents[4] / "../shared/data/facts/checkdigit_examples.csv"


@pytest.mark.parametrize(
    ("number", "right"),
    [
        ("6291041500213", True),  # GS1 Hong Kong, worked example (weighted sum 57)
        ("95012346", True),  # GS1 General Specifications 21.0.1, figure 5.2.2.2-1
        ("012345678905", True),  # the same, figure 5.1-1
        ("15400141288763", True),  # the same, figure 5.3.2.4-1
        ("395123451234567895", True),  # an SSCC; the same, figure 5.4.2-1
        ("12345678901232", False),  # check digit test of the GS1 Barcode Syntax Dictionary
        ("416000336109", False),  # the same
    ],
)
def test_published_numbers(number: str, right: bool):
    assert check_digit_is_right(number) is right


@pytest.mark.skipif(not FACTS.exists(), reason="the shared facts are not beside this checkout")
def test_every_number_of_the_shared_facts():
    with FACTS.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            number = row["number"]
            assert check_digit_is_right(number) is (row["valid"] == "true"), row
            assert check_digit(number[:-1]) == row["correct_check_digit"], row


@given(st.text("0123456789", min_size=1, max_size=20), st.data())
def test_any_single_wrong_digit_is_noticed(digits: str, data: st.DataObject):
    number = digits + check_digit(digits)
    place = data.draw(st.integers(0, len(number) - 1))
    other = data.draw(st.sampled_from([d for d in "0123456789" if d != number[place]]))
    assert check_digit_is_right(number)
    assert not check_digit_is_right(number[:place] + other + number[place + 1 :])


@given(st.text("0123456789", min_size=7, max_size=7))
def test_leading_zeros_change_no_check_digit(digits: str):
    short = digits + check_digit(digits)
    assert check_digit(digits.zfill(13)) == short[-1]
    assert same_gtin(short, short.zfill(14))


@pytest.mark.parametrize("text", ["", "5", "12a4", "²³", " 95012346"])
def test_what_is_no_number_is_never_right(text: str):
    assert not check_digit_is_right(text)
    assert as_gtin14(text) is None


def test_check_pair_of_the_published_model_number():
    # GS1 General Specifications, 7.9.5, example of a Global Model Number (from memory)
    assert check_pair_is_right("1987654Ad4X4bL5ttr2310c2K")
    assert not check_pair_is_right("1987654Ad4X4bL5ttr2310c2J")


@given(st.text(CHARACTERS_82, min_size=1, max_size=23), st.data())
def test_any_single_wrong_character_is_noticed_by_the_check_pair(text: str, data: st.DataObject):
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.sampled_from([c for c in CHARACTERS_82 if c != text[place]]))
    wrong = text[:place] + other + text[place + 1 :]
    assert check_pair(text) != check_pair(wrong)
