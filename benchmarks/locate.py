"""Locate against exact truth: failures, errors and time, beside the earlier figures.

Run with ``python -m benchmarks.locate [--quick]``. Frames are made by
``tests/generators/panels.py``; seeds 0 to 265 of each kind may be used to choose settings, the
last third is held back for judging.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator

import cv2
import numpy as np

from steps.contract import Given, NotMeasured, Reference, View
from steps.locate import LocateParams, LocatePrepared, locate, prepare
from tests.generators import panels

FRAMES = 400
SEARCH_MM = 9.0
EARLIER = {
    "found %": ("100", "100"),
    "center px": (".022 / .057", ""),
    "turn deg": (".003 / .009", ""),
    "corner px": (".087 / .35", ""),
    "ms": ("9.5 / 27-32", ""),
}


def taught(seed: int, kind: str) -> tuple[np.ndarray, LocateParams, LocatePrepared]:
    """Prepare for one panel, from a frame cut-out, a whole frame or its print file."""
    art = panels.print_file(seed)
    frame = panels.taught_frame(art, seed)
    left, top = (round(v) for v in frame.pose[:2, 2] + 0.5)
    image = {
        "cut-out": frame.gray[top : top + 520, left : left + 760],
        "frame": frame.gray,
        "print": art,
    }[kind]
    w, h = panels.SIZE_MM
    ends = np.array([[0, 0, 1], [w, 0, 1], [w, h, 1], [0, h, 1]]) @ frame.pose.T
    corners = tuple((float(x), float(y)) for x, y in ends[:, :2])
    params = LocateParams(
        reference="panel.png", size_mm=panels.SIZE_MM, search_mm=SEARCH_MM, search_deg=6,
        corners_px=corners, reference_is_frame=kind == "frame",
    )  # fmt: skip
    given = Given({"panel.png": Reference("panel.png", image)})
    return art, params, prepare(params, given)


def trials(
    kind: str, hard: bool, seeds: range
) -> Iterator[tuple[int, panels.PanelFrame, object, float]]:
    """Locate in one frame after the other; yields seed, truth, result and milliseconds."""
    known: dict[int, tuple[np.ndarray, LocateParams, LocatePrepared]] = {}
    for seed in seeds:
        which = seed % 8
        if which not in known:
            known[which] = taught(which, kind)
        art, params, prepared = known[which]
        frame = panels.panel_frame(art, seed + 100_000 * hard, hard=hard)
        view = View(frame.gray)
        start = time.process_time()
        found = locate(view, params, prepared)
        yield seed, frame, found, (time.process_time() - start) * 1000


def summary(kind: str, hard: bool, seeds: range) -> None:
    """Print one line of the table, and each failure."""
    errors, quality, times, lost, wrong = [], [], [], 0, 0
    for seed, frame, found, ms in trials(kind, hard, seeds):
        times.append(ms)
        if isinstance(found, NotMeasured):
            lost += 1
            print(f"   seed {seed}: {found.why}")
            continue
        e = panels.pose_error(found.pose.matrix, frame.pose)
        if e.corner_px > 1:
            wrong += 1
            print(
                f"   seed {seed}: corner {e.corner_px:.2f} px, blur {frame.blur_px:.1f},"
                f" quality {found.quality:.3f}"
            )
        quality.append(found.quality)
        errors.append((e.center_px, e.turn_deg, e.corner_px, frame.blur_px))
    table = np.array(errors)
    sharp = table[table[:, 3] <= 1.4]
    parts = []
    for column, digits in ((0, 3), (1, 4), (2, 3)):
        m, p = np.percentile(table[:, column], [50, 99])
        parts.append(
            f"{m:.{digits}f} / {p:.{digits}f} ({np.percentile(sharp[:, column], 99):.{digits}f})"
        )
    t = np.percentile(times, [50, 99])
    print(f"{kind:8}{'hard' if hard else 'clean':6} n {len(times)}  lost {lost} >1px {wrong}  "
          f"center {parts[0]}  turn {parts[1]}  corner {parts[2]}  quality min {min(quality):.3f}  "
          f"ms {t[0]:.1f} / {t[1]:.1f}", flush=True)  # fmt: skip


def not_there(seeds: range) -> None:
    """Print the best quality that an empty belt, another product and half a panel reach."""
    _, params, prepared = taught(0, "cut-out")
    loose = params.model_copy(update={"min_quality": 0.0})
    art = panels.print_file(0)
    kinds = {"empty": [], "other": [], "half": []}
    for seed in seeds:
        kinds["empty"].append(panels.empty_belt(seed))
        kinds["other"].append(panels.panel_frame(panels.print_file(100 + seed), seed).gray)
        half = panels.panel_frame(art, seed).gray.copy()
        half[:, :640] = panels.empty_belt(seed)[:, :640]
        kinds["half"].append(half)
    for name, frames in kinds.items():
        found = [locate(View(f), loose, prepared) for f in frames]
        best = max((0.0 if isinstance(f, NotMeasured) else f.quality) for f in found)
        measured = sum(
            not isinstance(locate(View(f), params, prepared), NotMeasured) for f in frames
        )
        print(f"{name}: best quality {best:.3f}, measured {measured} of {len(frames)}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--kinds", nargs="+", default=["cut-out", "frame", "print"])
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--count", type=int, default=FRAMES)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    count = 40 if args.quick else args.count
    seeds = range(args.first, args.first + count)
    print(
        "median / p99 (p99 at blur <= 1.4 px); earlier: center .022/.057, turn .003/.009, "
        "corner .087/.35, 9.5 / 27-32 ms"
    )
    for kind in args.kinds:
        for hard in (False, True):
            summary(kind, hard, seeds)
    not_there(range(20 if args.quick else 60))


if __name__ == "__main__":
    main()
