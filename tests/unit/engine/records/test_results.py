"""Results files: written line by line, read back as they were."""

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.faults import StoreFault
from engine.ports import Sink
from engine.problems import ProblemsFound
from engine.records.results import ResultsFile, read_results
from engine.result import dumps, to_json
from tests.generators.verdicts import IDENTITY, any_verdict, carton, frames


def write(path, *verdicts, **options):
    with ResultsFile(path, IDENTITY, **options) as results:
        assert isinstance(results, Sink)
        for verdict in verdicts:
            results.take(verdict, frames(verdict.trigger))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(verdicts=st.lists(any_verdict, max_size=4, unique_by=lambda v: v.trigger))
def test_what_is_written_is_read_back(tmp_path, verdicts):
    write(tmp_path / "results.jsonl", *verdicts)
    assert read_results(tmp_path / "results.jsonl") == [to_json(v, IDENTITY) for v in verdicts]


def test_a_line_is_the_canonical_json_of_the_verdict(tmp_path):
    write(tmp_path / "out" / "results.jsonl", carton(41, 3.1, reason="Klappe zu früh offen"))
    text = (tmp_path / "out" / "results.jsonl").read_text(encoding="utf-8")
    expected = to_json(carton(41, 3.1, reason="Klappe zu früh offen"), IDENTITY)
    assert text == dumps(expected) + "\n"


def test_each_line_is_in_the_file_before_the_next_carton(tmp_path):
    results = ResultsFile(tmp_path / "results.jsonl", IDENTITY)
    results.take(carton(1), frames(1))
    assert len(read_results(tmp_path / "results.jsonl")) == 1
    results.close()


def test_an_empty_run_leaves_an_empty_file(tmp_path):
    write(tmp_path / "results.jsonl")
    assert read_results(tmp_path / "results.jsonl") == []


def test_without_resume_the_file_starts_anew(tmp_path):
    write(tmp_path / "results.jsonl", carton(1))
    write(tmp_path / "results.jsonl", carton(2))
    assert [row["trigger"] for row in read_results(tmp_path / "results.jsonl")] == ["000002"]


@pytest.mark.parametrize("cut", [1, 7, 60])
def test_resume_drops_a_torn_line_and_goes_on(tmp_path, cut):
    path = tmp_path / "results.jsonl"
    write(path, carton(1), carton(2), carton(3, 3.0))
    path.write_bytes(path.read_bytes()[:-cut])
    with ResultsFile(path, IDENTITY, resume=True) as results:
        assert results.done == {1, 2}
        assert [row["trigger"] for row in results.earlier] == ["000001", "000002"]
        results.take(carton(3, 3.0), frames(3))
    assert read_results(path)[2] == to_json(carton(3, 3.0), IDENTITY)


def test_resume_without_a_file_starts_one(tmp_path):
    write(tmp_path / "results.jsonl", carton(1), resume=True)
    assert len(read_results(tmp_path / "results.jsonl")) == 1


@pytest.mark.parametrize(
    "change",
    [{"recipe": "tea@other"}, {"order": {"lot": "K9"}}, {"cameras": "?"}, {"version": "9"}],
)
def test_results_of_another_setting_are_not_gone_on_with(tmp_path, change):
    path = tmp_path / "results.jsonl"
    write(path, carton(1))
    before = path.read_bytes()
    with pytest.raises(StoreFault, match=r"carton 000001 was judged with .*do not resume"):
        ResultsFile(path, replace(IDENTITY, **change), resume=True)
    assert path.read_bytes() == before


def test_a_file_of_something_else_is_not_gone_on_with(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("notes\nmore notes\n")
    with pytest.raises(ProblemsFound, match=r"notes\.txt:1:1 .*results-line"):
        ResultsFile(path, IDENTITY, resume=True)
    assert path.read_text() == "notes\nmore notes\n"


def test_every_bad_line_is_named_with_its_number(tmp_path):
    path = tmp_path / "results.jsonl"
    good = dumps(to_json(carton(1), IDENTITY)).encode()
    row = to_json(carton(2), IDENTITY)
    lines = [
        good,
        b"{nothing",
        b"[1]",
        dumps({k: v for k, v in row.items() if k != "reasons"}).encode(),
        dumps({**row, "verdict": "maybe"}).encode(),
        dumps({**row, "trigger": "x"}).encode(),
        dumps({**row, "values": []}).encode(),
        dumps({**row, "findings": [3]}).encode(),
        b"\xff",
        good,
        b"[" * 100_000,
        b"",
        b'{"torn": ',
    ]
    path.write_bytes(b"\n".join(lines))
    with pytest.raises(ProblemsFound, match="results-line") as found:
        read_results(path)
    assert [(p.line, p.code) for p in found.value.problems] == [
        *[(n, "results-line") for n in range(2, 10)],
        (10, "repeated-trigger"),
        (11, "results-line"),
        (13, "torn-line"),
    ]


def test_a_missing_file_is_a_problem(tmp_path):
    with pytest.raises(ProblemsFound, match=r"none\.jsonl.*unreadable"):
        read_results(tmp_path / "none.jsonl")


def test_a_folder_in_place_of_the_file_is_a_fault(tmp_path):
    with pytest.raises(StoreFault, match="writing the results failed: Is a directory"):
        ResultsFile(tmp_path, IDENTITY)


def test_a_closed_file_takes_nothing(tmp_path):
    results = ResultsFile(tmp_path / "results.jsonl", IDENTITY)
    results.close()
    with pytest.raises(StoreFault, match="writing the results failed"):
        results.take(carton(1), frames(1))
