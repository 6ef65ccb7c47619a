"""Recorded values judged anew: the same as `run.verdict.decide` says on the values themselves."""

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.graph.plan import DaysFromToday, PlannedAgreement, PlannedReason
from engine.problems import ProblemsFound
from engine.replay import recorded as reading
from engine.replay.recorded import Held, read_held, read_recorded, readers
from engine.replay.rejudge import days_counted, not_recorded, rejudge
from engine.replay.rejudge_columns import needed
from engine.replay.rejudge_row import rejudged_row
from engine.report.compare import compare
from engine.result import CameraResult, RunIdentity, StepResult, dumps, to_json
from engine.run.verdict import decide
from tests.generators.plans import limit, plan, planned

LEVELS = st.none() | st.sampled_from([0.0, 0.5, 1.0, 1.25, -2.5, 3.75, 1e-7, 12345.6789])
TEXTS = st.none() | st.sampled_from(
    ["ok", 'a "quote", and }', "back\\", "ünïcode", '"good": false']
)
BOUNDS = st.none() | st.sampled_from([0.0, 0.5, 1.0, 3.75])
NAMES = (("top", "flap"), ("top", "lid"), ("side", "lid"))


@st.composite
def plans(draw, agree=True):
    """Three steps on two cameras, the second placed by the first, with limits drawn at random."""
    steps = []
    for camera, name in NAMES:
        limits = []
        low, high = draw(BOUNDS), draw(BOUNDS)
        if low is not None or high is not None:
            missing = draw(st.booleans())
            limits.append(limit(camera=camera, step=name, minimum=low, maximum=high,
                                may_be_missing=missing, explained_by=("top.flap",)))  # fmt: skip
        if draw(st.booleans()):
            word = draw(st.sampled_from(["ok", "back\\"]))
            limits.append(limit("word", camera, name, kind="text", equals=word))
        placed_by = 0 if (camera, name) == NAMES[1] else None
        steps.append(planned(name, camera, limits=tuple(limits), placed_by=placed_by))
    rules = []
    if agree and draw(st.booleans()):
        value = draw(st.sampled_from(["level", "word"]))
        values = tuple((*place, value) for place in NAMES)
        tolerance = draw(st.sampled_from([0.0, 0.5])) if value == "level" else 0.0
        rules.append(PlannedAgreement(values, PlannedReason("cameras differ"), tolerance, ""))
    return plan(*steps, agree=rules)


@st.composite
def cartons(draw):
    """What the steps of `plans` said: measured, not measured, waiting, broken, or no frame."""
    cameras = {"top": [], "side": []}
    for camera, name in NAMES:
        kind = draw(st.sampled_from(["measured"] * 4 + ["not measured", "raised", "waits"]))
        if kind == "measured":
            said = StepResult(camera, name, {"level": draw(LEVELS), "word": draw(TEXTS)}, ms=1.0)
        elif kind == "raised":
            said = StepResult(camera, name, None, fault="ValueError: no (f, line 1)")
        elif kind == "waits" and (camera, name) == NAMES[1]:
            said = StepResult(camera, name, None, waits_for="flap")
        else:
            said = StepResult(camera, name, None, not_measured='no "edge", seen: }')
        cameras[camera].append(said)
    results = []
    for camera, steps in cameras.items():
        fault = "missing frame: none came" if draw(st.integers(0, 9)) == 9 else None
        results.append(CameraResult(camera, () if fault else tuple(steps), fault))
    return tuple(results)


def rows_of(a_plan, lot, today=None):
    identity = RunIdentity("a-run", a_plan.identity, {"verdict": "x"}, "cameras", "1.0")
    decided = [decide(a_plan, i + 1, results, today=today, notes=("a note",), ms=2.0)
               for i, results in enumerate(lot)]  # fmt: skip
    return [to_json(verdict, identity) for verdict in decided]


def written(folder, rows):
    file = Path(folder) / "results.jsonl"
    file.write_bytes("".join(dumps(row) + "\n" for row in rows).encode())
    return file


def recorded(file, a_plan, held=None):
    held = read_held(file) if held is None else held
    return read_recorded(file, *needed(a_plan, held), held)


def without_identity(row):
    return {k: v for k, v in row.items() if k not in ("recipe", "order")}


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(old=plans(), lot=st.lists(cartons(), min_size=1, max_size=6))
def test_the_same_recipe_gives_the_same_verdicts_and_reasons(tmp_path, old, lot):
    rows = rows_of(old, lot)
    read = recorded(written(tmp_path, rows), old)
    found = rejudge(old, read)
    assert found.groups == ()
    assert found.before == found.after
    for row in read.rows(range(len(rows))):
        assert without_identity(rejudged_row(old, row)) == without_identity(row)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    old=plans(), new=plans(), lot=st.lists(cartons(), min_size=1, max_size=6), trust=st.booleans()
)
def test_other_limits_give_what_deciding_on_the_values_gives(tmp_path, old, new, lot, trust):
    rows, wanted = rows_of(old, lot), rows_of(new, lot)
    read = recorded(written(tmp_path, rows), new, None if trust else Held())
    found = rejudge(new, read)
    words = [row["verdict"] for row in rows]
    for group in found.groups:
        for i in group.positions.tolist():
            assert words[i] == group.before
            words[i] = group.after
    assert words == [row["verdict"] for row in wanted]
    assert [without_identity(rejudged_row(new, row)) for row in rows] == [
        without_identity(row) for row in wanted
    ]
    changed = [c for c in compare(rows, wanted).changes if c.verdict_changed]
    assert found.changed == len(changed)
    assert [rows[i]["trigger"] for i in found.first(99)] == [c.trigger for c in changed]


FLAP = limit(camera="top", step="flap", maximum=1.0)


def one_step(*limits):
    return plan(planned("flap", "top", limits=limits))


def measured(level):
    return (CameraResult("top", (StepResult("top", "flap", {"level": level, "word": "ok"}),)),)


def test_what_did_it_is_counted_by_value(tmp_path):
    rows = rows_of(one_step(FLAP), [measured(level) for level in (0.4, 0.9, 0.95, 3.0)])
    tight = one_step(replace(FLAP, maximum=0.5))
    found = rejudge(tight, recorded(written(tmp_path, rows), tight))
    assert (found.changed, found.before, found.after) == (
        2, {"pass": 3, "reject": 1, "fault": 0}, {"pass": 1, "reject": 3, "fault": 0},
    )  # fmt: skip
    assert found.by_place() == {"top.flap.level": (2, 0)}


@pytest.mark.parametrize("good", [True, False])
def test_where_nine_digits_do_not_tell_the_recorded_finding_does(tmp_path, good):
    level = 1.0 - 1e-12 if good else 1.0 + 1e-12
    rows = rows_of(one_step(FLAP), [measured(level)])
    assert rows[0]["values"]["top.flap.level"] == 1.0
    read = recorded(written(tmp_path, rows), one_step(FLAP), Held())
    assert rejudge(one_step(FLAP), read).after == rejudge(one_step(FLAP), read).before
    assert rejudged_row(one_step(FLAP), rows[0])["verdict"] == ("pass" if good else "reject")


def test_results_in_another_layout_are_read_all_the_same(tmp_path):
    rows = rows_of(one_step(FLAP), [measured(0.4), measured(3.0)])
    file = Path(tmp_path) / "results.jsonl"
    file.write_text("\n".join(json.dumps(row, sort_keys=True, indent=None, separators=(",", ":"))
                              for row in rows) + "\n")  # fmt: skip
    tight = one_step(replace(FLAP, maximum=0.1))
    found = rejudge(tight, recorded(file, tight))
    assert found.after == {"pass": 0, "reject": 2, "fault": 0}
    assert found.changed == 1


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda text: text[:-5], "torn-line"),
        (lambda text: text + text, "repeated-trigger"),
        (lambda text: text.replace('"values"', '"walues"'), "results-line"),
        (lambda text: text.replace('"pass"', '"fine"'), "results-line"),
        (lambda text: text.replace(": 0.4,", ": 0.4.4,"), "results-line"),
    ],
)
def test_a_spoiled_results_file_is_told_as_reading_it_tells(tmp_path, spoil, code):
    file = written(tmp_path, rows_of(one_step(FLAP), [measured(0.4)]))
    file.write_text(spoil(file.read_text("utf-8")), "utf-8")
    with pytest.raises(ProblemsFound, match=code):
        read_recorded(file, ["top.flap.level"], [])


def test_a_file_that_is_not_there_is_a_problem(tmp_path):
    with pytest.raises(ProblemsFound, match="cannot be read"):
        recorded(Path(tmp_path) / "nothing.jsonl", one_step(FLAP))


def test_several_processes_read_what_one_reads(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "BLOCK_BYTES", 3000)
    rows = rows_of(one_step(FLAP), [measured(i / 8) for i in range(40)])
    file = written(tmp_path, rows)
    with readers(file) as pool:
        side_by_side = read_recorded(file, ["top.flap.level"], ["top.flap.word"], None, pool)
    alone = read_recorded(file, ["top.flap.level"], ["top.flap.word"])
    for read in (side_by_side, alone):
        columns = read.columns
        assert columns.triggers.tolist() == list(range(1, 41))
        assert columns.numbers["top.flap.level"].values.tolist() == [i / 8 for i in range(40)]
        assert columns.words["top.flap.word"].words == (b'"ok"',)
        assert [row["trigger"] for row in read.rows([39, 0])] == ["000040", "000001"]


def test_what_was_not_recorded_is_named(tmp_path):
    file = written(tmp_path, rows_of(one_step(FLAP), [measured(0.4)]))
    more = plan(planned("flap", "top", limits=(FLAP,)), planned("lid", "top"))
    assert not_recorded(more, recorded(file, more)) == [("top", "lid", "")]
    assert not_recorded(one_step(FLAP), recorded(file, one_step(FLAP))) == []


def test_limits_that_count_from_the_day_are_named():
    moving = limit("word", "top", "flap", kind="date", minimum=DaysFromToday(90))
    assert days_counted(one_step(FLAP, moving)) == ["top.flap.word"]
    assert days_counted(one_step(FLAP)) == []


def test_limits_that_count_from_the_day_are_judged_on_the_day_given(tmp_path):
    moving = limit("word", "top", "flap", kind="date", minimum=DaysFromToday(30))
    said = StepResult("top", "flap", {"level": 0.4, "word": date(2027, 3, 14)})
    rows = rows_of(one_step(moving), [(CameraResult("top", (said,)),)], date(2026, 11, 25))
    read = recorded(written(tmp_path, rows), one_step(moving))
    assert rejudge(one_step(moving), read, date(2026, 11, 25)).changed == 0
    assert rejudge(one_step(moving), read, date(2027, 3, 1)).changed == 1
