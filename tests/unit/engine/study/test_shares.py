"""How many cartons a claim needs, and one-sided bounds."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from engine.study.statistics import lower_bound, sample_size_for_claim, upper_bound, zero_failure_n

FACTS = Path(__file__).parents[4] / "../shared/data/facts"


# 29 of 29: C. Annis, pages on statistical engineering; the others computed from (1 - c) = p^n.
@pytest.mark.parametrize(
    ("p", "confidence", "n"),
    [(0.9, 0.95, 29), (0.95, 0.95, 59), (0.99, 0.95, 299), (0.999, 0.95, 2995), (0.9, 0.9, 22),
     (0.5, 0.75, 2), (0.9, 0.19, 2), (0.1, 0.95, 2)],
)  # fmt: skip
def test_the_number_without_a_failure(p, confidence, n):
    assert zero_failure_n(p, confidence) == n


@given(p=st.floats(0.01, 0.9999), confidence=st.floats(0.01, 0.9999))
def test_the_number_is_the_smallest(p, confidence):
    n = zero_failure_n(p, confidence)
    assert p**n <= (1 - confidence) * (1 + 1e-9)
    assert n == 1 or p ** (n - 1) > (1 - confidence) * (1 - 1e-9)


def test_the_tables_of_facts_are_met():
    if not FACTS.is_dir():
        pytest.skip("the folder of shared facts is not beside this checkout")
    for row in csv.DictReader((FACTS / "zero_failure.csv").read_text("utf-8").splitlines()):
        n, misses = int(row["n"]), int(row["misses"])
        shown = lower_bound(n - misses, n, 0.95)
        assert shown == pytest.approx(float(row["lower_95_one_sided_pod"]), abs=5.1e-6)
        assert (shown >= 0.9) == (n >= sample_size_for_claim(0.9, 0.95, misses).n)
    for row in csv.DictReader((FACTS / "rule_of_three.csv").read_text("utf-8").splitlines()):
        found = upper_bound(0, int(row["n"]), 0.95)
        assert found == pytest.approx(float(row["exact_upper_95"]), rel=1e-9)


# 45 of 46 and 59 of 61 show 90 % at 95 % (quantiles of the beta distribution).
@pytest.mark.parametrize(("misses", "n"), [(0, 29), (1, 46), (2, 61), (3, 76)])
def test_a_claim_in_spite_of_misses(misses, n):
    assert sample_size_for_claim(0.9, 0.95, misses).n == n
    assert (
        beta.ppf(0.05, n - misses, misses + 1) >= 0.9 > beta.ppf(0.05, n - 1 - misses, misses + 1)
    )


def test_what_is_done_already_counts():
    claim = sample_size_for_claim(0.9, 0.95, failures=1, done=30)
    assert (claim.n, claim.more) == (46, 16)
    assert claim.shown == pytest.approx(beta.ppf(0.05, 29, 2))
    assert sample_size_for_claim(0.9, 0.95, done=40).more == 0
    assert sample_size_for_claim(0.9, 0.95).shown is None


@given(share=st.floats(0.05, 0.999), confidence=st.floats(0.5, 0.999), failures=st.integers(0, 6))
def test_the_claim_holds_at_its_number_and_not_one_below(share, confidence, failures):
    n = sample_size_for_claim(share, confidence, failures).n
    assert lower_bound(n - failures, n, confidence) >= share - 1e-7
    if n - 1 > failures:
        assert lower_bound(n - 1 - failures, n - 1, confidence) < share + 1e-7


@pytest.mark.parametrize(
    ("call", "why"),
    [
        (lambda: zero_failure_n(1.0), "p must lie between 0 and 1"),
        (lambda: zero_failure_n(0.9, 1.0), "confidence must lie between 0 and 1"),
        (lambda: sample_size_for_claim(0.9, failures=-1), "failures must be at least 0"),
        (lambda: sample_size_for_claim(0.9, failures=5, done=4), "at most done = 4; got 5"),
        (lambda: sample_size_for_claim(0.9, done=1.5), "done is a count"),
    ],
)
def test_what_is_no_claim_is_refused(call, why):
    with pytest.raises(ValueError, match=why):
        call()
