"""Capability against its definitions and against simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, norm

from engine.study.statistics import cp_cpk


def test_the_middle_of_the_limits_gives_equal_figures():
    found = cp_cpk(mean=10, sd=0.5, lsl=8, usl=12)
    assert found.cp == found.cpk == found.cpl == found.cpu == pytest.approx(4 / 3)
    assert found.k == 0
    assert found.cpk_interval is found.cp_interval is None


def test_a_mean_off_the_middle_lowers_cpk_by_k():
    found = cp_cpk(mean=11, sd=0.5, lsl=8, usl=12)
    assert found.k == pytest.approx(0.5)
    assert (found.cpl, found.cpu) == pytest.approx((2.0, 2 / 3))
    assert found.cpk == pytest.approx(found.cp * (1 - found.k)) == float(found)


def test_a_mean_beyond_a_limit_gives_a_cpk_below_nothing():
    found = cp_cpk(mean=13, sd=1, lsl=8, usl=12)
    assert found.cpk == pytest.approx(-1 / 3)
    assert found.k == pytest.approx(1.5)


def test_one_limit_gives_cpk_alone():
    upper, lower = cp_cpk(0.2, 0.1, usl=0.8), cp_cpk(0.9, 0.02, lsl=0.8)
    assert upper.cpk == upper.cpu == pytest.approx(2.0)
    assert upper.cp is upper.k is upper.cpl is None
    assert lower.cpk == lower.cpl == pytest.approx(0.1 / 0.06)
    assert cp_cpk(0.2, 0.1, usl=0.8, n=30).cp_interval is None


def test_the_interval_of_cp_is_that_of_the_spread():
    """NIST/SEMATECH e-Handbook, 6.1.6: Cp sqrt(chi2 / nu); quantiles from scipy.stats."""
    found = cp_cpk(10, 0.5, 8, 12, n=50, confidence=0.95)
    expected = 4 / 3 * np.sqrt(chi2.ppf([0.025, 0.975], 49) / 49)
    assert found.cp_interval == pytest.approx(tuple(expected))


def test_the_interval_of_cpk_is_the_usual_approximation():
    """NIST/SEMATECH e-Handbook, 6.1.6; the quantile from scipy.stats."""
    found = cp_cpk(11, 0.5, 8, 12, n=50, confidence=0.9)
    half = norm.ppf(0.95) * np.sqrt(1 / (9 * 50) + (2 / 3) ** 2 / (2 * 49))
    assert found.cpk_interval == pytest.approx((2 / 3 - half, 2 / 3 + half))


def test_the_intervals_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(11)
    held = np.zeros(2)
    for _ in range(2000):
        x = rng.normal(0.5, 1, 40)
        found = cp_cpk(x.mean(), x.std(ddof=1), -4, 4, n=40, confidence=0.9)
        truth = (8 / 6, 3.5 / 3)
        both = (found.cp_interval, found.cpk_interval)
        held += [low <= t <= high for t, (low, high) in zip(truth, both, strict=True)]
    assert held / 2000 == pytest.approx([0.9, 0.9], abs=0.025)


@given(
    mean=st.floats(-50, 50), sd=st.floats(0.1, 10), middle=st.floats(-50, 50),
    half=st.floats(0.1, 50), factor=st.floats(0.01, 100),
)  # fmt: skip
def test_another_unit_changes_nothing_and_cpk_is_never_above_cp(mean, sd, middle, half, factor):
    lsl, usl = middle - half, middle + half
    one = cp_cpk(mean, sd, lsl, usl)
    other = cp_cpk(mean * factor, sd * factor, lsl * factor, usl * factor)
    assert other.cp == pytest.approx(one.cp, rel=1e-6)
    assert other.cpk == pytest.approx(one.cpk, rel=1e-6, abs=1e-6)
    assert one.cpk <= one.cp + 1e-9
    assert one.cpk == pytest.approx(one.cp * (1 - one.k), abs=1e-6)


@pytest.mark.parametrize(
    ("named", "why"),
    [
        ({"mean": 1, "sd": 0, "lsl": 0}, "sd must be above 0"),
        ({"mean": 1, "sd": 1}, "at least one of lsl and usl"),
        ({"mean": 1, "sd": 1, "lsl": 2, "usl": 2}, "lsl must lie below usl"),
        ({"mean": 1, "sd": 1, "lsl": 0, "n": 1}, "n must be at least 2"),
        ({"mean": float("nan"), "sd": 1, "lsl": 0}, "mean must be a finite number"),
        ({"mean": 1, "sd": 1, "lsl": 0, "n": 9, "confidence": 1}, "confidence must lie between"),
    ],
)
def test_what_gives_no_capability_is_refused(named, why):
    with pytest.raises(ValueError, match=why):
        cp_cpk(**named)
