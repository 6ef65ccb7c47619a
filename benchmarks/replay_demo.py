"""Time per carton and step on the demo set, frames decoded before, and what a second thread gains.

`python benchmarks/replay_demo.py [--quick]`. CPU time of one cv2 thread by step (median, 99 %), the
same in sum per carton, decoding apart, and cartons a minute with one and two threads in one run.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

import cv2
import numpy as np

from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import open_set
from engine.frame import Arrival
from engine.replay.replay import prepare_job
from engine.run.loop import Inspector, run_loop


class CpuClock:
    """CPU time of this process: other work on the machine does not count."""

    def seconds(self) -> float:
        """Give CPU seconds."""
        return time.process_time()


class Listed:
    """Frames that are in memory already."""

    def __init__(self, cameras: tuple[str, ...], listed: list[Arrival]) -> None:
        self.cameras = cameras
        self.listed = listed

    def arrivals(self):
        """Give them all."""
        yield from self.listed


class Times:
    """Gathers the time of each step."""

    def __init__(self) -> None:
        self.steps: dict[str, list[float]] = {}
        self.cartons: list[float] = []

    def take(self, verdict, frames) -> None:
        """Keep the times of one carton."""
        self.cartons.append(verdict.ms)
        for camera in verdict.results:
            for step in camera.steps:
                self.steps.setdefault(f"{camera.camera}.{step.step}", []).append(step.ms)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    count = 12 if parser.parse_args().quick else 64
    cv2.setNumThreads(1)
    job = prepare_job(open_set(ROOT / "demo_images"), ROOT / "recipes/demo", {})
    triggers = list(job.captured.files)[:count]
    source = CapturedSource(job.captured, job.plan.cameras, triggers)
    start = time.process_time()
    arrivals = list(source.arrivals())
    decode_ms = 1e3 * (time.process_time() - start) / count
    inspector = Inspector(job.plan, job.captured.cameras, CpuClock())
    listed = Listed(tuple(job.plan.cameras), arrivals)
    times = Times()
    run_loop(inspector, listed, [times])
    print(f"{'step':24} {'median ms':>10} {'99 % ms':>10}")
    for name, ms in times.steps.items():
        print(f"{name:24} {statistics.median(ms):10.2f} {np.percentile(ms, 99):10.2f}")
    total = statistics.median(times.cartons)
    print(f"{'all steps of a carton':24} {total:10.2f} {np.percentile(times.cartons, 99):10.2f}")
    print(f"{'decoding its 3 JPEGs':24} {decode_ms:10.2f}")
    rates = {}
    for workers in (1, 2):
        start = time.perf_counter()
        run_loop(inspector, listed, [], workers=workers)
        rates[workers] = 60 * count / (time.perf_counter() - start)
    print(
        f"from memory: {rates[1]:.0f} cartons/min with one thread, {rates[2]:.0f} with two, "
        f"ratio {rates[2] / rates[1]:.2f}"
    )


if __name__ == "__main__":
    main()
