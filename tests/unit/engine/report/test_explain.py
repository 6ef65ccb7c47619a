"""One carton in words."""

from dataclasses import replace

from hypothesis import given

from engine.report.explain import explain_text
from engine.result import CameraResult, CartonVerdict, Finding, Reason, StepResult
from tests.generators.verdicts import any_verdict, carton, faulted


def test_a_reject_is_explained_with_verdict_reason_and_findings():
    assert explain_text(carton(41, 3.1)).splitlines() == [
        "carton 000041: reject",
        "  1. flap open: gap_mm 3.1 > 1",
        "",
        "top",
        "  value          measured  limit      margin",
        "  flap.gap_mm    3.1 mm    at most 1  -2.1    BROKEN: flap open",
        "  flap.coverage  0.98      no limit",
        "",
        "side",
        "  value      measured       limit                   margin",
        "  code.text  4006381333931  equal to 4006381333931  -       good",
    ]


def test_a_missing_frame_is_said_at_its_camera():
    lines = explain_text(faulted(3)).splitlines()
    assert lines[:2] == ["carton 000003: fault", "  1. side: no frame came"]
    assert lines[-2:] == ["side", "  fault: no frame came"]


def test_what_was_not_measured_and_what_waits_is_said_with_the_reason():
    steps = (
        StepResult("front", "panel", None, not_measured="no panel is seen"),
        StepResult("front", "label", None, waits_for="panel"),
        StepResult("front", "date", None, fault="ZeroDivisionError: division by zero"),
    )
    reason = Reason("carton not found", "not_measured", place="front.panel")
    verdict = CartonVerdict(5, "reject", (reason,), (), (CameraResult("front", steps),))
    assert explain_text(verdict).splitlines()[3:] == [
        "front",
        "  panel: not measured: no panel is seen",
        "  label: not run, waits for: panel",
        "  date: fault: ZeroDivisionError: division by zero",
    ]


def test_columns_stay_aligned_with_wide_and_combining_characters():
    finding = carton(1, 3.0).findings[0]
    findings = tuple(replace(finding, step=step) for step in ("漢字", "e\u0301", "ascii"))
    verdict = CartonVerdict(1, "reject", (), findings, (CameraResult("top"),))
    rows = explain_text(verdict).splitlines()[3:]
    assert rows == [
        "  value         measured  limit      margin",
        "  漢字.gap_mm   3 mm      at most 1  -2      BROKEN: flap open",
        "  e\u0301.gap_mm      3 mm      at most 1  -2      BROKEN: flap open",
        "  ascii.gap_mm  3 mm      at most 1  -2      BROKEN: flap open",
    ]


def test_a_finding_explained_by_another_says_so():
    finding = replace(carton(1, 3.0).findings[0], explained_by="top.panel")
    verdict = CartonVerdict(1, "reject", (), (finding,), (CameraResult("top"),))
    assert explain_text(verdict).endswith("BROKEN: flap open (explained by top.panel)")


def test_findings_of_no_camera_stand_at_the_end():
    finding = Finding("", "", "dates", "a", "", {"equals": "b"}, False, None, "dates differ")
    text = explain_text(CartonVerdict(1, "reject", (), (finding,), (CameraResult("top"),)))
    assert text.splitlines()[1:5] == ["", "top", "  nothing was measured", ""]
    assert "across cameras" in text


def test_a_terminal_is_given_nothing_to_obey():
    verdict = carton(1, 3.0, reason="\x1b[31mred\x1b[0m\r\nnext", code="\x07\x1b]0;title\x07")
    assert all(line.isprintable() for line in explain_text(verdict).split("\n"))


@given(verdict=any_verdict)
def test_any_verdict_can_be_explained(verdict):
    lines = explain_text(verdict).split("\n")
    assert lines[0] == f"carton {verdict.trigger:06d}: {verdict.verdict}"
    assert all(line.isprintable() for line in lines)
