"""Tolerance intervals against published tables and simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct, norm

from engine.study.statistics import (
    distribution_free_bounds,
    distribution_free_coverage,
    distribution_free_n,
    tolerance_factor,
)


# P. M. Berthouex, L. C. Brown: Statistics for environmental engineers, table 21.1 (95 %
# confidence; two decimals) for coverages of 90, 95 and 99 %.
@pytest.mark.parametrize(
    ("n", "published"),
    [
        (4, (5.37, 6.34, 8.22)), (5, (4.29, 5.08, 6.60)), (6, (3.73, 4.42, 5.76)),
        (7, (3.39, 4.02, 5.24)), (8, (3.16, 3.75, 4.89)), (9, (2.99, 3.55, 4.63)),
        (10, (2.86, 3.39, 4.44)), (12, (2.67, 3.17, 4.16)), (20, (2.32, 2.76, 3.62)),
        (25, (2.22, 2.64, 3.46)), (40, (2.06, 2.45, 3.22)), (60, (1.96, 2.34, 3.07)),
    ],
)  # fmt: skip
def test_two_sided_factors_meet_a_published_table(n, published):
    found = [tolerance_factor(n, coverage) for coverage in (0.90, 0.95, 0.99)]
    assert found == pytest.approx(published, abs=0.0061)


# n = 50: table of the NRC report and a public program, 2.064993; n = 43 from NIST/SEMATECH
# e-Handbook 7.2.6.3; n = 40: public worked example, 1.9017; the others from memory.
@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "published"),
    [
        (50, 0.95, 0.95, 2.065), (43, 0.90, 0.99, 1.8740), (40, 0.90, 0.99, 1.9017),
        (10, 0.95, 0.95, 2.911), (20, 0.95, 0.95, 2.396), (30, 0.95, 0.95, 2.220),
    ],
)  # fmt: skip
def test_one_sided_factors_meet_published_ones(n, coverage, confidence, published):
    assert tolerance_factor(n, coverage, confidence, sides=1) == pytest.approx(published, abs=6e-4)


def test_the_two_sided_factor_lies_near_howes_approximation():
    """NIST/SEMATECH e-Handbook 7.2.6.3: Howe's factor for n = 43, 90 %, 99 % is 2.217."""
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=0.007)


def test_so_much_is_inside_as_often_as_it_says():
    rng = np.random.default_rng(3)
    x = rng.normal(size=(20000, 12))
    mean, sd = x.mean(axis=1), x.std(axis=1, ddof=1)
    for sides in (1, 2):
        k = tolerance_factor(12, 0.9, 0.95, sides)
        inside = norm.cdf(mean + k * sd) - (norm.cdf(mean - k * sd) if sides == 2 else 0)
        assert (inside >= 0.9).mean() == pytest.approx(0.95, abs=0.006)


@settings(deadline=None, max_examples=30)
@given(n=st.integers(2, 300), coverage=st.floats(0.05, 0.999), confidence=st.floats(0.05, 0.999))
def test_more_values_need_less_and_more_coverage_needs_more(n, coverage, confidence):
    k = tolerance_factor(n, coverage, confidence)
    assert k > 0
    assert tolerance_factor(n, (1 + coverage) / 2, confidence) > k
    if confidence > 0.8:
        assert tolerance_factor(2 * n, coverage, confidence) < k
    one = tolerance_factor(n, coverage, confidence, sides=1)
    assert nct.cdf(one * n**0.5, n - 1, norm.ppf(coverage) * n**0.5) == pytest.approx(
        confidence, abs=1e-5
    )


# S. S. Wilks (1941) and every table since: 59 and 93 for 95/95, 29 and 46 for 90/95, 299 and 473
# for 99/95 (from memory).
@pytest.mark.parametrize(
    ("coverage", "one", "two"), [(0.90, 29, 46), (0.95, 59, 93), (0.99, 299, 473)]
)
def test_wilks_numbers_are_met(coverage, one, two):
    assert distribution_free_n(coverage, 0.95, sides=1) == one
    assert distribution_free_n(coverage, 0.95, sides=2) == two


@given(coverage=st.floats(0.01, 0.999), confidence=st.floats(0.01, 0.999), sides=st.integers(1, 2))
def test_the_number_is_the_smallest_that_reaches_the_coverage(coverage, confidence, sides):
    n = distribution_free_n(coverage, confidence, sides)
    assert distribution_free_coverage(n, confidence, sides) >= coverage - 1e-9
    if n > sides:
        assert distribution_free_coverage(n - 1, confidence, sides) < coverage + 1e-9


def test_twenty_good_cartons_bound_little():
    """1 - confidence = p^20 for one side, 20 p^19 - 19 p^20 for two."""
    one, two = (distribution_free_coverage(20, 0.95, sides) for sides in (1, 2))
    assert one**20 == pytest.approx(0.05)
    assert 20 * two**19 - 19 * two**20 == pytest.approx(0.05)


def test_bounds_are_order_statistics_and_as_tight_as_allowed():
    x = np.arange(473.0)
    both = distribution_free_bounds(x, 0.95)
    assert both.lower == 472 - both.upper == both.rank - 1
    assert both.rank > 1
    assert both.confidence >= 0.95
    assert distribution_free_bounds(x, 0.99).rank == 1
    upper = distribution_free_bounds(x, 0.95, side="upper")
    assert upper.lower is None
    assert upper.upper < 472
    assert distribution_free_bounds(-x, 0.95, side="lower").lower == -upper.upper


@settings(deadline=None, max_examples=20)
@given(n=st.integers(59, 400), seed=st.integers(0, 99))
def test_the_confidence_of_bounds_is_that_of_a_binomial(n, seed):
    from scipy.stats import binom

    x = np.random.default_rng(seed).exponential(size=n)
    found = distribution_free_bounds(x, 0.95, 0.95, "upper")
    assert found.confidence == pytest.approx(binom.cdf(n - found.rank, n, 0.95), abs=1e-9)
    assert found.upper == np.sort(x)[n - found.rank]
    assert binom.cdf(n - found.rank - 1, n, 0.95) < 0.95


@pytest.mark.parametrize(
    ("call", "why"),
    [
        (lambda: tolerance_factor(1, 0.95), "n must be at least 2"),
        (lambda: tolerance_factor(10, 1.0), "coverage must lie between 0 and 1"),
        (lambda: tolerance_factor(10, 0.9, 0), "confidence must lie between 0 and 1"),
        (lambda: tolerance_factor(10, 0.9, sides=3), "sides must be 1 or 2"),
        (lambda: distribution_free_coverage(1), "n must be at least 2"),
        (lambda: distribution_free_bounds(range(20), 0.95), "20 values are too few.*takes 93"),
        (lambda: distribution_free_bounds(range(99), 0.95, side="up"), "side must be `both`"),
    ],
)
def test_what_makes_no_claim_is_refused(call, why):
    with pytest.raises(ValueError, match=why):
        call()
