"""Cartons that do not look good, and sets that say too little."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from engine.devices.cameras.captured_set import CapturedSet, FrameTimes
from engine.frame import CameraTable
from engine.result import CameraResult, StepResult
from engine.teach.known import check_known
from engine.teach.suggest import Suggestion, spreads
from engine.teach.suspects import no_frames, outliers, set_problems, short_stretch
from tests.generators.plans import limit, plan, planned

LIMITED = plan(planned("lid", limits=(limit(maximum=5.0),)))


def rows(values):
    return {
        i + 1: (CameraResult("top", (StepResult("top", "lid", {"level": v, "word": "ok"}),)),)
        for i, v in enumerate(values)
    }


def named(results):
    return outliers(LIMITED, results, spreads(LIMITED, results))


def test_a_carton_far_from_the_others_is_named_with_the_value():
    found = named(rows([1.0, 1.1, 0.9, 1.05, 0.95, 9.0]))
    assert list(found) == [6]
    assert found[6][0].startswith("top.lid.level 9, usual 1.0")


def test_two_cartons_far_off_do_not_hide_each_other():
    assert list(named(rows([1.0, 1.1, 0.9, 1.05, 0.95] * 2 + [9.0, 10.0]))) == [11, 12]


def test_a_carton_far_on_the_side_that_no_limit_bounds_is_not_named():
    assert named(rows([11.0, 11.1, 10.9, 11.05, 10.95, 1.0])) == {}


@given(st.integers(0, 2**32))
def test_cartons_of_one_normal_kind_are_seldom_named(seed):
    """7 standard deviations of 40 normal values: far beyond what chance gives."""
    assert named(rows(np.random.default_rng(seed).normal(3, 0.1, 40))) == {}


def test_a_carton_that_was_not_measured_or_gave_no_frame_is_named():
    results = rows([1.0] * 6)
    results[2] = (CameraResult("top", (StepResult("top", "lid", None, not_measured="no edge"),)),)
    results[4] = (CameraResult("top", fault="missing frame: none came"),)
    found = named(results)
    assert list(found) == [2, 4]
    assert "no edge" in found[2][0]
    assert "missing frame" in found[4][0]


def test_a_camera_without_one_frame_is_a_problem():
    broken = {t: (CameraResult("top", fault="undecodable frame: x"),) for t in (1, 2)}
    (problem,) = no_frames(captured(), broken)
    assert problem.code == "no-frames"
    assert "Not one of the 2 good cartons gave a frame of top" in problem.what
    assert no_frames(captured(), {**broken, **rows([1.0])}) == []


def captured(times=None, files=None):
    return CapturedSet(Path("a-set"), files or {}, {}, CameraTable(), times=times or {})


def times(*minutes):
    start = datetime(2026, 11, 25, 8, tzinfo=UTC)
    return {(i + 1, "top"): FrameTimes(start + timedelta(minutes=m))
            for i, m in enumerate(minutes)}  # fmt: skip


@pytest.mark.parametrize(
    ("at", "triggers", "words"),
    [
        (times(0, 1, 2), [1, 2, 3], "within 2 min"),
        (times(0, 100, 200), [1, 2, 3], None),
        (times(0, 1, 200), [1, 2], "within 1 min"),
        ({}, [4, 5, 6], "4 to 6, one after the other"),
        ({}, [1, 2, 3, 90], None),
    ],
)
def test_a_short_stretch_is_told(at, triggers, words):
    found = short_stretch(captured(at), triggers)
    if words is None:
        assert found is None
    else:
        assert words in found
        assert "three label reels" in found


def test_frames_of_mixed_sizes_are_named_and_a_swap_is_guessed(tmp_path):
    files = {}
    for trigger in (1, 2, 3):
        files[trigger] = {}
        for camera, size in (("top", (30, 20)), ("side", (40, 20))):
            file = Path(tmp_path) / f"{trigger}-{camera}.png"
            Image.new("L", (40, 20) if (trigger, camera) == (2, "top") else size).save(file)
            files[trigger][camera] = file
    (problem,) = set_problems(captured(files=files), ["top", "side"], [1, 2, 3])
    assert (problem.path, problem.file) == ("000002", str(files[2]["top"]))
    assert problem.what == (
        "The frame is 40 x 20 px, the others of top are 30 x 20 px. Frames of side are so: were "
        "cameras swapped?"
    )


def test_known_cartons_are_judged_by_both_limits():
    suggestion = Suggestion("top.lid.level", None, 2.0, "", sound=True)
    checked = check_known(LIMITED, rows([1.0, 3.0, 9.0]), [suggestion], {})
    assert checked.passed([1, 2, 3], suggested=False) == [1, 2]
    assert checked.passed([1, 2, 3], suggested=True) == [1]
    assert checked.broken("top.lid.level", [2, 3], suggested=False) == 1
    assert checked.broken("top.lid.level", [2, 3], suggested=True) == 2
