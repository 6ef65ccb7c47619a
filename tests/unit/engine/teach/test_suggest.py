"""What good cartons suggest as limits, and what they cannot show."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.result import CameraResult, StepResult
from engine.teach.asked import bounds_to_write, side_of, suggestions_for
from engine.teach.suggest import Spread, coverage_of, spreads, suggest, what_cannot_be_claimed
from tests.generators.plans import limit, plan, planned


def spread(numbers, unit="", kind="number", **more):
    by_trigger = {i + 1: float(v) for i, v in enumerate(numbers)}
    return Spread("top.lid.level", unit, kind, by_trigger, (), 0, more.get("limit"))


def normal(count=20, mean=10.0, sd=1.0, seed=1):
    return np.random.default_rng(seed).normal(mean, sd, count)


def test_normal_values_give_the_mean_and_seven_spreads():
    values = normal()
    found = suggest(spread(values), low=True, high=True)
    assert found.low == pytest.approx(values.mean() - 7 * values.std(ddof=1), abs=0.2)
    assert found.high == pytest.approx(values.mean() + 7 * values.std(ddof=1), abs=0.2)
    assert found.sound
    assert found.reason == (
        "mean ± 7 s: holds 99.99 % of good cartons with 95 % confidence, if normal"
    )


def test_skewed_positive_values_are_looked_at_on_another_scale():
    narrow = np.exp(normal(60, 0.0, 0.2, seed=5))
    found = suggest(spread(narrow), low=False, high=True)
    logs = np.log(narrow)
    assert "logarithm" in found.reason
    assert math.log(found.high) == pytest.approx(logs.mean() + 7 * logs.std(ddof=1), abs=0.05)
    wide = normal(60, 1.0, 0.35, seed=3) ** 2
    assert "square root" in suggest(spread(wide), low=False, high=True).reason
    assert "of the" not in suggest(spread(narrow), low=True, high=True).reason


def test_values_that_are_not_normal_show_only_what_their_extremes_show():
    values = [*np.linspace(0, 1, 18), 30, 31]
    found = suggest(spread(values), low=False, high=True)
    assert not found.sound
    assert found.high == pytest.approx(31)
    assert found.reason == (
        "not normal: the largest of 20 holds 86 % of good cartons with 95 % confidence; "
        "299 would show 99 %"
    )


def test_enough_values_that_are_not_normal_give_a_sound_limit():
    values = np.random.default_rng(2).uniform(0, 1, 400) ** 4
    found = suggest(spread([*values, 3, 3]), low=False, high=True)
    assert found.sound
    assert "by rank alone: holds 99 %" in found.reason


def test_a_spread_smaller_than_the_grain_of_the_unit_is_raised():
    found = suggest(spread(normal(20, 10, 1e-4), unit="mm"), low=False, high=True)
    assert found.high == pytest.approx(10 + 7 * 0.02, abs=0.01)
    assert "floor" in found.reason


@pytest.mark.parametrize(
    ("values", "more", "reason"),
    [
        ([1, 1, 1, 2] * 5, {"kind": "whole"}, "count"),
        ([1.0] * 20, {}, "all 20 are equal"),
        ([1.0, 2.0, 3.0], {}, "only 3 cartons"),
        ([0.5, 9.5] * 10, {"unit": "good spreads"}, "farthest of 20 is 9.5"),
    ],
)
def test_where_nothing_can_be_suggested_it_says_why(values, more, reason):
    found = suggest(spread(values, **more), low=False, high=True)
    assert (found.low, found.high, found.sound) == (None, None, False)
    assert reason in found.reason


def test_values_in_spreads_of_good_cartons_have_their_usual_limit():
    found = suggest(spread([0.1, 3.0] * 10, unit="good spreads"), low=False, high=True)
    assert (found.high, found.sound) == (8.0, True)


def test_a_text_suggests_nothing():
    assert suggest(spread([]), low=True, high=True) is None


@given(st.lists(st.floats(0.01, 1e6), min_size=10, max_size=40))
def test_a_suggestion_never_rejects_a_carton_it_was_made_of(values):
    found = suggest(spread(values), low=True, high=True)
    if found.low is None:
        assert "equal" in found.reason
    else:
        assert found.low <= min(values) * (1 + 1e-9)
        assert found.high >= max(values) * (1 - 1e-9)


def test_coverage_undoes_the_tolerance_factor():
    """k = 2.76 for 95 %, 20 values, 95 % confidence: ISO 16269-6, table of two-sided factors."""
    assert coverage_of(2.76, 20, 2) == pytest.approx(0.95, abs=0.001)


def test_what_twenty_cartons_cannot_show_is_said():
    said = what_cannot_be_claimed(20)
    assert "The largest of 20 cartons holds 86 %" in said
    assert "59 would show 95 %, 299 would show 99 %" in said
    assert "would show" not in what_cannot_be_claimed(300)


def rows(values):
    return {
        i + 1: (CameraResult("top", (StepResult("top", "lid", {"level": v, "word": "ok"}),)),)
        for i, v in enumerate(values)
    }


LIMITED = plan(planned("lid", limits=(limit(maximum=5.0),)))


def test_values_are_gathered_by_carton():
    found = spreads(LIMITED, rows([1.0, None, 3.0]))
    assert found[0].by_trigger == {1: 1.0, 3: 3.0}
    assert (found[0].missing, found[0].limit.maximum) == (1, 5.0)
    assert found[1].others == ("ok",)


def test_only_the_sides_that_a_limit_has_are_suggested_unless_one_is_asked_for():
    found = spreads(LIMITED, rows(normal()))
    (own,) = suggestions_for(LIMITED, found, [], set())
    assert (own.low, own.high is None) == (None, False)
    (asked,) = suggestions_for(LIMITED, found, ["top.lid.level.min"], set())
    assert (asked.low is None, asked.high) == (False, None)
    assert side_of("top.lid.level.min") == ("top.lid.level", ("min",))
    assert side_of("top.lid.max") == ("top.lid.max", ())


def test_bounds_are_written_only_for_sound_suggestions():
    found = spreads(LIMITED, rows(normal()))
    sound = suggestions_for(LIMITED, found, [], set())
    bounds, refused = bounds_to_write(sound, ["top.lid.level"], set())
    assert [(b.side, b.value) for b in bounds] == [("max", sound[0].high)]
    assert refused == []
    few = suggestions_for(LIMITED, spreads(LIMITED, rows([1.0, 2.0])), [], set())
    bounds, refused = bounds_to_write(few, ["top.lid.level"], set())
    assert bounds == []
    assert refused == ["top.lid.level: only 2 cartons: nothing can be said"]


def test_all_taught_means_the_steps_taught_just_now():
    sound = suggestions_for(LIMITED, spreads(LIMITED, rows(normal())), [], set())
    assert bounds_to_write(sound, ["all-taught"], set()) == ([], [])
    bounds, _ = bounds_to_write(sound, ["all-taught"], {"top.lid"})
    assert len(bounds) == 1
