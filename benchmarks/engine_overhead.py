"""What the engine costs beside the steps: the same calls written out straight, in one run.

Three cameras with four steps each on 1280 x 1024 frames: one step that finds a pose and three that
it places. Straight code warps the same views and calls the same functions.
`python benchmarks/engine_overhead.py [--quick]`; goal: ratio <= 1.05, <= 5 us a step.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import cv2
import numpy as np

from engine.devices.clock import MachineClock
from engine.frame import CameraTable, Frame, TriggerSet
from engine.run.loop import Inspector
from steps.contract import Pose, View
from tests.generators.plans import ToyParams, ToyValues, limit, plan, planned

SIZE_PX = (420, 480)
CAMERAS = ("front", "side", "top")
POSE = np.array([[1.0, 0.02, 300.0], [-0.02, 1.0, 200.0], [0.0, 0.0, 1.0]])


def find(view: View, params: ToyParams) -> ToyValues:
    """Stand for a step that finds a pose (about 1 ms)."""
    small = cv2.resize(view.gray, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    return ToyValues(level=float(small.mean()), pose=Pose(POSE, (100.0, 100.0)))


def look(view: View, params: ToyParams) -> ToyValues:
    """Stand for a step that measures (about 1 ms)."""
    return ToyValues(level=float(cv2.GaussianBlur(view.gray, (5, 5), 0).mean()))


def straight(frames: TriggerSet, params: ToyParams) -> list[float]:
    """Do the same work without the engine."""
    levels: list[float] = []
    to_frame = POSE @ np.array([[1.0, 0, 0.5], [0, 1.0, 0.5], [0, 0, 1.0]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    for name in CAMERAS:
        frame = frames.frames[name]
        assert isinstance(frame, Frame)
        gray = cv2.cvtColor(frame.pixels, cv2.COLOR_RGB2GRAY)
        levels.append(find(View(gray), params).level or 0)
        for _ in range(3):
            border = cv2.BORDER_REPLICATE
            view = cv2.warpPerspective(gray, to_frame, SIZE_PX, flags=flags, borderMode=border)
            levels.append(look(View(view, mm_per_px=1.0), params).level or 0)
    return levels


def main() -> None:
    """Time both ways in turn and print medians and their ratio."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    rounds = 40 if parser.parse_args().quick else 300
    cv2.setNumThreads(1)
    steps = [
        step
        for camera in CAMERAS
        for step in (
            planned(
                "panel", camera, find, limits=(limit(camera=camera, step="panel", maximum=300.0),)
            ),
            *(
                planned(
                    name,
                    camera,
                    look,
                    placed_by=0,
                    size_px=SIZE_PX,
                    limits=(limit(camera=camera, step=name, maximum=300.0),),
                )
                for name in ("print", "code", "flap")
            ),
        )
    ]
    inspector = Inspector(plan(*steps), CameraTable(), MachineClock())
    rng = np.random.default_rng(1)
    pixels = {c: rng.integers(0, 256, (1024, 1280, 3), np.uint8) for c in CAMERAS}
    frames = TriggerSet(1, {c: Frame(c, 1, pixels[c]) for c in CAMERAS})
    with_engine, without = [], []
    for _ in range(rounds):
        start = time.process_time()
        verdict = inspector.inspect(frames)
        middle = time.process_time()
        levels = straight(frames, ToyParams())
        end = time.process_time()
        with_engine.append(middle - start)
        without.append(end - middle)
    measured = [s.values["level"] for c in verdict.results for s in c.steps if s.values]
    assert np.allclose(measured, levels), "both ways must do the same work"
    a, b = 1e3 * statistics.median(with_engine), 1e3 * statistics.median(without)
    pairs = statistics.median(x / y for x, y in zip(with_engine, without, strict=True))
    print(f"engine {a:.2f} ms a carton, straight {b:.2f} ms, ratio {pairs:.3f} (goal 1.05)")
    print(
        f"{1e3 * (a - b) / len(steps):.1f} us a step (goal 5), {len(steps)} steps, {rounds} rounds"
    )


if __name__ == "__main__":
    main()
