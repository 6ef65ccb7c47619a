"""Two results side by side."""

from xml.etree import ElementTree

from engine.report.compare import compare, junit


def row(trigger, gap, limit=1.0, **more):
    good = gap <= limit
    finding = {
        "camera": "top", "step": "flap", "value": "gap_mm",
        "measured": gap, "limit": {"max": limit}, "good": good,
    }  # fmt: skip
    verdict = "pass" if good else "reject"
    return {"trigger": trigger, "verdict": verdict, "findings": [finding], **more}


def test_a_changed_limit_names_the_cartons_and_the_value_that_did_it():
    before = [row("000001", 0.4), row("000002", 0.9), row("000003", 3.0)]
    after = [row("000001", 0.4, 0.5), row("000002", 0.9, 0.5), row("000003", 3.0, 0.5)]
    found = compare(before, after)
    assert not found.equal
    assert [(c.trigger, c.before, c.after) for c in found.changes] == [("000002", "pass", "reject")]
    said = "top.flap.gap_mm: 0.9 good (max 1.0) -> 0.9 broken (max 0.5)"
    assert found.changes[0].did_it == (said,)


def test_equal_results_are_equal_and_absent_cartons_are_not():
    rows = [row("000001", 0.4), row("000002", 2.0)]
    assert compare(rows, rows).equal
    assert compare(rows, rows[:1]).only_before == ("000002",)
    assert not compare(rows, rows[:1]).equal


def test_what_could_not_be_measured_counts_as_a_change():
    after = {**row("000001", 0.4), "findings": [], "not_measured": {"top.flap": "no edge"}}
    after["verdict"] = "reject"
    found = compare([row("000001", 0.4)], [after])
    assert found.changes[0].did_it == ("top.flap: measured -> not measured",)


def test_junit_holds_one_failure_for_each_changed_verdict():
    found = compare(
        [row("000001", 0.4), row("000002", 0.9)], [row("000001", 0.4), row("000002", 3)]
    )
    suite = ElementTree.fromstring(junit(found, "b"))  # noqa: S314 - our own text
    assert (suite.get("tests"), suite.get("failures")) == ("2", "1")
    failed = [case.get("name") for case in suite if case.find("failure") is not None]
    assert failed == ["carton 000002"]
