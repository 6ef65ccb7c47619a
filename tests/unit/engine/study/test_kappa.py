"""Kappa against published values and other programs."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.study.statistics import cohen_kappa, fleiss_kappa

FACTS = Path(__file__).parents[4] / "../shared/data/facts"

# Worked example of Fleiss' kappa, 10 subjects and 14 raters, as in the statsmodels test suite.
DIAGNOSES = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip

tables = st.integers(2, 5).flatmap(
    lambda k: st.lists(st.lists(st.integers(0, 30), min_size=k, max_size=k), min_size=k, max_size=k)
)


# Source: SAS printout in the statsmodels test suite (BSD-3-Clause).
@pytest.mark.parametrize(
    ("weights", "kappa", "ase", "low", "high", "z"),
    [
        (None, 0.4842, 0.1380, 0.2137, 0.7547, 3.2626),
        ("linear", 0.4701, 0.1457, 0.1845, 0.7558, 3.2971),
    ],
)
def test_cohen_meets_a_published_printout(weights, kappa, ase, low, high, z):
    found = cohen_kappa([[0, 4, 1], [0, 8, 0], [0, 1, 5]], weights)
    measured = (found.kappa, found.ase, found.low, found.high, found.z)
    assert measured == pytest.approx((kappa, ase, low, high, z), abs=5.1e-5)


# Reference: statsmodels 0.15.0, stats.inter_rater.cohens_kappa: kappa, std_kappa, std_kappa0,
# lower and upper limit.
@pytest.mark.parametrize(
    ("weights", "expected"),
    [
        (None, (0.6062256809, 0.0688342622, 0.0749829595, 0.4713130062, 0.7411383557)),
        ("linear", (0.6782902137, 0.0619032323, 0.0857547272, 0.5569621080, 0.7996183195)),
        ("quadratic", (0.7452966715, 0.0613806939, 0.1061018907, 0.6249927220, 0.8656006210)),
    ],
)
def test_cohen_equals_statsmodels(weights, expected):
    found = cohen_kappa([[20, 5, 1], [10, 15, 3], [2, 2, 30]], weights)
    measured = (found.kappa, found.ase, found.ase0, found.low, found.high)
    assert measured == pytest.approx(expected, abs=1e-9)


# Source: AIAG MSA manual, attribute study example (from memory), recomputed from its counts;
# the last table is a common textbook example.
@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        ([[44, 6], [3, 97]], 0.86),
        ([[45, 5], [3, 97]], 0.88),
        ([[45, 2], [3, 100]], 0.92),
        ([[20, 5], [10, 15]], 0.40),
    ],
)
def test_cohen_meets_the_trades_examples(table, kappa):
    assert cohen_kappa(table).kappa == pytest.approx(kappa, abs=0.0051)
    assert float(cohen_kappa(table)) == cohen_kappa(table).kappa


def test_fleiss_meets_the_worked_example():
    assert fleiss_kappa(DIAGNOSES).kappa == pytest.approx(0.210, abs=5e-4)
    # statsmodels 0.15.0, stats.inter_rater.fleiss_kappa
    assert fleiss_kappa(DIAGNOSES).kappa == pytest.approx(0.20993070442195522, abs=1e-12)


def test_the_tables_of_facts_are_met():
    if not FACTS.is_dir():
        pytest.skip("the folder of shared facts is not beside this checkout")
    rows = list(csv.DictReader((FACTS / "kappa_example.csv").read_text("utf-8").splitlines()))
    counts = [[int(row[f"c{i}"]) for i in range(1, 6)] for row in rows]
    assert counts == DIAGNOSES
    for row in csv.DictReader((FACTS / "kappa_cohen.csv").read_text("utf-8").splitlines()):
        table = [list(map(int, row[f"row{i}"].split())) for i in (1, 2, 3) if row[f"row{i}"]]
        found = cohen_kappa(table, "linear" if "linear" in row["name"] else None)
        assert found.kappa == pytest.approx(float(row["kappa"]), abs=5.1e-5)
    for row in csv.DictReader((FACTS / "attribute_study.csv").read_text("utf-8").splitlines()):
        cells = [int(row[n]) for n in ("both_0", "first0_second1", "first1_second0", "both_1")]
        found = cohen_kappa([cells[:2], cells[2:]])
        assert found.kappa == pytest.approx(float(row["kappa"]), abs=5.1e-3)


def test_the_error_of_fleiss_is_that_of_leaving_one_subject_out():
    """The jackknife is independent of the formula; both estimate the same error."""
    rng = np.random.default_rng(4)
    share = rng.beta(0.5, 0.5, 400)
    bad = rng.binomial(5, share)
    counts = np.column_stack([bad, 5 - bad])
    left_out = [fleiss_kappa(np.delete(counts, i, 0)).kappa for i in range(400)]
    jackknife = math.sqrt(399 / 400 * sum((k - np.mean(left_out)) ** 2 for k in left_out))
    assert fleiss_kappa(counts).ase == pytest.approx(jackknife, rel=0.01)


def test_the_error_of_fleiss_without_agreement_is_that_of_chance():
    rng = np.random.default_rng(5)
    found = [fleiss_kappa(rng.multinomial(4, (0.5, 0.3, 0.2), 60)) for _ in range(2000)]
    assert np.std([f.kappa for f in found]) == pytest.approx(found[0].ase0, rel=0.08)


def test_two_raters_give_fleiss_what_cohen_gives_with_equal_margins():
    table = [[40, 10], [10, 40]]
    counts = [[2, 0]] * 40 + [[1, 1]] * 20 + [[0, 2]] * 40
    assert fleiss_kappa(counts).kappa == pytest.approx(cohen_kappa(table).kappa)


@given(table=tables)
def test_cohen_is_the_same_whoever_is_first_and_whatever_the_classes_are_called(table):
    if np.sum(table) == 0:
        return
    turned, named = np.transpose(table), np.array(table)[::-1, ::-1]
    for weights in (None, "linear", "quadratic"):
        found = cohen_kappa(table, weights)
        if math.isnan(found.kappa):
            assert found.by_chance == pytest.approx(1.0)
            continue
        assert found.kappa <= 1 + 1e-12
        for other in (turned, named):
            again = cohen_kappa(other, weights)
            assert again.kappa == pytest.approx(found.kappa, abs=1e-9)
            assert again.ase == pytest.approx(found.ase, abs=1e-6)


@given(diagonal=st.lists(st.integers(1, 50), min_size=2, max_size=6))
def test_full_agreement_is_one(diagonal):
    assert cohen_kappa(np.diag(diagonal)).kappa == pytest.approx(1.0)
    assert cohen_kappa(np.diag(diagonal)).ase == pytest.approx(0.0, abs=1e-6)
    assert fleiss_kappa(3 * np.diag([1] * len(diagonal))).kappa == pytest.approx(1.0)


@given(rows=st.lists(st.integers(0, 6), min_size=2, max_size=40))
def test_fleiss_lies_in_its_interval_and_at_most_at_one(rows):
    found = fleiss_kappa([[k, 6 - k] for k in rows])
    if math.isnan(found.kappa):
        assert set(rows) in ({0}, {6})
    else:
        assert -0.2 - 1e-12 <= found.kappa <= 1
        assert found.low <= found.kappa <= found.high + 1e-12


def test_one_class_alone_gives_no_kappa():
    for found in (cohen_kappa([[12, 0], [0, 0]]), fleiss_kappa([[3, 0], [3, 0]])):
        assert math.isnan(found.kappa)
        assert math.isnan(found.low)
        assert found.agreement == 1.0


@pytest.mark.parametrize(
    ("table", "why"),
    [
        ([[1, 2, 3], [4, 5, 6]], "must be square"),
        ([[1, 2], [3]], "rows of equal length"),
        ([[0, 0], [0, 0]], "at least one subject"),
        ([[1.5, 0], [0, 1]], "whole numbers"),
        ([[-1, 0], [0, 1]], "whole numbers"),
        ([[float("nan"), 0], [0, 1]], "whole numbers"),
        ([], "rows and columns"),
    ],
)
def test_what_is_no_table_of_two_is_refused(table, why):
    with pytest.raises(ValueError, match=why):
        cohen_kappa(table)


@pytest.mark.parametrize(
    ("counts", "why"),
    [
        ([[3, 0], [2, 0]], "same number of raters in every row; row 0 has 3, row 1 has 2"),
        ([[1, 0], [0, 1]], "at least 2 raters"),
        ([[2, 0], [1, 1, 0]], "rows of equal length"),
    ],
)
def test_subjects_with_different_numbers_of_raters_are_refused(counts, why):
    with pytest.raises(ValueError, match=why):
        fleiss_kappa(counts)


def test_an_unknown_weight_is_refused():
    with pytest.raises(ValueError, match="weights must be `linear` or `quadratic`"):
        cohen_kappa([[1, 0], [0, 1]], "cubic")
