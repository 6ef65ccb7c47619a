"""How far a camera's figures are from a fine scan of the same print, how fast, and what decodes.

Run: python -m benchmarks.code_grade_linear [--quick]

1. Prints of zint's symbols with bar gain, ragged edges and voids, photographed at 3 to 10 px a
   module and two lens blurs; errors against the mean of ten fine scans (40 samples a module through
   a disc of 0.8 X). Earlier figures: mean bias of MOD / DEC of a plain aperture.
2. Random symbols of zint and python-barcode through the reference decodes.
3. Time of ten profiles once the bars are located, and of the parts of the step.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from steps._shared import grading
from steps._shared.bar_scans import look_over_height, survey_bars, ten_scans
from steps._shared.bars_area import find_bars_area
from steps._shared.linear_find import find_linear
from steps._shared.profile_grade import grade_profiles
from steps._shared.raw_light import raw_light
from steps.code_grade_linear import CodeGradeLinearParams, code_grade_linear, grade_profile
from steps.contract import View
from tests.generators.symbols import (
    Blot,
    LinearPrint,
    fine_scan,
    photograph,
    profile_of,
    python_barcode_modules,
    random_data,
    zint_modules,
)

EARLIER = {
    (3, 0.5): "-.22 / -.10", (4, 0.5): "-.14 / -.04", (6, 0.5): "-.07 / -.005",
    (10, 0.5): "-.03 / .00", (3, 0.8): "-.37 / -.27", (4, 0.8): "-.24 / -.12",
    (6, 0.8): "-.12 / -.03", (10, 0.8): "-.05 / .00",
}  # fmt: skip
SYMBOLOGIES = ("ean13", "ean8", "upca", "code128", "gs1_128", "itf14")
NAMES = ("sc", "mod", "decodability", "defects")


def some_print(rng: np.random.Generator, k: int) -> tuple[str, LinearPrint]:
    symbology = SYMBOLOGIES[k % len(SYMBOLOGIES)]
    modules = zint_modules(symbology, random_data(symbology, rng))[0]
    bar = rng.choice(np.flatnonzero(modules))
    void = Blot(float(bar) + rng.uniform(0, 0.6), 0.0, rng.uniform(0.1, 0.4), 30.0, 0.6)
    return symbology, LinearPrint(
        modules,
        light=rng.uniform(0.6, 0.9),
        dark=rng.uniform(0.03, 0.15),
        bar_gain=rng.uniform(-0.25, 0.25),
        jitter=rng.uniform(0, 0.04),
        height=20.0,
        blots=(void,) if rng.random() < 0.5 else (),
        seed=k,
    )


def accuracy(count: int) -> None:
    print(
        "px  blur  SC bias/max MOD bias/max  DEC bias/max  Defects bias/max  earlier MOD / DEC bias"
    )
    for px in (3.0, 4.0, 6.0, 8.0, 10.0):
        for blur in (0.5, 0.8):
            rng = np.random.default_rng(7)
            errors = []
            for k in range(count):
                symbology, print_ = some_print(rng, k)
                truth = [
                    grade_profile(fine_scan(print_, (0.1 + 0.08 * (j + 0.5)) * 20), symbology)
                    for j in range(10)
                ]
                if any(t.decoded is None for t in truth):
                    continue  # torn open by its void: no figures to compare
                phase = (rng.random(), rng.random())
                gray = photograph(print_, px, blur=blur, noise=1.0, phase=phase, seed=k)
                params = CodeGradeLinearParams(symbology=symbology, white_level=1.0)
                with mock.patch.object(grading, "LEAST_PX", 0.0):
                    values = code_grade_linear(View(gray), params)
                means = [np.mean([getattr(t, n) for t in truth]) for n in NAMES]
                seen = [getattr(values, n, None) for n in NAMES]
                if None not in seen:
                    errors.append(np.array(seen) - means)
            bias, worst = np.mean(errors, axis=0), np.max(np.abs(errors), axis=0)
            cells = "  ".join(f"{b:+.3f} / {w:.3f}" for b, w in zip(bias, worst, strict=True))
            known = EARLIER.get((int(px), blur), "")
            print(f"{px:4.0f} {blur:4.1f}  {cells}   {known}  (n = {len(errors)})")


def decodes(count: int) -> None:
    rng = np.random.default_rng(8)
    for symbology in SYMBOLOGIES:
        right = total = 0
        for k in range(count // len(SYMBOLOGIES) + 1):
            data = random_data(symbology, rng)
            own = symbology in ("ean13", "ean8", "upca", "code128") and k % 2
            # python-barcode loses a leading 99 of Code 128 (zxing-cpp reads it without, too).
            own = own and not data.startswith("99")
            encode = python_barcode_modules if own else zint_modules
            profile = profile_of(encode(symbology, data)[0])
            grade = grade_profile(profile if k % 3 else profile[::-1], symbology)
            plain = data.replace("(", "").replace(")", "") if symbology == "gs1_128" else data
            right += grade.decoded == plain
            total += 1
        print(f"{symbology:9s} decoded {right} of {total}")


def timed(what: Callable[[], object], repeats: int = 60) -> float:
    times = []
    for _ in range(repeats):
        start = time.process_time()
        what()
        times.append(time.process_time() - start)
    return 1e3 * float(np.quantile(times, 0.25))


def speed() -> None:
    modules = zint_modules("ean13", "4512345678906")[0]
    gray = photograph(LinearPrint(modules, bar_gain=0.1, height=60), 6.0, blur=0.5, noise=1)
    view, params = View(gray), CodeGradeLinearParams(symbology="ean13")
    found = find_linear(gray, "ean13")
    assert found is not None
    raw = raw_light(view, found.line, "red", 700.0)
    assert raw is not None
    area = find_bars_area(raw.coded, found.line - raw.origin)
    assert area is not None
    survey = survey_bars(raw.light, area, "ean13")

    def profiles() -> object:
        scans = ten_scans(raw.light, area, "ean13", survey, 0.8 * survey.module_px)
        return grade_profiles(scans.profiles, "ean13")

    parts: dict[str, Callable[[], object]] = {
        "ten profiles once located (goal 2)": profiles,
        "find by reading": lambda: find_linear(gray, "ean13"),
        "bars' area": lambda: find_bars_area(raw.coded, found.line - raw.origin),
        "first look": lambda: survey_bars(raw.light, area, "ean13"),
        "strips over the height": lambda: look_over_height(
            raw.light, area, "ean13", survey, "4512345678906"
        ),
        "whole step": lambda: code_grade_linear(view, params),
    }
    print(
        f"EAN-13 at 6 px a module, frame {gray.shape[1]} x {gray.shape[0]}; CPU ms, lower quartile"
    )
    for name, what in parts.items():
        print(f"  {name:36s} {timed(what):6.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    cv2.setNumThreads(1)
    accuracy(6 if quick else 18)
    decodes(600 if quick else 10_000)
    speed()


if __name__ == "__main__":
    main()
