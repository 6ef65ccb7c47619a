"""The reject log names every carton that did not pass, for people."""

import csv
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.faults import StoreFault
from engine.ports import Sink
from engine.records.reject_log import RejectLog
from engine.result import CartonVerdict, Reason
from tests.generators.verdicts import any_verdict, carton, faulted, frames


def log(path, *verdicts, **options):
    with RejectLog(path, **options) as rejects:
        assert isinstance(rejects, Sink)
        for verdict in verdicts:
            rejects.take(verdict, frames(verdict.trigger))
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_rejects_and_faults_are_logged_and_passes_are_not(tmp_path):
    rows = log(tmp_path / "rejects.csv", carton(1), carton(41, 3.1), faulted(42))
    assert rows == [
        {
            "trigger": "000041",
            "verdict": "reject",
            "time": "2026-05-04 10:00:41+00:00",
            "reasons": "flap open: gap_mm 3.1 > 1",
            "where": "top.flap",
            "value": "top.flap.gap_mm",
            "measured": "3.1",
            "unit": "mm",
            "limit": "max 1.0",
        },
        {
            "trigger": "000042",
            "verdict": "fault",
            "time": "2026-05-04 10:00:42+00:00",
            "reasons": "side: no frame came",
            "where": "side",
            "value": "",
            "measured": "",
            "unit": "",
            "limit": "",
        },
    ]


def test_a_run_without_rejects_leaves_the_header(tmp_path):
    assert log(tmp_path / "out" / "rejects.csv", carton(1)) == []
    assert (
        (tmp_path / "out" / "rejects.csv").read_bytes().startswith(b"\xef\xbb\xbftrigger,verdict")
    )


def test_several_reasons_stand_on_one_line_each_place_once(tmp_path):
    reasons = tuple(
        Reason(text, "limit", (), place)
        for text, place in (
            ("flap open", "top.flap"),
            ("flap\ncrooked", "top.flap"),
            ("é; 漢", "side"),
        )
    )
    (row,) = log(tmp_path / "rejects.csv", CartonVerdict(3, "reject", reasons, (), ()))
    assert row["reasons"] == "flap open; flap crooked; é; 漢"
    assert row["where"] == "top.flap; side"


def test_text_from_a_carton_is_never_a_formula(tmp_path):
    verdicts = [carton(i, 3.0, reason=text) for i, text in enumerate("=+-@", start=1)]
    assert all(row["reasons"][0] == "'" for row in log(tmp_path / "rejects.csv", *verdicts))


def test_a_negative_measurement_stays_a_number(tmp_path):
    verdict = carton(1, 3.0)
    below = replace(verdict.findings[0], measured=-2.5)
    (row,) = log(tmp_path / "rejects.csv", replace(verdict, findings=(below,)))
    assert float(row["measured"]) == -2.5


def test_resume_goes_on_without_repeating(tmp_path):
    path = tmp_path / "rejects.csv"
    log(path, carton(1, 3.0), carton(2, 3.0))
    path.write_bytes(path.read_bytes()[:-5])
    rows = log(path, carton(1, 3.0), carton(2, 3.0), carton(3, 4.0), resume=True)
    assert [row["trigger"] for row in rows] == ["000001", "000002", "000003"]
    assert path.read_bytes().count(b"\xef\xbb\xbf") == 1


def test_resume_leaves_a_file_of_something_else_alone(tmp_path):
    path = tmp_path / "rejects.csv"
    path.write_text("a,b\n1,2\nno end")
    with pytest.raises(StoreFault, match="it is no reject log, and is left as it is"):
        RejectLog(path, resume=True)
    assert path.read_text() == "a,b\n1,2\nno end"


def test_a_folder_in_place_of_the_file_is_a_fault(tmp_path):
    with pytest.raises(StoreFault, match="writing the reject log failed: Is a directory"):
        RejectLog(tmp_path)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(verdicts=st.lists(any_verdict, max_size=4))
def test_any_verdicts_make_one_line_each(tmp_path, verdicts):
    rows = log(tmp_path / "rejects.csv", *verdicts)
    bad = [f"{v.trigger:06d}" for v in verdicts if v.verdict != "pass"]
    assert [row["trigger"] for row in rows] == bad
    text = (tmp_path / "rejects.csv").read_bytes()
    assert text.count(b"\n") == len(bad) + 1
