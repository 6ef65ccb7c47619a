"""What `print_difference` finds and what it lets pass, on made-up prints with exact truth.

Run: ``python -m benchmarks.print_difference [--quick]``. Prints and photographs come from
`tests/generators/prints.py`; for each of five prints ten good views are taught. The limit is
`difference` 7, fixed beforehand: the mean of the logarithms of the scores of taught views that
did not make the print, plus 7 of their (drawn in) standard deviations.

Tables: false rejects among fresh good views; the share of 2 px (quiet) and 4 px (wide) spots of
contrast 0.4 found, with the lower end of its one-sided 95 % interval (Clopper-Pearson, by scipy);
changed digits and words found; the smallest spot found in 90 %; CPU time with one thread.
"""

import argparse
import time
from dataclasses import replace

import cv2
import numpy as np
from scipy.stats import beta

from steps.contract import Given, Reference, ReferenceFile, View
from steps.print_difference import PrintDifferenceParams, prepare, print_difference, teach
from tests.generators.prints import (
    HEIGHT,
    OVER,
    QUIET,
    WIDE,
    WIDTH,
    Condition,
    Photographer,
    Print,
    print_of,
    with_spot,
)

LIMIT = 7.0
CONTRASTS = (0.1, 0.2, 0.4, 0.8)
SIZES = (1.5, 2, 3, 4, 6, 8)
CONDITIONS = {
    "quiet": (QUIET, False, 2, "4 / 3 / 2 / 1.5"),
    "wide": (WIDE, False, 4, ">8 / 6 / 3 / 2"),
    "quiet, stretched 1.5 px": (replace(QUIET, stretch=1.5), True, 3, ">8 / 6 / 4 / 3"),
}
"""Condition, local shifts, size of the spot that must be found, earlier smallest spots."""


class Bench:
    """Taught prints under one condition."""

    def __init__(self, condition: Condition, local_shifts: bool, seed: int) -> None:
        self.camera = Photographer(condition, np.random.default_rng(seed))
        self.rng = np.random.default_rng(seed + 1)
        self.names = [10 * seed + k for k in range(5)]
        self.params = PrintDifferenceParams(
            reference=ReferenceFile("print.npz"), local_shifts=local_shifts
        )
        self.prints = {s: print_of(s) for s in self.names}
        self.prepared = {s: self._taught(of) for s, of in self.prints.items()}
        self.times: list[float] = []

    def _taught(self, of: Print):
        views = [View(self.camera.view(of), mm_per_px=0.2) for _ in range(10)]
        arrays = teach(views, self.params, Given()).arrays
        reference = Reference("print.npz", arrays=arrays)
        return prepare(self.params, Given(references={"print.npz": reference}))

    def difference(self, seed: int, of: Print) -> float:
        """Photograph a print and measure it."""
        view = View(self.camera.view(of), mm_per_px=0.2)
        start = time.process_time()
        values = print_difference(view, self.params, self.prepared[seed])
        self.times.append(1e3 * (time.process_time() - start))
        return values.difference

    def spotted(self, seed: int, size: float, contrast: float) -> Print:
        """Add a spot somewhere, darker on bright ground and lighter on dark."""
        good = self.prints[seed]
        at = self.rng.uniform(15, WIDTH - 15), self.rng.uniform(15, HEIGHT - 15)
        tone = good.drawing[round(at[1] * OVER), round(at[0] * OVER)]
        return with_spot(good, at, size, -contrast if tone > 128 else contrast)

    def good(self, number: int) -> np.ndarray:
        """Measure fresh good views."""
        return np.array(
            [
                self.difference(self.names[k % 5], self.prints[self.names[k % 5]])
                for k in range(number)
            ]
        )

    def spots(self, number: int, size: float, contrast: float) -> np.ndarray:
        """Measure views with one spot each."""
        return np.array(
            [
                self.difference(self.names[k % 5], self.spotted(self.names[k % 5], size, contrast))
                for k in range(number)
            ]
        )

    def changes(self, number: int) -> np.ndarray:
        """Change one digit or one word."""
        found = []
        for k in range(number):
            seed = self.names[k % 5]
            what = {"digit": k % 13} if k % 2 else {"word": k % 30}
            found.append(self.difference(seed, print_of(seed, **what)))
        return np.array(found)


def at_least(found: int, number: int) -> float:
    """Lower end of the one-sided 95 % interval of a share (Clopper-Pearson)."""
    return float(beta.ppf(0.05, found, number - found + 1)) if found else 0.0


def smallest(bench: Bench, number: int) -> str:
    out = []
    for contrast in CONTRASTS:
        hit = next(
            (s for s in SIZES if (bench.spots(number, s, contrast) > LIMIT).mean() >= 0.9), None
        )
        out.append(">8" if hit is None else f"{hit:g}")
    return " / ".join(out)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the views")
    parser.add_argument("--no-sizes", action="store_true", help="without the smallest spots")
    parser.add_argument("--seed", type=int, default=1, help="other prints and photographs")
    parser.add_argument("--only", help="one condition")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    part = 10 if options.quick else 1
    for number, (name, settings) in enumerate(CONDITIONS.items()):
        if options.only and options.only != name:
            continue
        condition, local_shifts, size, earlier = settings
        bench = Bench(condition, local_shifts, 1000 * options.seed + number)
        good = bench.good(500 // part)
        spots = bench.spots(200 // part, size, 0.4)
        changes = bench.changes(100 // part)
        found = int((spots > LIMIT).sum())
        print(f"{name}")
        print(
            f"  false rejects      {(good > LIMIT).sum()} of {len(good)}, largest {good.max():.1f}"
        )
        print(
            f"  {size} px spots found  {found} of {len(spots)} (at least "
            f"{at_least(found, len(spots)):.2f}), 10 % below {np.quantile(spots, 0.1):.1f}"
        )
        print(
            f"  changed text found {(changes > LIMIT).sum()} of {len(changes)}, "
            f"least {changes.min():.1f}"
        )
        if not options.no_sizes:
            print(f"  smallest spot, contrast .1 / .2 / .4 / .8: {smallest(bench, 40 // part)}")
            print(f"    earlier figure: {earlier}")
        print(
            f"  CPU ms: median {np.median(bench.times):.1f}, 99 % "
            f"{np.quantile(bench.times, 0.99):.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
