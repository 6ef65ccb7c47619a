"""Rules over the cartons of a run."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.frame import TriggerSet
from engine.graph.plan import PlannedReason, PlannedUnique
from engine.result import CameraResult, StepResult
from engine.run.in_order import judged_in_order, seen_in
from engine.run.verdict import decide
from tests.generators.plans import limit, plan, planned

SERIAL = PlannedUnique(("top", "code", "word"), PlannedReason("serial used twice", ("copy",)))
CODE = plan(planned("code", limits=(limit(step="code", maximum=9.0),)), unique=[SERIAL])


def carton(trigger, serial, level=1.0):
    said = StepResult("top", "code", {"level": level, "word": serial})
    return TriggerSet(trigger, {}), decide(CODE, trigger, (CameraResult("top", (said,)),))


def run(pairs, rules=(SERIAL,), expected=None, seen=None):
    return {v.trigger: v for _, v in judged_in_order(rules, pairs, expected, seen or {})}


def test_the_second_carton_with_a_serial_is_a_reject_that_names_the_first():
    verdicts = run([carton(1, "A"), carton(2, "B"), carton(3, "A")])
    assert [verdicts[t].verdict for t in (1, 2, 3)] == ["pass", "pass", "reject"]
    assert verdicts[3].reasons[0].text == "serial used twice: word A was on carton 000001 already"
    assert verdicts[3].reasons[0].catches == ("copy",)


def test_a_serial_of_a_rejected_carton_counts_as_used():
    verdicts = run([carton(1, "A", level=99.0), carton(2, "A")])
    assert [verdicts[t].verdict for t in (1, 2)] == ["reject", "reject"]


def test_a_serial_that_was_not_read_is_left_to_its_limit():
    verdicts = run([carton(1, None), carton(2, None)])
    assert [verdicts[t].verdict for t in (1, 2)] == ["pass", "pass"]


def test_only_serials_of_the_orders_list_are_good():
    listed = PlannedUnique(SERIAL.value, SERIAL.reason, frozenset({"A", "B"}))
    verdicts = run([carton(1, "A"), carton(2, "C")], rules=(listed,))
    assert [verdicts[t].verdict for t in (1, 2)] == ["pass", "reject"]
    assert "not in the order's list" in verdicts[2].reasons[0].text


def test_a_run_that_goes_on_knows_what_was_seen_before_it_stopped():
    rows = [{"trigger": "000007", "values": {"top.code.word": "A"}}]
    verdicts = run([carton(8, "A")], seen=seen_in([SERIAL], rows))
    assert verdicts[8].reasons[0].text.endswith("was on carton 000007 already")


@given(serials=st.lists(st.sampled_from("ABCD"), max_size=12), seed=st.integers(0, 99))
def test_the_order_in_which_cartons_are_done_changes_no_verdict(serials, seed):
    pairs = [carton(t, s) for t, s in enumerate(serials, start=1)]
    shuffled = pairs.copy()
    random.Random(seed).shuffle(shuffled)
    triggers = range(1, len(serials) + 1)
    straight = run(pairs, expected=triggers)
    assert run(shuffled, expected=triggers) == straight
    rejected = [t for t, v in straight.items() if v.verdict == "reject"]
    assert rejected == [t for t in triggers if serials[t - 1] in serials[: t - 1]]


@pytest.mark.parametrize("missing", [{2}, {1}, {4, 5}])
def test_cartons_that_never_come_hold_no_other_back_for_good(missing):
    pairs = [carton(t, str(t)) for t in range(1, 6) if t not in missing]
    assert set(run(pairs, expected=range(1, 6))) == set(range(1, 6)) - missing
