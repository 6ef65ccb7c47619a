"""Place, turn, presence and time of the flap edge on made-up bands of 600 x 80 px.

Run with ``python -m benchmarks.flap_edge [--quick]``. Frames come from `tests/generators/flaps.py`
(place and turn exact; blur 0.5 to 1.4 px, uneven light, print strokes, noise sigma 4; seeds 0, 1,
2 ...). Errors are the median and the 99 % point; the earlier figures are those of the first trial
of the method, on its own frames.
"""

import argparse
import time

import cv2
import numpy as np

from steps.contract import View
from steps.flap_edge import FlapEdgeParams, flap_edge
from tests.generators.flaps import edge

CASES = [
    # kind, contrast, earlier: found %, offset px, angle deg
    ("step", 60, "100", ".010 / .037", ".005 / .024"),
    ("step", 25, "100", ".026 / .15", ".012 / .071"),
    ("step", 8, "99", ".090 / .35", ".036 / .24"),
    ("dark_line", 25, "100", ".015 / .076", ".009 / .035"),
    ("dark_line", 12, "98", ".028 / .18", ".017 / .065"),
    ("light_line", 12, "-", "-", "-"),
]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="60 frames a row, not 300")
    count = 60 if parser.parse_args().quick else 300
    cv2.setNumThreads(1)
    print(f"{count} frames a row, noise sigma 4")
    print("edge        contrast  found %          offset px                 angle deg         ms")
    for kind, contrast, found_before, offset_before, angle_before in CASES:
        errors, times = measured(kind, contrast, count)
        offset, angle = errors.T
        print(
            f"{kind:11s} {contrast:7d}  {100 * len(errors) / count:5.1f} ({found_before:>3s})  "
            f"{pair(offset)} ({offset_before:11s})  {pair(angle)} ({angle_before:11s})  "
            f"{1e3 * np.median(times):.2f}"
        )
    for kind in ("step", "dark_line", "light_line"):
        wrong = sum(seen(s, kind) for s in range(count))
        print(f"no edge, looked for as {kind}: seen {wrong} of {count}")


def pair(errors: np.ndarray) -> str:
    return f"{np.median(errors):.3f} / {np.quantile(errors, 0.99):.3f}"


def measured(kind: str, contrast: int, count: int) -> tuple[np.ndarray, list[float]]:
    params = FlapEdgeParams(kind=kind)
    errors, times = [], []
    for seed in range(count):
        truth = edge(seed, kind=kind, contrast=contrast)
        view = View(truth.gray, mm_per_px=1.0)
        start = time.process_time()
        values = flap_edge(view, params)
        times.append(time.process_time() - start)
        if values.present:
            offset = abs(values.offset_mm - 0.5 - truth.offset)
            errors.append((offset, abs(values.angle_deg - truth.angle)))
    return np.array(errors), times


def seen(seed: int, kind: str) -> bool:
    view = View(edge(10_000 + seed, kind="none").gray, mm_per_px=1.0)
    return bool(flap_edge(view, FlapEdgeParams(kind=kind)).present)


if __name__ == "__main__":
    main()
