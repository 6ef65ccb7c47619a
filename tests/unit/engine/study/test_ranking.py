"""Scores against truth."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu

from engine.study.statistics import roc

marked = st.lists(st.tuples(st.integers(-9, 9), st.booleans()), min_size=2, max_size=60).filter(
    lambda rows: len({bad for _, bad in rows}) == 2
)


def test_the_rates_are_those_counted_by_hand():
    found = roc([1, 2, 2, 3, 4], [False, False, True, True, True])
    assert found.thresholds.tolist() == [np.inf, 4, 3, 2, 1]
    assert found.tpr == pytest.approx([0, 1 / 3, 2 / 3, 1, 1])
    assert found.fpr == pytest.approx([0, 0, 0, 0.5, 1])
    assert found.area == pytest.approx((6 - 0.5) / 6)  # one tie of six pairs
    assert (found.youden, found.best) == (pytest.approx(2 / 3), 3)


@given(rows=marked)
def test_the_area_is_that_of_mann_and_whitney_and_that_under_the_curve(rows):
    scores, truth = np.array(rows).T
    found = roc(scores, truth)
    bad, good = scores[truth == 1], scores[truth == 0]
    u = mannwhitneyu(bad, good, method="asymptotic").statistic if len(set(scores)) > 1 else None
    if u is not None:
        assert found.area == pytest.approx(u / (len(bad) * len(good)))
    assert found.area == pytest.approx(np.trapezoid(found.tpr, found.fpr))
    assert roc(-scores, truth).area == pytest.approx(1 - found.area)
    assert found.youden == pytest.approx(max(found.tpr - found.fpr))


def test_the_error_of_the_area_is_that_of_drawing_again():
    rng = np.random.default_rng(8)
    areas, errors = [], []
    for _ in range(600):
        scores = np.r_[rng.normal(1, 1, 40), rng.normal(0, 1, 60)]
        found = roc(scores, np.arange(100) < 40)
        areas.append(found.area)
        errors.append(found.area_error)
    assert np.mean(errors) == pytest.approx(np.std(areas), rel=0.08)


def test_a_score_that_parts_them_has_area_one():
    found = roc([0.1, 0.2, 0.8, 0.9], [0, 0, 1, 1])
    assert (found.area, found.area_error, found.youden, found.best) == (1.0, 0.0, 1.0, 0.8)
    assert float(found) == 1.0


@pytest.mark.parametrize(
    ("scores", "truth", "why"),
    [
        ([1, 2], [1], "equally long; got 2 and 1"),
        ([1, 2], [1, 1], "bad and good ones; got 2 bad, 0 good"),
        ([1, 2], [0, 2], "True or False"),
        ([], [], "at least 1 numbers"),
        ([1, float("nan")], [0, 1], "number 1 is nan"),
    ],
)
def test_what_cannot_be_ranked_is_refused(scores, truth, why):
    with pytest.raises(ValueError, match=why):
        roc(scores, truth)
