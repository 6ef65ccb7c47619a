"""References without a carton, and views of good cartons."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from engine.faults import StepFault
from engine.replay.replay import Job
from engine.result import CameraResult, StepResult
from engine.teach.folds import UNFOLDED, Gathered, teach_steps, write_references
from engine.teach.gather import with_fresh
from steps.contract import (
    NotMeasured,
    Params,
    ReferenceFile,
    Taught,
    UnusableReference,
    Values,
    View,
)
from tests.generators.plans import plan, planned, toy


class MeanParams(Params):
    """A taught mean."""

    reference: ReferenceFile = ReferenceFile("mean.npz")
    """The taught mean."""


class OffValues(Values):
    """How far a view is off."""

    level: float | None = None
    """Grey level less the taught mean [grey levels]."""

    word: str | None = None
    """A word."""


def off_step(view, params, prepared):
    """Measure how far the mean is from the taught one; a black view is not measured."""
    if not view.gray.any():
        return NotMeasured("all is black")
    return OffValues(level=float(view.gray.mean()) - prepared, word="seen")


def teach_mean(views, params, given):
    """Teach the mean; a view of 200 and more is left out."""
    levels = [float(view.gray.mean()) for view in views]
    used = [level for level in levels if level < 200]
    if len(used) < 3:
        raise UnusableReference("fewer than three views are left")
    left_out = {i: "too bright" for i, level in enumerate(levels) if level >= 200}
    return Taught({"format": np.array([1]), "mean": np.array(np.mean(used))}, left_out)


def prepare_mean(params, given):
    return float(given.references["mean.npz"].arrays["mean"])


STEP = replace(toy(off_step), params=MeanParams, prepare=prepare_mean, teach=teach_mean,
               takes_prepared=True)  # fmt: skip
PLANNED = replace(planned(function=off_step), step=STEP, params=MeanParams())
JOB = Job(plan(PLANNED), None)


def gathered(levels):
    views = [View(np.full((4, 4), level, np.uint8)) for level in levels]
    return Gathered(PLANNED, list(range(1, len(levels) + 1)), views)


def test_each_carton_is_measured_by_a_reference_made_without_it():
    (step,) = teach_steps(JOB, [gathered([10, 20, 30, 40, 50, 60])])
    assert float(step.taught.arrays["mean"]) == 35
    others = {1: (20, 30, 40, 50), 2: (10, 30, 40, 50, 60), 6: (20, 30, 40, 50)}
    for trigger, made_of in others.items():
        expected = 10 * trigger - np.mean(made_of)
        assert step.fresh[trigger]["level"] == pytest.approx(expected)
    assert (step.used, step.left_out, step.failed) == (6, {}, ())


def test_a_view_that_is_left_out_makes_no_reference_but_is_measured():
    (step,) = teach_steps(JOB, [gathered([10, 20, 30, 250, 40])])
    assert step.left_out == {4: "too bright"}
    assert step.fresh[4]["level"] == pytest.approx(250 - 25)
    assert step.fresh[1]["level"] == pytest.approx(10 - 30)


def test_a_carton_that_is_not_measured_says_so():
    (step,) = teach_steps(JOB, [gathered([10, 20, 0, 30, 40])])
    assert step.fresh[3] == "all is black"


def test_where_no_reference_can_be_made_without_a_carton_it_is_said():
    (step,) = teach_steps(JOB, [gathered([10, 20, 30])])
    assert len(step.failed) == 3
    assert step.failed[0] == "without 000001: top.lid: fewer than three views are left"
    assert step.fresh[2].startswith(UNFOLDED)


def test_a_reference_that_cannot_be_made_is_a_fault_that_names_the_step():
    with pytest.raises(StepFault, match=r"top\.lid: fewer than three views"):
        teach_steps(JOB, [gathered([10, 20])])
    with pytest.raises(StepFault, match=r"top\.lid: no carton gave a view"):
        teach_steps(JOB, [gathered([])])


def test_values_of_references_without_a_carton_replace_its_own():
    (step,) = teach_steps(JOB, [gathered([10, 20, 0, 30, 40])])
    said = StepResult("top", "lid", {"level": 0.0, "word": "flattering"})
    waits = replace(said, values=None, waits_for="panel")
    results = {t: (CameraResult("top", (said,)),) for t in range(1, 6)}
    results[5] = (CameraResult("top", (waits,)),)
    renewed = with_fresh(results, [step])
    assert renewed[1][0].steps[0].values == step.fresh[1]
    assert renewed[3][0].steps[0].not_measured == "all is black"
    assert renewed[5][0].steps[0] == waits


def test_references_are_written_all_or_none(tmp_path):
    taught = Taught({"format": np.array([1])}, {}, np.zeros((4, 4, 3), np.uint8))
    folder = Path(tmp_path)
    write_references({folder / "a.npz": taught})
    assert sorted(f.name for f in folder.iterdir()) == ["a.npz", "a.taught.png"]
    before = (folder / "a.npz").read_bytes()
    (folder / "file").write_text("in the way")
    other = Taught({"format": np.array([2])}, {})
    with pytest.raises(StepFault, match="none was"):
        write_references({folder / "a.npz": other, folder / "file" / "b.npz": other})
    assert (folder / "a.npz").read_bytes() == before
    assert not list(folder.glob("*.part"))
