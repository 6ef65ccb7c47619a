"""Values of an order in the types that a recipe declares."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.graph.order import read_date, read_pairs, typed_order
from engine.problems import ProblemsFound

KINDS = ["text", "date", "whole_number", "number"]


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("text", ""), ("text", "  "), ("date", "14.3.2027"), ("date", "20270314"),
        ("date", "2027-02-29"), ("date", "2027-W10-7"), ("date", "tomorrow"),
        ("whole_number", "1.0"), ("whole_number", "1_000"), ("whole_number", "٣"),
        ("whole_number", "9" * 5000), ("number", "nan"), ("number", "inf"), ("number", "1e999"),
        ("number", "1_0"), ("number", "0x10"), ("number", "."),
    ],
)  # fmt: skip
def test_a_value_of_another_form_is_refused(kind, text):
    with pytest.raises(ProblemsFound, match="order-type"):
        typed_order({"field": kind}, {"field": text})


def test_numbers_and_dates_are_typed_and_texts_stay_as_they_are():
    kinds = dict(zip("abcd", KINDS, strict=True))
    typed = typed_order(kinds, {"a": " 007 ", "b": "2027-03-14", "c": "-6", "d": "1.5e1"})
    assert (typed["a"], typed["c"], typed["d"]) == (" 007 ", -6, 15.0)
    assert typed["b"] == read_date("2027-03-14")


def test_every_missing_field_is_named_and_fields_of_other_recipes_are_ignored():
    with pytest.raises(ProblemsFound, match=r"(?s)`expiry`.*`lot`.*mean `lott`") as caught:
        typed_order({"lot": "text", "expiry": "date"}, {"lott": "K1", "press": "4"})
    assert [p.path for p in caught.value.problems] == ["expiry", "lot"]
    assert typed_order({}, {"press": "4"}) == {}


@pytest.mark.parametrize("pairs", [["lot"], ["=4"], ["lot=1", "lot=1"]])
def test_pairs_of_another_form_are_refused(pairs):
    with pytest.raises(ProblemsFound, match="order-form"):
        read_pairs(pairs)


def test_a_value_may_hold_an_equals_sign():
    assert read_pairs(["lot=A=B"]) == {"lot": "A=B"}


@given(st.sampled_from(KINDS), st.text())
def test_any_text_is_a_value_of_its_type_or_a_problem(kind, text):
    try:
        typed = typed_order({"field": kind}, {"field": text})
    except ProblemsFound as found:
        typed = {"field": None}
        said = found.problems[0].what
        assert said.endswith("is needed.")
    assert set(typed) == {"field"}
