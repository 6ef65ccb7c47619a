"""Right, wrong and missing items, and the count of round items, on made-up contents.

Run with ``python -m benchmarks.contents [--quick]``. Views come from `tests/generators/cells.py`
(exact truth; seeds stated below): trays of 2 x 3 cells taught from 12 good ones, items off by
up to 1.2 mm and 3 degrees, light and colour cast changing; round items 3 % off their diameter at
contrast 15 and 40, noise sigma 4, under uneven light. Earlier figures: those of the first trial.
"""

import argparse
import time

import cv2
import numpy as np

from steps.contents import ContentsParams, ContentsValues, Grid, contents, prepare, teach
from steps.contract import Given, Reference, View
from tests.generators.cells import CELL_MM, MM_PER_PX, circles, tray

REGION = (3 * CELL_MM, 2 * CELL_MM)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a fifth of the views")
    part = 5 if parser.parse_args().quick else 1
    cv2.setNumThreads(1)
    for color in (True, False):
        trays(200 // part, color)
    for either_way in (False, True):
        trays(100 // part, True, either_way=either_way)
    rounds(300 // part)


def trays(count: int, color: bool, *, either_way: bool = False) -> None:
    params = ContentsParams(
        cells=Grid(columns=3, rows=2), reference="items.npz", either_way_round=either_way
    )
    given = Given(region_mm=REGION)
    good = [["red"] * 3] * 2
    views = [seen(tray(s, good, either_way=either_way), color) for s in range(12)]
    file = Reference("items.npz", arrays=teach(views, params, given).arrays)
    ready = prepare(params, Given(references={"items.npz": file}, region_mm=REGION))
    how = ("colour" if color else "grey") + (", either way round" if either_way else "")
    print(f"\n{how}: {count} trays a row; difference of the worst cell in good spreads")
    for variety in ("red", "brown", "blue", "back", "none"):
        rows: list[ContentsValues] = []
        times = []
        for seed in range(1000, 1000 + count):
            rng = np.random.default_rng(seed)
            cells = [list(r) for r in good]
            cells[int(rng.integers(2))][int(rng.integers(3))] = variety
            view = seen(tray(seed, cells, either_way=either_way), color)
            start = time.process_time()
            values = contents(view, params, ready)
            times.append(time.process_time() - start)
            assert isinstance(values, ContentsValues)
            rows.append(values)
        difference = [v.difference for v in rows]
        full = sum(v.present == 6 and v.wrong == 0 for v in rows)
        print(
            f"  one {variety:5s}  full and right {100 * full / count:5.1f} %   "
            f"missing {np.mean([v.missing for v in rows]):.2f}  "
            f"wrong {np.mean([v.wrong for v in rows]):.2f}   "
            f"difference {min(difference):5.1f} .. {max(difference):5.1f}   "
            f"{1e3 * np.median(times) / 6:.2f} ms a cell"
        )


def rounds(count: int) -> None:
    print(f"\nround items, {count} views a row: exact % (earlier 99-100, touching at contrast 15)")
    for contrast, diameter, shape, touching, wanted in (
        (40, 30, (200, 240), True, None),
        (15, 30, (200, 240), False, None),
        (15, 30, (200, 240), True, None),
        (15, 60, (400, 480), True, None),
        (15, 20, (134, 160), True, None),
        (15, 30, (200, 240), True, 0),
    ):
        params = ContentsParams(mode="round", diameter_mm=diameter)
        ready = prepare(params, Given())
        exact, agree, times = 0, 0, []
        for seed in range(5000, 5000 + count):
            truth = circles(
                seed,
                contrast=contrast,
                diameter=diameter,
                shape=shape,
                touching=touching,
                count=wanted,
            )
            view = View(truth.gray, mm_per_px=1.0)
            start = time.process_time()
            values = contents(view, params, ready)
            times.append(time.process_time() - start)
            assert isinstance(values, ContentsValues)
            exact += values.present == truth.count
            agree += values.measures_agree
        what = "none there" if wanted == 0 else "touching" if touching else "apart"
        print(
            f"  contrast {contrast}, {diameter} px, {what:10s}  exact {100 * exact / count:5.1f}  "
            f"measures agree {100 * agree / count:5.1f}   {1e3 * np.median(times):.2f} ms a view"
        )


def seen(rgb: np.ndarray, color: bool) -> View:
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    return View(gray, mm_per_px=MM_PER_PX, rgb=rgb if color else None)


if __name__ == "__main__":
    main()
