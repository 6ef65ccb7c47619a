"""Control charts against published examples."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.study.statistics import ewma, individuals

FACTS = Path(__file__).parents[4] / "../shared/data/facts"
values = st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=50)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4
X = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
     49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
Z = [50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
     50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_ewma_meets_the_published_example():
    chart = ewma(X, lam=0.3, target=50, sigma=2.0539, k=3)
    assert chart.z == pytest.approx(Z, abs=0.0101)  # the page rounds as it goes
    assert chart.ucl == pytest.approx(52.5884, abs=5.1e-5)
    assert chart.lcl == pytest.approx(47.4115, abs=1.1e-4)  # the page truncates
    assert chart.out_of_last == ()


def test_individuals_meet_the_published_example():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2."""
    chart = individuals(X[10:])
    measured = (chart.mean, chart.mean_range, chart.ucl, chart.lcl)
    assert measured == pytest.approx((50.81, 1.8778, 55.8041, 45.8159), abs=5.1e-5)
    assert chart.range_ucl == pytest.approx(3.267 * 1.8778, abs=1e-3)
    assert chart.out == chart.range_out == ()


def test_the_tables_of_facts_are_met():
    if not FACTS.is_dir():
        pytest.skip("the folder of shared facts is not beside this checkout")

    def table(name):
        return list(csv.DictReader((FACTS / name).read_text("utf-8").splitlines()))

    rows = table("ewma_example.csv")
    chart = ewma([float(r["x"]) for r in rows if r["x"]], 0.3, 50, 2.0539, 3)
    published = [float(r["ewma_published"]) for r in rows if r["x"]]
    assert chart.z == pytest.approx(published, abs=0.0101)
    expected = {r["quantity"]: float(r["value"]) for r in table("ewma_expected.csv")}
    assert chart.lcl == pytest.approx(expected["LCL computed"], abs=5.1e-6)
    assert chart.ucl == pytest.approx(expected["UCL published"], abs=5.1e-5)
    chart = individuals([float(r["x"]) for r in table("imr_example.csv")])
    expected = {r["quantity"]: float(r["value"]) for r in table("imr_expected.csv")}
    assert chart.mean_range == pytest.approx(expected["mean moving range"], abs=5.1e-5)
    assert (chart.ucl, chart.lcl) == pytest.approx((expected["UCL"], expected["LCL"]), abs=5.1e-5)
    of_two = table("control_chart_constants.csv")[0]
    assert chart.sigma == pytest.approx(chart.mean_range / float(of_two["d2"]))
    assert chart.range_ucl == pytest.approx(chart.mean_range * float(of_two["D4"]))


def test_the_limits_are_narrow_at_the_start_and_wide_in_the_end():
    chart = ewma(np.zeros(400), lam=0.2, target=1.0, sigma=2.0, k=3.0)
    assert chart.upper[0] == pytest.approx(1 + 3 * 2 * 0.2)  # the spread of lam x alone
    assert (np.diff(chart.upper) >= 0).all()
    assert chart.upper[-1] == pytest.approx(chart.ucl)
    assert chart.ucl == pytest.approx(1 + 3 * 2 * np.sqrt(0.2 / 1.8))
    assert chart.upper + chart.lower == pytest.approx(np.full(400, 2.0))


def test_a_small_shift_is_found_where_no_single_value_is_out():
    shifted = np.r_[np.zeros(10), np.full(30, 1.5)]
    chart = ewma(shifted, lam=0.2, target=0.0, sigma=1.0)
    assert np.abs(shifted).max() < 3
    assert chart.out
    assert chart.out[0] > 10
    assert set(chart.out_of_last) <= set(chart.out)


def test_a_jump_is_out_as_value_and_as_range():
    chart = individuals([1, 2, 1, 2, 1, 2, 1, 2, 30, 2, 1, 2, 1, 2, 1, 2])
    assert chart.out == (8,)
    assert chart.range_out == (7, 8)


def test_values_that_never_change_are_never_out():
    chart = individuals([0.1] * 10)
    assert (chart.sigma, chart.out, chart.range_out) == (0.0, (), ())


@given(x=values, lam=st.floats(0.01, 1))
def test_the_average_is_the_weighted_sum(x, lam):
    chart = ewma(x, lam, target=3.0, sigma=1.0)
    n = len(x)
    weights = lam * (1 - lam) ** np.arange(n)[::-1]
    expected = float(weights @ np.array(x)) + (1 - lam) ** n * 3.0
    assert chart.z[-1] == pytest.approx(expected, rel=1e-9, abs=1e-6)


@given(x=values, move=st.floats(-1e3, 1e3))
def test_moved_values_move_the_chart(x, move):
    one, other = individuals(x), individuals(np.array(x) + move)
    assert other.mean == pytest.approx(one.mean + move, rel=1e-9, abs=1e-6)
    assert other.mean_range == pytest.approx(one.mean_range, rel=1e-6, abs=1e-6)


@given(x=values)
def test_weight_one_is_the_values_themselves(x):
    assert ewma(x, 1.0, target=0.0, sigma=1.0).z.tolist() == x


@pytest.mark.parametrize(
    ("named", "why"),
    [
        ({"x": [], "lam": 0.2}, "x needs at least 1 numbers"),
        ({"x": [1], "lam": 0}, "lam must lie above 0 and be at most 1; got 0"),
        ({"x": [1], "lam": 1.1}, "lam must lie above 0"),
        ({"x": [1], "lam": 0.2, "sigma": 0}, "sigma must be above 0"),
        ({"x": [1], "lam": 0.2, "k": -3}, "k must be above 0"),
        ({"x": [1, float("inf")], "lam": 0.2}, "number 1 is inf"),
        ({"x": [1], "lam": 0.2, "target": float("nan")}, "target must be a finite number"),
    ],
)
def test_what_gives_no_average_is_refused(named, why):
    with pytest.raises(ValueError, match=why):
        ewma(**named)


@pytest.mark.parametrize(
    ("x", "why"),
    [([1.0], "at least 2 numbers; got 1"), ([[1, 2]], "one row"), (["a", 1], "must be numbers")],
)
def test_what_gives_no_chart_is_refused(x, why):
    with pytest.raises(ValueError, match=why):
        individuals(x)


def test_results_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        individuals([1, 2, 3]).x[0] = 5
