"""Agreement studies: figures against the trade's example and against counting by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.study.agreement import Part, agreement, band
from engine.study.statistics import cohen_kappa, fleiss_kappa

decisions = st.lists(st.booleans(), min_size=12, max_size=12).map(lambda d: dict(enumerate(d)))


def trials(missed, alarmed, same_bad=45, same_good=97):
    """50 cartons, three trials: 16 bad, 34 good; so many chances missed and falsely alarmed."""
    truth = {c: c < 16 for c in range(50)}
    found = [dict(truth) for _ in range(3)]
    chances = [(t, c) for c in range(16) for t in range(3)]
    for t, c in chances[:missed]:
        found[t][c] = False
    for t, c in [(t, c) for c in range(16, 50) for t in range(3)][:alarmed]:
        found[t][c] = True
    return truth, found


def test_the_trades_example_is_met():
    """AIAG MSA manual, attribute study, appraiser A (from memory): miss 6.25 %, false 4.9 %."""
    truth, found = trials(missed=3, alarmed=5)
    one = agreement({"A": found}, truth).setups[0]
    assert one.missed == Part(3, 48)
    assert one.missed.share == pytest.approx(0.0625)
    assert one.false_alarms == Part(5, 102)
    assert one.false_alarms.share == pytest.approx(0.049, abs=5e-4)
    assert one.against_reference.kappa == pytest.approx(0.88, abs=0.0051)
    assert one.bands["miss rate"] == "unacceptable"
    assert one.bands["false alarm rate"] == "acceptable"
    assert one.trials == 3


def test_the_bands_are_those_of_practice():
    at = {
        "effectiveness": [(0.9, "acceptable"), (0.84, "marginal"), (0.79, "unacceptable")],
        "miss rate": [(0.02, "acceptable"), (0.05, "marginal"), (0.0625, "unacceptable")],
        "false alarm rate": [(0.05, "acceptable"), (0.1, "marginal"), (0.11, "unacceptable")],
    }
    for what, pairs in at.items():
        assert [band(what, share) for share, _ in pairs] == [name for _, name in pairs]
        assert band(what, None) is None


def test_a_carton_counts_for_effectiveness_only_when_every_trial_is_right():
    truth = {1: True, 2: True, 3: False, 4: False}
    found = agreement({"a": [truth, {**truth, 1: False}, {**truth, 4: True}]}, truth)
    assert found.setups[0].right == Part(2, 4)
    assert found.setups[0].same == Part(2, 4)
    assert found.disputed == (1, 4)
    assert found.bad == 2


def test_the_same_wrong_decision_each_time_is_the_same_and_not_right():
    truth = {1: True, 2: False}
    wrong = {1: False, 2: False}
    one = agreement({"a": [wrong, wrong]}, truth).setups[0]
    assert (one.same, one.right, one.missed) == (Part(2, 2), Part(1, 2), Part(2, 2))


def test_cartons_that_one_lacks_are_left_out_and_named():
    truth = {1: True, 2: False, 3: False}
    found = agreement({"a": [{1: True, 2: False, 9: True}], "b": [truth]}, truth)
    assert found.cartons == (1, 2)
    assert found.left_out == {"a": (3,), "b": (9,), "the reference": (9,)}


@given(a=decisions, b=decisions, truth=decisions)
def test_kappas_are_those_of_the_counts(a, b, truth):
    found = agreement({"a": [a], "b": [b]}, truth)
    counted = [[sum(a[c] == i and b[c] == j for c in a) for j in (0, 1)] for i in (0, 1)]
    assert found.pairs[0][2].kappa == pytest.approx(cohen_kappa(counted).kappa, nan_ok=True)
    kept = [a[c] + b[c] for c in a]
    expected = fleiss_kappa([[2 - k, k] for k in kept]).kappa
    assert found.together.kappa == pytest.approx(expected, nan_ok=True)
    right = [c for c in a if a[c] == b[c] == truth[c]]
    assert found.all_right == Part(len(right), 12)
    assert set(found.disputed) == set(a) - set(right)


def test_one_trial_alone_has_nobody_to_agree_with():
    truth = {1: True, 2: False}
    found = agreement({"a": [truth]}, truth)
    assert found.together is found.setups[0].within is None
    assert found.pairs == ()
    assert found.setups[0].against_reference.kappa == 1.0


def test_without_bad_cartons_no_miss_rate_is_told():
    truth = {1: False, 2: False}
    one = agreement({"a": [truth]}, truth).setups[0]
    assert one.missed == Part(0, 0)
    assert one.missed.share is one.missed.interval is one.bands["miss rate"] is None


@pytest.mark.parametrize(
    ("setups", "why"),
    [
        ({}, "at least one set-up"),
        ({"a": []}, "at least one set-up"),
        ({"a": [{7: True}]}, "no carton"),
    ],
)
def test_what_is_no_study_is_refused(setups, why):
    with pytest.raises(ValueError, match=why):
        agreement(setups, {1: True})
