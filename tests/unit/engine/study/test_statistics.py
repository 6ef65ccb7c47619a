"""Intervals of shares, against published values and scipy."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from engine.study.statistics import clopper_pearson, wilson

FACTS = Path(__file__).parents[4] / "../shared/data/facts/proportion_ci.csv"
METHODS = {"Clopper-Pearson": clopper_pearson, "Wilson": wilson}


# Sources: R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872 (from memory, reproduced with
# scipy); SciPy documentation, example of BinomTestResult.proportion_ci; statsmodels test suite.
@pytest.mark.parametrize(
    ("method", "k", "n", "low", "high", "digits"),
    [
        (clopper_pearson, 81, 263, 0.2527, 0.3676, 4),
        (wilson, 81, 263, 0.2553, 0.3662, 4),
        (clopper_pearson, 0, 20, 0.0, 0.1684, 4),
        (wilson, 0, 20, 0.0, 0.1611, 4),
        (clopper_pearson, 7, 50, 0.05819170033997342, 0.26739600249700846, 12),
        (wilson, 19, 38, 0.348499283643951, 0.651500716356049, 12),
    ],
)
def test_published_intervals_are_met(method, k, n, low, high, digits):
    assert method(k, n) == pytest.approx((low, high), abs=0.5001 * 10**-digits)


def test_the_table_of_facts_is_met():
    if not FACTS.is_file():
        pytest.skip("the folder of shared facts is not beside this checkout")
    lines = FACTS.read_text(encoding="utf-8").splitlines()
    rows = [row for row in csv.DictReader(lines) if row["method"] in METHODS]
    assert len(rows) >= 6
    for row in rows:
        found = METHODS[row["method"]](int(row["k"]), int(row["n"]), float(row["confidence"]))
        assert found == pytest.approx((float(row["low"]), float(row["high"])), abs=5.1e-5)


@given(data=st.data(), n=st.integers(1, 5000), confidence=st.floats(0.5, 0.9999))
def test_both_equal_scipy(data, n, confidence):
    k = data.draw(st.integers(0, n))
    test = binomtest(k, n)
    exact = test.proportion_ci(confidence, method="exact")
    score = test.proportion_ci(confidence, method="wilson")
    assert clopper_pearson(k, n, confidence) == pytest.approx((exact.low, exact.high), abs=1e-8)
    assert wilson(k, n, confidence) == pytest.approx((score.low, score.high), abs=1e-9)


@given(data=st.data(), n=st.integers(1, 2000))
def test_an_interval_holds_the_share_and_turns_over_with_it(data, n):
    k = data.draw(st.integers(0, n))
    for method in METHODS.values():
        low, high = method(k, n)
        assert 0 <= low <= k / n <= high <= 1
        assert method(n - k, n) == pytest.approx((1 - high, 1 - low), abs=1e-9)


@pytest.mark.parametrize("method", METHODS.values())
@pytest.mark.parametrize(
    ("k", "n", "confidence", "why"),
    [
        (0, 0, 0.95, "n must be at least 1; got 0"),
        (-1, 5, 0.95, "k must lie between 0 and n = 5; got -1"),
        (6, 5, 0.95, "k must lie between 0 and n = 5; got 6"),
        (1.5, 5, 0.95, "counts, whole numbers; got k = 1.5"),
        (1, 5, 1.0, "confidence must lie between 0 and 1"),
        (1, 5, float("nan"), "confidence must lie between 0 and 1"),
    ],
)
def test_numbers_that_make_no_share_are_refused(method, k, n, confidence, why):
    with pytest.raises(ValueError, match=why):
        method(k, n, confidence)
