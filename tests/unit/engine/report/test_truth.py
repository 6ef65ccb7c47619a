"""`truth.csv` is read whole, or every mistake in it is named."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.problems import ProblemsFound
from engine.report.truth import Defect, Truth, read_truth

SETS = Path(__file__).parents[4] / "../shared/data/captures"


def write(tmp_path, text):
    path = tmp_path / "truth.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def problems(path):
    with pytest.raises(ProblemsFound, match=r"truth\.csv") as found:
        read_truth(path)
    return [(p.line, p.column, p.code) for p in found.value.problems]


def test_verdicts_and_defects_are_read(tmp_path):
    path = write(
        tmp_path,
        "trigger,verdict,defects\n000001,pass,\n000041,reject,flap-open:6;wrong-date\n7,reject,\n",
    )
    assert read_truth(path) == {
        1: Truth("pass"),
        41: Truth("reject", (Defect("flap-open", "6"), Defect("wrong-date"))),
        7: Truth("reject"),
    }


@pytest.mark.parametrize("text", ["flap-open:6", "wrong-label:far one", "x"])
def test_a_defect_reads_as_it_was_written(tmp_path, text):
    truth = read_truth(write(tmp_path, f"trigger,verdict,defects\n1,reject,{text}\n"))
    assert str(truth[1]) == text


def test_what_spreadsheets_do_to_a_file_is_understood(tmp_path):
    path = write(
        tmp_path,
        b"\xef\xbb\xbfnote,trigger,verdict,defects\r\n"
        b',"1",pass,\r\n\r\n"a, b",2,reject," a ; b:2"\r\n',
    )
    assert read_truth(path) == {
        1: Truth("pass"),
        2: Truth("reject", (Defect("a"), Defect("b", "2"))),
    }


def test_every_mistake_is_named_with_its_place(tmp_path):
    path = write(
        tmp_path,
        "trigger,verdict,defects\n"
        "0001,pss,\n"
        "x1,pass,\n"
        "2,pass,flap-open\n"
        "3,reject,flap open;a:b:c;;d;d\n"
        "4,pass\n"
        "5,pass,\n"
        "05,pass,\n",
    )
    assert problems(path) == [
        (2, 6, "truth-verdict"),
        (3, 1, "truth-trigger"),
        (4, 8, "truth-defects"),
        *[(5, 10, "truth-defects")] * 4,
        (6, 1, "truth-row"),
        (8, 1, "repeated-trigger"),
    ]


def test_a_problem_shows_the_line_and_the_nearest_word(tmp_path):
    path = write(tmp_path, "trigger,verdict,defects\n0001,rejct,flap-open\n")
    with pytest.raises(ProblemsFound, match=r"rejct.*Did you mean `reject`\?") as found:
        read_truth(path)
    assert str(found.value).splitlines()[1:3] == ["    0001,rejct,flap-open", "         ^"]


def test_a_wrong_header_names_the_missing_column(tmp_path):
    path = write(tmp_path, "trigger,verdict,defect\n1,pass,\n2,oops,\n")
    with pytest.raises(ProblemsFound, match=r"missing: `defects`\. Did you mean `defects`\?"):
        read_truth(path)
    assert problems(path) == [(1, 1, "truth-header")]


@pytest.mark.parametrize(
    ("text", "line", "code"),
    [
        (b"", 1, "truth-header"),
        (b"\n\n", 1, "truth-header"),
        (b"trigger,verdict,defects\n1,pass,\n2,pass,\xff\n", 3, "not-utf8"),
        (b'trigger,verdict,defects\n1,"pass"x,\n', 2, "truth-row"),
        (b'trigger,verdict,defects\n1,"pass\n', 2, "truth-row"),
    ],
)
def test_a_file_that_is_no_table_is_a_problem(tmp_path, text, line, code):
    assert [(p[0], p[2]) for p in problems(write(tmp_path, text))] == [(line, code)]


def test_a_missing_file_is_a_problem(tmp_path):
    assert problems(tmp_path / "truth.csv") == [(0, 0, "unreadable")]


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.one_of(st.binary(), st.text().map(str.encode)))
def test_any_bytes_give_truth_or_problems(tmp_path, text):
    path = write(tmp_path, b"trigger,verdict,defects\n" + text)
    problems, truth = [], {}
    try:
        truth = read_truth(path)
    except ProblemsFound as found:
        problems = found.problems
    assert not (problems and truth)
    assert all(t.verdict in ("pass", "reject") for t in truth.values())
    assert all(problem.line > 0 for problem in problems)


def test_the_captured_sets_have_sound_truth():
    files = sorted(SETS.glob("*/truth.csv"))
    if not files:
        pytest.skip("the folder of shared captures is not beside this checkout")
    for file in files:
        lines = [line for line in file.read_text().splitlines()[1:] if line]
        assert len(read_truth(file)) == len(lines)
