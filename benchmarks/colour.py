"""How true `colour` is under changed light, on made-up labels with exact colours.

Run: ``python -m benchmarks.colour [--quick]``. A band of a random colour lies on tinted paper;
the light changes by up to 20 %, has a cast of up to 4 % a channel and slopes by up to 5 % over the
height; noise sigma is 1-3 grey levels; values are sRGB-coded and rounded to 8 bits. Each colour is
taught from 10 views. Then the same colour, one at a true CIEDE2000 of at most 1, and one of at
least 2.5 (differences by scikit-image) are measured. The limit is 1.75, halfway, fixed beforehand.
"""

import argparse
import time

import numpy as np
from skimage.color import deltaE_ciede2000

from steps._shared.color_difference import from_lab
from steps._shared.light import to_coded
from steps.colour import ColourParams, Patch, colour, prepare, teach
from steps.contract import Given, Reference, ReferenceFile, View

LIMIT = 1.75
PARAMS = ColourParams(
    patch_mm=Patch(x=2, y=8, width=96, height=12),
    white_mm=(Patch(x=2, y=2, width=96, height=4), Patch(x=2, y=22, width=96, height=4)),
)
TAUGHT = PARAMS.model_copy(update={"reference": ReferenceFile("band.npz")})
SCALE = 0.2
PAPER = np.array([0.80, 0.78, 0.70])


def photograph(lab: np.ndarray, rng: np.random.Generator) -> View:
    """Take one photograph of a band of a colour on paper, 500 x 140 px."""
    light = np.ones((140, 500, 1)) * PAPER
    light[38:102] = PAPER * from_lab(tuple(lab))
    cast = 1 + rng.uniform(-0.04, 0.04, 3)
    slope = 1 + rng.uniform(-0.05, 0.05) * np.linspace(-0.5, 0.5, 140)[:, None, None]
    coded = to_coded(light * 0.85 * rng.uniform(0.8, 1.2) * cast * slope, "srgb")
    seen = coded + rng.normal(0, rng.uniform(1, 3), coded.shape)
    rgb = np.clip(np.rint(seen), 0, 255).astype(np.uint8)
    return View(rgb[..., 1].copy(), mm_per_px=SCALE, rgb=rgb, gamma="srgb")


def near(lab: np.ndarray, low: float, high: float, rng: np.random.Generator) -> np.ndarray:
    """Choose a colour at a true difference between `low` and `high` that the light can show."""
    while True:
        other = lab + rng.normal(0, high, 3)
        light = from_lab(tuple(other))
        true = float(deltaE_ciede2000(lab, other))
        if low <= true <= high and light.min() > 0.02 and light.max() < 1:
            return other


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the colours")
    number = 4 if parser.parse_args().quick else 40
    rng = np.random.default_rng(5)
    measured: dict[str, list[float]] = {"same": [], "at most 1": [], "at least 2.5": []}
    off: list[float] = []
    times: list[float] = []
    for _ in range(number):
        lab = near(np.array([60.0, 0, 0]), 0, 40, rng)
        taught = teach([photograph(lab, rng) for _ in range(10)], PARAMS, Given()).arrays
        reference = Reference("band.npz", arrays=taught)
        prepared = prepare(TAUGHT, Given(references={"band.npz": reference}))
        for kind, low, high in (("same", 0, 0), ("at most 1", 0.5, 1), ("at least 2.5", 2.5, 4)):
            for _ in range(5):
                other = near(lab, low, high, rng) if high else lab
                view = photograph(other, rng)
                start = time.process_time()
                values = colour(view, TAUGHT, prepared)
                times.append(1e3 * (time.process_time() - start))
                measured[kind].append(values.delta_e)
                off.append(abs(values.delta_e - float(deltaE_ciede2000(lab, other))))
    for kind, values in measured.items():
        told = sum(v > LIMIT for v in values)
        print(
            f"true difference {kind:13s} n {len(values):3d}  measured {min(values):.2f} to "
            f"{max(values):.2f}, told apart {told}"
        )
    print("earlier figures: good at most 0.93, real differences of 2.5 at least 1.96")
    print(f"off the true difference: median {np.median(off):.2f}, largest {max(off):.2f}")
    print(f"CPU ms: median {np.median(times):.2f}, 99 % {np.quantile(times, 0.99):.2f}")


if __name__ == "__main__":
    main()
