"""Choosing sizes, fitting what was caught, and naming limits that nothing tests."""

import json

import numpy as np
import pytest

from engine.report.stress_page import stress_page
from engine.study.camera_look import Look
from engine.study.defects import DEFECTS
from engine.study.stress_json import stress_json
from engine.study.stress_results import (
    Curve,
    Example,
    LimitUnderTest,
    Stress,
    Trial,
)
from engine.study.stress_sizes import next_span, spread

KEY = "front.label.shift_mm"


def trial(size, hit=True, right=None, broken=(KEY,)):
    right = hit if right is None else right
    return Trial(1, size, hit, right, broken if hit else (), "label shifted" if hit else "")


def curve_of(trials, name="shifted"):
    curve = Curve("front", "label", "locate", DEFECTS[name])
    picture = np.zeros((20, 30, 3), np.uint8)
    for t in trials:
        curve.take(t, lambda t=t: Example(t, picture, picture))
    curve.bare = [trial(0.0, hit=False) for _ in range(5)]
    curve.fit()
    return curve


def stress_of(*curves, left_out=None):
    limits = (
        LimitUnderTest(KEY, "front.label", "shift_mm", "label <b>shifted</b>", {"max": 2.5}, ()),
        LimitUnderTest("front.label.turn_deg", "front.label", "turn_deg", "turned", {"max": 3}, ()),
    )
    return Stress("tea", "Tea", "tea@0", 1, 60, (1, 2), left_out or {},
                  {"front": Look(0.7, (128.0,), (0.4,))}, curves, (), (), limits, True)  # fmt: skip


def grown(middle=2.5, seed=0):
    """Trials whose detection grows around a size."""
    rng = np.random.default_rng(seed)
    sizes = rng.uniform(1.5, 4, 80)
    return [trial(float(s), hit=bool(s > middle + rng.logistic(0, 0.12))) for s in sizes]


def test_first_sizes_cover_the_whole_span():
    span = next_span([], (0.2, 12.0), DEFECTS["shifted"])
    sizes = spread(span, 20, True, np.random.default_rng(1))
    assert span == (0.2, 12.0)
    assert 0.2 <= min(sizes) < 0.25
    assert 9 < max(sizes) <= 12.0
    assert sizes == sorted(sizes)


def test_later_sizes_lie_where_it_is_decided():
    trials = [trial(1.0, hit=False), trial(2.0, hit=False), trial(3.0), trial(8.0)]
    low, high = next_span(trials, (0.2, 12.0), DEFECTS["shifted"])
    assert 1.0 < low < 2.0
    assert 3.0 < high < 5.0


def test_smaller_ones_are_tried_where_all_were_caught_and_larger_where_none_was():
    defect = DEFECTS["shifted"]
    assert next_span([trial(0.3), trial(5.0)], (0.2, 12.0), defect)[0] < 0.1
    assert next_span([trial(5.0, hit=False)], (0.2, 12.0), defect)[1] == 12.0


def test_the_fit_finds_the_size_at_which_half_are_caught():
    curve = curve_of(grown())
    assert curve.right_fit is not None
    assert curve.right_fit.a50 == pytest.approx(2.5, abs=0.15)
    assert curve.right_fit.false_calls == (0, 5)
    assert curve.detection(1.6) < 0.1
    assert curve.detection(3.9) > 0.95


def test_a_catch_by_another_step_is_no_catch_for_the_right_reason():
    trials = [trial(s, right=False, broken=("front.print.difference",)) for s in (1.0, 2.0, 3.0)]
    curve = curve_of(trials)
    assert curve.any_fit.hits == 3
    assert curve.right_fit.hits == 0
    assert curve.caught is None
    assert curve.missed is None


def test_examples_are_the_smallest_caught_and_the_largest_missed():
    curve = curve_of([trial(3.0), trial(2.0, hit=False), trial(2.6), trial(2.4, hit=False)])
    assert curve.caught.trial.size == 2.6
    assert curve.missed.trial.size == 2.4


def test_a_limit_that_nothing_broke_is_named():
    stress = stress_of(curve_of(grown()))
    assert [limit.key for limit in stress.untested] == ["front.label.turn_deg"]
    page = stress_page(stress)
    assert "Nothing tests this limit" in page
    assert "front.label.turn_deg" in page


def test_the_page_stands_alone_and_shows_texts_as_they_are():
    page = stress_page(stress_of(curve_of(grown()), left_out={7: "print <differs>"}))
    assert "label &lt;b&gt;shifted&lt;/b&gt;" in page
    assert "print &lt;differs&gt;" in page
    assert "http" not in page
    assert 'src="data:image/jpeg' in page


def test_figures_survive_json():
    data = json.loads(json.dumps(stress_json(stress_of(curve_of(grown()))), allow_nan=False))
    assert data["nothing_tests"] == ["front.label.turn_deg"]
    assert data["defects"][0]["right_reason"]["a50"] == pytest.approx(2.5, abs=0.15)
    assert len(data["defects"][0]["trials"]) == 80


def test_a_defect_that_cannot_be_made_is_said_and_not_plotted():
    curve = Curve("front", "label", "locate", DEFECTS["modules"], why_none="nothing of its kind")
    page = stress_page(stress_of(curve))
    assert "Not made: nothing of its kind" in page
