"""One verdict per carton."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.graph.plan import PlannedAgreement, PlannedReason
from engine.result import CameraResult, StepResult
from engine.run.verdict import decide
from tests.generators.plans import limit, plan, planned

FLAP = planned(
    "flap", limits=(limit(step="flap", maximum=1.0, reason="flap open", catches=("flap-open",)),)
)
LID = planned("lid", limits=(limit(maximum=5.0, reason="lid wrong", explained_by=("top.flap",)),))


def top(*steps, fault=None):
    return CameraResult("top", tuple(steps), fault)


def measured(name, level, camera="top", word=None):
    return StepResult(camera, name, {"level": level, "word": word})


def test_a_carton_passes_when_every_finding_is_good():
    verdict = decide(plan(FLAP, LID), 1, (top(measured("flap", 0.5), measured("lid", 2.0)),))
    assert verdict.verdict == "pass"
    assert verdict.reasons == ()
    assert [f.margin for f in verdict.findings] == [0.5, 3.0]


def test_a_broken_limit_names_value_and_limit():
    verdict = decide(plan(FLAP), 1, (top(measured("flap", 3.1)),))
    assert verdict.verdict == "reject"
    assert [r.text for r in verdict.reasons] == ["flap open: level 3.1 > 1"]
    assert verdict.reasons[0].catches == ("flap-open",)


def test_a_step_that_could_not_measure_rejects_by_its_own_reason():
    said = StepResult("top", "flap", None, not_measured="no edge")
    verdict = decide(plan(FLAP), 1, (top(said),))
    assert verdict.verdict == "reject"
    assert verdict.reasons[0].text == "flap not measured: not measured, no edge"
    assert verdict.reasons[0].catches == ("unmeasured",)


def test_steps_that_wait_for_a_pose_say_nothing_of_their_own():
    said = (
        StepResult("top", "flap", None, not_measured="no edge"),
        StepResult("top", "lid", None, waits_for="flap"),
    )
    assert len(decide(plan(FLAP, LID), 1, (top(*said),)).reasons) == 1


@pytest.mark.parametrize(
    "result",
    [
        top(fault="missing frame: no frame came"),
        top(StepResult("top", "flap", None, fault="ValueError: boom")),
        CameraResult("side"),
    ],
)
def test_what_broke_is_a_fault_not_a_pass(result):
    verdict = decide(plan(FLAP), 1, (result,))
    assert verdict.verdict == "fault"
    assert verdict.reasons[0].kind == "fault"


def test_only_a_missing_frame_counts_as_caught():
    missing = decide(plan(FLAP), 1, (top(fault="missing frame: no frame came"),))
    torn = decide(plan(FLAP), 1, (top(fault="undecodable frame: torn"),))
    assert missing.reasons[0].catches == ("missing-frame",)
    assert torn.reasons[0].catches == ()


def test_a_broken_limit_and_a_fault_together_reject_with_both_listed():
    said = (measured("flap", 2.0), StepResult("top", "lid", None, fault="ValueError: boom"))
    verdict = decide(plan(FLAP, LID), 1, (top(*said),))
    assert verdict.verdict == "reject"
    assert [r.kind for r in verdict.reasons] == ["limit", "fault"]


def test_a_finding_that_another_explains_is_kept_and_named_after_its_cause():
    verdict = decide(plan(FLAP, LID), 1, (top(measured("flap", 2.0), measured("lid", 9.0)),))
    assert [r.text for r in verdict.reasons] == ["flap open: level 2 > 1"]
    lid = verdict.findings[1]
    assert (lid.good, lid.reason, lid.explained_by) == (False, "flap open", "top.flap")


def test_a_finding_stands_for_itself_when_its_cause_is_good():
    verdict = decide(plan(FLAP, LID), 1, (top(measured("flap", 0.2), measured("lid", 9.0)),))
    assert [r.text for r in verdict.reasons] == ["lid wrong: level 9 > 5"]


def test_steps_that_explain_each_other_never_make_a_pass():
    a = planned("a", limits=(limit(step="a", maximum=1.0, explained_by=("top.b",)),))
    b = planned("b", limits=(limit(step="b", maximum=1.0, explained_by=("top.a",)),))
    verdict = decide(plan(a, b), 1, (top(measured("a", 2.0), measured("b", 2.0)),))
    assert verdict.verdict == "reject"
    assert len(verdict.reasons) == 2


def _agreeing(tolerance=0.0, value="word"):
    front = planned("date", "front")
    side = planned("code", "side")
    rule = PlannedAgreement(
        (("front", "date", value), ("side", "code", value)), PlannedReason("differ"), tolerance, ""
    )
    return plan(front, side, agree=[rule])


@pytest.mark.parametrize(
    ("a", "b", "word"),
    [("x", "x", "pass"), ("x", "y", "reject"), (None, "x", "reject"), (None, None, "reject")],
)
def test_values_of_two_cameras_must_agree(a, b, word):
    results = (
        CameraResult("front", (measured("date", 1.0, "front", a),)),
        CameraResult("side", (measured("code", 1.0, "side", b),)),
    )
    assert decide(_agreeing(), 1, results).verdict == word


def test_numbers_agree_within_their_tolerance():
    results = (
        CameraResult("front", (measured("date", 1.0, "front"),)),
        CameraResult("side", (measured("code", 1.4, "side"),)),
    )
    verdict = decide(_agreeing(0.5, "level"), 1, results)
    assert verdict.verdict == "pass"
    assert verdict.findings[-1].margin == pytest.approx(0.1)
    assert decide(_agreeing(0.3, "level"), 1, results).verdict == "reject"


LEVELS = st.none() | st.floats(allow_nan=False, allow_infinity=False)


@given(flap=LEVELS, lid=LEVELS, fault=st.booleans())
def test_a_carton_passes_only_when_all_that_was_asked_is_good(flap, lid, fault):
    said = (measured("flap", flap), measured("lid", lid))
    verdict = decide(plan(FLAP, LID), 1, (top(*said, fault="late frame: x" if fault else None),))
    good = not fault and flap is not None and flap <= 1 and lid is not None and lid <= 5
    assert (verdict.verdict == "pass") == good
    assert bool(verdict.reasons) != good
