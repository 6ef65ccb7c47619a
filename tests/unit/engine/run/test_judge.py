"""Values against limits."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.graph.plan import DaysFromToday
from engine.run.judge import judge
from tests.generators.plans import limit

DAY = date(2026, 11, 25)


def one(bound, value, today=DAY):
    return judge([bound], {bound.value: value}, today)[0]


@given(value=st.floats(-1e6, 1e6), low=st.floats(-1e3, 1e3), width=st.floats(0, 1e3))
def test_margin_is_the_distance_to_the_nearest_bound_and_positive_inside(value, low, width):
    finding = one(limit(minimum=low, maximum=low + width), value)
    assert finding.good == (low <= value <= low + width)
    assert finding.margin == min(value - low, (low + width) - value)
    assert finding.good == (finding.margin >= 0)


def test_a_value_that_was_not_measured_breaks_its_limit():
    finding = one(limit(maximum=3.0), None)
    assert not finding.good
    assert finding.measured is None
    assert finding.margin is None


def test_a_limit_may_say_that_its_value_may_be_missing():
    assert one(limit(maximum=3.0, may_be_missing=True), None).good
    assert not one(limit(maximum=3.0, may_be_missing=True), 4.0).good


@pytest.mark.parametrize(
    ("bounds", "value", "good"),
    [
        ({"equals": "2004481070017"}, "2004481070017", True),
        ({"equals": "2004481070017"}, "2004481070024", False),
        ({"one_of": ("a", "b")}, "b", True),
        ({"one_of": ("a", "b")}, "c", False),
        ({"matches": "LOT [A-Z][0-9]+"}, "LOT K4471", True),
        ({"matches": "LOT [A-Z][0-9]+"}, "LOT K4471 ", False),
        ({"matches": "(a+)+b"}, "a" * 40_000, False),
    ],
)
def test_text_limits_hold_the_whole_text(bounds, value, good):
    finding = one(limit("word", kind="text", **bounds), value)
    assert finding.good == good
    assert finding.margin is None


def test_a_date_bound_counts_from_the_day_of_the_trigger():
    bound = limit("day", kind="date", minimum=DaysFromToday(90))
    good = one(bound, date(2027, 3, 14))
    assert good.good
    assert good.margin == (date(2027, 3, 14) - date(2027, 2, 23)).days
    assert not one(bound, date(2027, 2, 22)).good


def test_a_bound_from_an_unknown_day_is_never_held():
    finding = one(limit("day", kind="date", minimum=DaysFromToday(90)), date(2099, 1, 1), None)
    assert not finding.good
    assert finding.limit == {"min": "day of the trigger not known"}
