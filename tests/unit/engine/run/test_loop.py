"""The loop: whatever comes, in whatever order, one verdict a carton."""

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.frame import CameraTable, Frame, FrameFailure
from engine.result import RunIdentity, to_json
from engine.run.assemble import Assembler
from engine.run.loop import Inspector, run_loop
from steps.contract import NotMeasured
from tests.generators.plans import TickingClock, ToyValues, frame, limit, plan, planned

IDENTITY = RunIdentity("r", "toy@0", {}, "", "0")
TWO = plan(
    planned("lid", "top", limits=(limit(maximum=120.0),)),
    planned("code", "side", limits=(limit(camera="side", step="code", minimum=50.0),)),
)


class Listed:
    def __init__(self, arrivals, cameras=("top", "side")):
        self.cameras = cameras
        self.listed = arrivals

    def arrivals(self):
        yield from self.listed


class Kept:
    def __init__(self):
        self.verdicts = []

    def take(self, verdict, frames):
        self.verdicts.append(verdict)


def run(arrivals, workers=1, of=TWO):
    kept = Kept()
    run_loop(
        Inspector(of, CameraTable(), TickingClock()), Listed(arrivals), [kept], workers=workers
    )
    return {v.trigger: v for v in kept.verdicts}


def rows(verdicts):
    found = [to_json(v, IDENTITY) for _, v in sorted(verdicts.items())]
    return [{k: v for k, v in row.items() if k != "ms"} for row in found]


def cartons(count, seed=5):
    rng = random.Random(seed)
    return [
        frame(rng.randint(1, 255), camera, trigger)
        for trigger in range(1, count + 1)
        for camera in ("top", "side")
    ]


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_arrival_changes_no_verdict(seed):
    arrivals = cartons(8)
    shuffled = arrivals.copy()
    random.Random(seed).shuffle(shuffled)
    assert rows(run(arrivals)) == rows(run(shuffled))


def test_the_number_of_workers_changes_no_verdict():
    arrivals = cartons(40)
    assert rows(run(arrivals)) == rows(run(arrivals, workers=3))


def test_a_camera_that_did_not_answer_makes_a_fault():
    verdicts = run([frame(100, "top", 1), frame(100, "top", 2), frame(100, "side", 2)])
    assert verdicts[1].verdict == "fault"
    assert verdicts[1].reasons[0].text == "side: missing frame: no frame came"
    assert verdicts[2].verdict == "pass"


def test_two_frames_for_one_trigger_are_never_judged():
    verdicts = run([frame(100, "top", 1), frame(101, "top", 1), frame(100, "side", 1)])
    assert verdicts[1].verdict == "fault"
    assert "two frames came" in verdicts[1].reasons[0].text


def test_a_frame_that_comes_after_its_verdict_counts_for_no_carton():
    assembler = Assembler(["top"])
    assert [s.trigger for s in assembler.put(frame(trigger=1))] == [1]
    assert list(assembler.put(frame(trigger=1))) == []
    assert assembler.late == 1


def test_frames_of_unknown_cameras_are_counted_and_left_alone():
    assembler = Assembler(["top"])
    assert list(assembler.put(frame(camera="back"))) == []
    assert assembler.extra == 1


def raising(view, params):
    raise ZeroDivisionError("by nothing")


def writing(view, params):
    view.gray[0, 0] = 1
    return ToyValues(level=1.0)


def test_a_step_that_raises_is_a_fault_that_names_it_and_the_others_go_on():
    both = plan(planned("bad", function=raising), planned("lid", limits=(limit(maximum=9.0),)))
    verdict = run([frame(100)], of=both)[1]
    assert verdict.verdict == "reject"
    assert verdict.reasons[0].text == "level wrong: level 100 > 9"
    assert verdict.reasons[1].text.startswith(
        "top.bad raised ZeroDivisionError: by nothing (raising,"
    )


def test_a_step_that_writes_into_its_view_is_a_fault():
    verdict = run([frame(100)], of=plan(planned("bad", function=writing)))[1]
    assert verdict.verdict == "fault"
    assert "read-only" in verdict.reasons[0].text


def test_what_could_not_be_decoded_is_a_fault_for_that_carton_alone():
    torn = FrameFailure("side", 1, "undecodable", "side.png: the PNG file is torn")
    verdicts = run([frame(100, "top", 1), torn, frame(100, "top", 2), frame(100, "side", 2)])
    assert [verdicts[t].verdict for t in (1, 2)] == ["fault", "pass"]


def test_steps_placed_by_a_missing_pose_wait_and_say_it_once():
    lid = planned("lid")
    code = planned("code", placed_by=0, size_px=(5, 5))
    verdict = run([frame(0)], of=plan(lid, code))[1]
    assert [r.text for r in verdict.reasons] == ["lid not measured: not measured, all is black"]
    assert verdict.results[0].steps[1].waits_for == "lid"


@pytest.mark.parametrize(("dtype", "bits", "level"), [(np.uint8, 8, 100), (np.uint16, 12, 1600)])
def test_deeper_pixels_are_seen_as_eight_bits(dtype, bits, level):
    deep = Frame("top", 1, np.full((20, 30), level, dtype), bits)
    verdict = run([deep], of=plan(planned("lid", limits=(limit(minimum=100.0, maximum=100.0),))))[1]
    assert verdict.verdict == "pass"


def seen_area(view, params):
    if view.mask is None:
        return NotMeasured("no mask")
    return ToyValues(level=float((view.mask > 0).mean()))


def test_what_lies_outside_the_frame_is_masked():
    found = planned("lid")
    half_out = planned(
        "code", function=seen_area, placed_by=0, size_px=(20, 10), origin_mm=(19.5, 4.5)
    )
    verdict = run([frame(100)], of=plan(found, half_out))[1]
    assert verdict.results[0].steps[1].values["level"] == pytest.approx(0.5)


def test_views_are_cut_where_the_pose_puts_them():
    image = np.zeros((20, 30), np.uint8)
    image[6:9, 10:14] = 200
    found = planned("lid")
    part = planned("code", placed_by=0, size_px=(4, 3), origin_mm=(9.5, 5.5))
    verdict = run([Frame("top", 1, image)], of=plan(found, part))[1]
    assert verdict.results[0].steps[1].values["level"] == pytest.approx(200)
    assert verdict.results[0].steps[1].outline[0] == (9.5, 5.5)
