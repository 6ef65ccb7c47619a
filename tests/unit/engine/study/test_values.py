"""Values of results: what is gathered, and what is said of them."""

import numpy as np
import pytest

from engine.study.statistics import cp_cpk, individuals
from engine.study.values import gather, study_value


def row(trigger, value, limit=None, **more):
    """One result with one value, and a finding where a limit is given."""
    finding = {"camera": "top", "step": "flap", "value": "gap_mm", "unit": "mm", "limit": limit}
    return {
        "trigger": f"{trigger:06d}",
        "values": {"top.flap.gap_mm": value, **more},
        "findings": [] if limit is None else [finding],
    }


def rows(numbers, limit=None):
    return [row(i, float(n), limit) for i, n in enumerate(numbers)]


def test_numbers_are_gathered_in_order_of_trigger_with_their_limits():
    found = gather(
        [row(3, 0.3, {"max": 1.0}), row(1, 0.1, {"max": 1.0}), row(2, None, {"max": 1.0})]
    )
    series = found["top.flap.gap_mm"]
    assert (series.triggers, series.numbers) == ((1, 3), (0.1, 0.3))
    assert (series.limits, series.unit, series.missing) == ((None, 1.0), "mm", 1)
    assert not series.has_other_limits


def test_texts_and_truth_values_are_no_numbers():
    found = gather(
        [row(1, 0.1, **{"top.code.text": "A7", "top.lid.present": True, "top.n.count": 3})]
    )
    assert list(found) == ["top.flap.gap_mm", "top.n.count"]


def test_capability_is_that_of_the_numbers():
    x = np.random.default_rng(1).normal(0.5, 0.1, 80)
    study = study_value(gather(rows(x, {"min": 0.0, "max": 1.2}))["top.flap.gap_mm"])
    assert study.capability == cp_cpk(x.mean(), x.std(ddof=1), 0.0, 1.2, 80)
    assert study.short_term.cpk == pytest.approx(cp_cpk(x.mean(), individuals(x).sigma, 0, 1.2).cpk)
    assert study.average.target == pytest.approx(x.mean())
    assert study.notes == ()


def test_drift_lowers_capability_more_than_its_short_term():
    x = np.random.default_rng(2).normal(0, 0.1, 100) + np.linspace(0, 1, 100)
    study = study_value(gather(rows(x, {"max": 2.0}))["top.flap.gap_mm"])
    assert study.capability.cpk < 0.6 * study.short_term.cpk
    assert study.average.out
    assert study.average.out[0] < 50


def test_limits_given_stand_in_place_of_those_recorded():
    series = gather(rows([1, 2, 3, 2], {"max": 9.0}))["top.flap.gap_mm"]
    assert study_value(series, (0.0, 4.0)).capability.cp == pytest.approx(
        4 / (6 * np.std([1, 2, 3, 2], ddof=1))
    )


@pytest.mark.parametrize(
    ("numbers", "limit", "note"),
    [
        ([1, 2, 3], {"max": 9.0}, "3 cartons are few: see how wide the interval is"),
        ([1, 2, 3], None, "no limit: there is no capability to give"),
        ([4, 4, 4], {"max": 9.0}, "the value never changes: there is no spread to judge by"),
        (
            [*[0.0] * 59, 9.0],
            {"max": 9.0},
            "not normal (skewness 7.6): the figures say less than they seem to",
        ),
    ],
)
def test_what_the_reader_must_know_is_said(numbers, limit, note):
    assert note in study_value(gather(rows(numbers, limit))["top.flap.gap_mm"]).notes


def test_other_limits_and_missing_values_are_said():
    mixed = [row(1, 0.1, {"max": 1.0}), row(2, 0.2, {"max": 2.0}), row(3, None, {"max": 2.0})]
    notes = study_value(gather(mixed)["top.flap.gap_mm"]).notes
    assert "cartons were judged by different limits; these are the last ones" in notes
    assert "not measured on 1 cartons, which are left out" in notes


def test_a_value_that_never_changes_has_no_capability_and_no_average():
    study = study_value(gather(rows([1, 1, 1], {"max": 1.0}))["top.flap.gap_mm"])
    assert study.capability is study.short_term is study.average is None
