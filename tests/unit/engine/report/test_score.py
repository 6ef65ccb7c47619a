"""Verdicts held against truth."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from scipy.stats import binomtest

from engine.report.score import Share, defect_rows, score, score_table, summary_rows
from engine.report.truth import UNNAMED, Defect, Truth
from engine.result import to_json
from tests.generators.verdicts import IDENTITY, carton, faulted

GOOD = Truth("pass")


def bad(*defects):
    return Truth("reject", tuple(Defect(*defect.split(":")) for defect in defects))


def row(trigger, verdict, *catches, faults=()):
    return {
        "trigger": f"{trigger:06d}",
        "verdict": verdict,
        "catches": list(catches),
        "faults": list(faults),
    }


def outcomes(rows, truth):
    return [carton.outcome for carton in score(rows, truth).cartons]


@pytest.mark.parametrize(
    ("truth", "answer", "outcome"),
    [
        (GOOD, row(1, "pass"), "good"),
        (GOOD, row(1, "reject", "flap-open"), "false reject"),
        (GOOD, row(1, "fault", faults=["top: late"]), "false fault"),
        (bad("flap-open:6"), row(1, "pass"), "missed"),
        (bad("flap-open:6"), row(1, "reject", "flap-open"), "right"),
        (bad("flap-open:6"), row(1, "reject", "flap-open:6"), "right"),
        (bad("flap-open:6"), row(1, "reject", "flap-open:20"), "wrong reason"),
        (bad("flap-open:6"), row(1, "reject", "flap"), "wrong reason"),
        (bad("flap-open:6"), row(1, "reject"), "wrong reason"),
        (bad("flap-open"), row(1, "fault", faults=["top: late"]), "wrong reason"),
        (bad("missing-frame:side"), row(1, "fault", faults=["side: no frame"]), "right"),
        (bad("missing-frame:side"), row(1, "reject", faults=["side: no frame"]), "right"),
        (bad("missing-frame:side"), row(1, "reject", "flap-open"), "wrong reason"),
        (bad("missing-frame:side"), row(1, "pass"), "missed"),
        (Truth("reject"), row(1, "reject"), "right"),
        (Truth("reject"), row(1, "fault", faults=["x"]), "wrong reason"),
    ],
)
def test_one_carton_against_its_truth(truth, answer, outcome):
    assert outcomes([answer], {1: truth}) == [outcome]


def test_a_carton_with_several_defects_counts_once_for_each():
    truth = {1: bad("code-missing", "missing-item:2"), 2: bad("code-missing")}
    found = score([row(1, "reject", "missing-item"), row(2, "reject", "code-missing")], truth)
    assert [(str(d.defect), d.right, d.wrong, d.missed) for d in found.defects] == [
        ("code-missing", 1, 1, 0),
        ("missing-item:2", 1, 0, 0),
    ]
    assert (found.bad, str(found.right_reason), str(found.right_defects)) == (
        2,
        "2 of 2 (100.0 %)",
        "2 of 3 (66.7 %)",
    )


def test_severities_stand_in_order_of_their_numbers():
    severities = ["45", "3.5", "10", "3", "heavy", ""]
    truth = {i: bad(f"flap-open:{s}" if s else "flap-open") for i, s in enumerate(severities)}
    found = score([row(i, "reject", "flap-open") for i in truth], truth)
    assert [d.defect.severity for d in found.defects] == ["3", "3.5", "10", "45", "", "heavy"]


def test_cartons_that_only_one_side_knows_are_listed():
    found = score([row(1, "pass"), row(9, "reject")], {1: GOOD, 2: GOOD, 3: bad("x")})
    assert (found.without_truth, found.without_verdict) == ((9,), (2, 3))
    assert (found.good, found.bad) == (1, 0)
    assert summary_rows(found)[-2:] == [
        ("cartons that truth does not know", "1 (000009)", ""),
        ("cartons in truth without a verdict", "2 (000002, 000003)", ""),
    ]


def test_defects_without_a_name_count_as_such():
    found = score([row(1, "reject"), row(2, "pass")], {1: Truth("reject"), 2: Truth("reject")})
    assert [(d.defect, d.right, d.missed) for d in found.defects] == [(UNNAMED, 1, 1)]


def test_an_empty_run_scores_nothing():
    found = score([], {})
    assert (found.cartons, found.defects, found.as_expected) == ((), (), True)
    assert str(found.bad_passed) == "0 of 0"
    assert found.bad_passed.interval is None


def test_intervals_are_those_of_scipy():
    exact = binomtest(2, 20).proportion_ci(0.95, method="exact")
    assert Share(2, 20).interval == pytest.approx((exact.low, exact.high))


@pytest.mark.parametrize(
    ("rows", "as_expected"),
    [
        ([row(1, "pass"), row(2, "reject")], True),
        ([row(1, "pass"), row(2, "fault")], False),
        ([row(1, "pass"), row(2, "pass")], False),
        ([row(1, "reject"), row(2, "reject")], False),
        ([row(1, "fault"), row(2, "reject")], False),
        ([row(3, "fault", faults=["side"])], True),
    ],
)
def test_expected_is_the_verdict_that_truth_asks_for(rows, as_expected):
    truth = {1: GOOD, 2: bad("flap-open"), 3: bad("missing-frame:side")}
    assert score(rows, truth).as_expected is as_expected


def test_rows_of_real_verdicts_are_understood():
    rows = [to_json(v, IDENTITY) for v in (carton(1), carton(2, 3.1), faulted(3))]
    truth = {1: GOOD, 2: bad("flap-open:10"), 3: bad("missing-frame:side")}
    assert outcomes(rows, truth) == ["good", "right", "right"]


@given(
    answers=st.lists(
        st.tuples(
            st.sampled_from(["pass", "reject", "fault"]),
            st.sets(st.sampled_from(["a", "b", "a:1", "missing-frame"])),
            st.sampled_from([GOOD, bad("a"), bad("a:1", "b"), bad("missing-frame:x"), None]),
        ),
        max_size=30,
    )
)
def test_every_carton_is_counted_once(answers):
    rows = [
        row(i, verdict, *catches, faults=["f"] * (verdict == "fault"))
        for i, (verdict, catches, _) in enumerate(answers)
    ]
    truth = {i: t for i, (*_, t) in enumerate(answers) if t is not None}
    found = score(rows, truth)
    assert found.good + found.bad == len(truth)
    assert len(found.without_truth) == len(rows) - len(truth)
    passed = [row for row in rows if row["verdict"] == "pass" and int(row["trigger"]) in truth]
    assert len(passed) == found.count("good", "missed")
    assert sum(d.n for d in found.defects) == sum(
        len(t.defects) for t in truth.values() if t.verdict == "reject"
    )
    assert score(rows[::-1], truth) == found


def shown(found, width):
    out = io.StringIO()
    Console(file=out, width=width, color_system=None).print(score_table(found))
    return out.getvalue()


@pytest.mark.parametrize("width", [80, 100, 160])
def test_the_table_is_read_on_any_usual_terminal(width):
    truth = {i: bad("label-shifted:3.5") for i in range(20)} | {99: GOOD}
    rows = [row(i, "reject", "label-shifted") for i in range(18)]
    rows += [row(18, "pass"), row(19, "reject"), row(99, "reject")]
    lines = shown(score(rows, truth), width).splitlines()
    assert max(map(len, lines)) <= width
    assert any(line.endswith("right reason,") for line in map(str.rstrip, lines))
    (line,) = [line for line in lines if "label-shifted" in line]
    assert line.split() == ["label-shifted:3.5", "20", "18", "1", "1", "68.3-98.8", "%"]
    assert any("good cartons rejected" in line and "1 of 1 (100.0 %)" in line for line in lines)


def test_the_table_shows_any_name_as_it_stands():
    truth = {1: bad("[red]bold[/red]:[x]")}
    assert "[red]bold[/red]:[x]" in shown(score([row(1, "pass")], truth), 100)


def test_the_table_of_an_empty_run_says_so():
    assert "0 of 0" in shown(score([], {}), 100)
    assert defect_rows(score([], {})) == []
