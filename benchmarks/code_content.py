"""How much `code_content` reads, how wrong it is, and how long it takes.

    python -m benchmarks.code_content [--quick] [--codes FOLDER]

Photographs: the folder of open photographs with `cases.csv` (by default `../shared/data/codes`
beside the checkout), each different picture once, exact symbology asked for; the two halves are
drawn at random with seed 5. Made-up codes: `tests/generators/codes.py`, symbols by zint.
Earlier figures are those of the method this step grew from, on other halves of the same pictures.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from steps._shared.symbologies import SYMBOLOGIES
from steps.code_content import CodeContentParams, CodeContentValues, code_content
from steps.contract import View
from tests.generators.codes import CONTENT, draw

CODES = Path(__file__).parents[1] / "../shared/data/codes"
NAMES = {
    "CODE-128": "code128",
    "CODE-39": "code39",
    "DATABAR": "databar",
    "DATABAR-EXP": "databar_expanded",
    "DATAMATRIX": "datamatrix",
    "EAN-13": "ean13",
    "EAN-8": "ean8",
    "ITF": "itf14",
    "QR": "qr",
    "UPC-A": "upca",
    "UPC-E": "upce",
}


def values_of(gray: NDArray[np.uint8], symbology: object, **settings: object) -> CodeContentValues:
    values = code_content(View(gray), CodeContentParams(symbology=symbology, **settings))
    assert isinstance(values, CodeContentValues)
    return values


def plain(text: str) -> str:
    for mark, instead in (("\x1d", ""), ("(", ""), (")", ""), ("\r\n", "\n")):
        text = text.replace(mark, instead)
    return text.strip()


def photographs(folder: Path) -> list[tuple[dict[str, str], NDArray[np.uint8]]]:
    with (folder / "cases.csv").open(encoding="utf-8", newline="") as file:
        rows = sorted(csv.DictReader(file), key=lambda r: r["file"].startswith("zxing-cpp"))
    once = {Path(r["file"]).with_suffix("").parts[1:]: r for r in reversed(rows)}
    pictures = []
    for row in once.values():
        gray = cv2.imread(str(folder / row["file"]), cv2.IMREAD_GRAYSCALE)
        if gray is None:
            gray = np.array(Image.open(folder / row["file"]).convert("L"))
        pictures.append((row, np.asarray(gray, np.uint8)))
    return pictures


def show_photographs(folder: Path, quick: bool) -> None:
    halves = np.random.default_rng(5)
    good: dict[str, list[bool]] = defaultdict(list)
    other: list[str] = []
    ms: list[float] = []
    false_reads = negatives = 0
    for row, gray in photographs(folder):
        if row["symbology"] == "NONE":
            negatives += 1
            for name in ["ean13", "datamatrix"] if quick else SYMBOLOGIES:
                values = code_content(View(gray), CodeContentParams(symbology=name))
                false_reads += isinstance(values, CodeContentValues) and values.text is not None
            continue
        start = time.process_time()
        values = values_of(gray, NAMES[row["symbology"]])
        ms.append(1e3 * (time.process_time() - start))
        right = values.text is not None and plain(values.text) == plain(row["text"])
        for group in ("half " + "ab"[halves.random() < 0.5], row["symbology"], "all"):
            good[group].append(right)
        if values.text is not None and not right:
            other.append(f"{row['file']}: {plain(values.text)!r} for {plain(row['text'])!r}")
    print("Photographs                 read        pictures")
    for group, goods in sorted(good.items(), key=lambda item: (item[0] != "all", item[0])):
        print(f"  {group:22s} {100 * np.mean(goods):6.1f} %   {len(goods):6d}")
    print(f"  earlier: 90.1 % / 87.1 % by half; other text 2 / 1; {'':4s}0 reads on negatives")
    print(f"  other text {len(other)}; reads on {negatives} negatives {false_reads}")
    for line in other:
        print(f"    {line}")
    middle, high = np.percentile(ms, [50, 95])
    print(f"  ms a picture: median {middle:.1f}, 95 % {high:.1f} (earlier 0.8, 35)")


def show_tilts(quick: bool) -> None:
    print("\nAny tilt, -85 to 85 degrees    read of 36   ms median   angle error, largest")
    for name in ("ean13", "gs1_128", "itf14"):
        text, expected = CONTENT[name]
        tilts = np.linspace(-85, 85, 9 if quick else 36)
        read, ms, errors = 0, [], []
        for seed, tilt in enumerate(tilts):
            gray = draw(name, text, tilt_deg=float(tilt), seed=seed, blur_px=0.6, noise=4).gray
            start = time.process_time()
            values = values_of(gray, name)
            ms.append(1e3 * (time.process_time() - start))
            read += values.text == expected
            errors.append(abs((values.angle_deg or 999) - tilt))
        print(
            f"  {name:28s} {read:3d} of {len(tilts)} {np.median(ms):10.1f} {max(errors):12.2f} deg"
        )
    print("  earlier: 108 of 108 in all three, about 70 ms")


def show_resolution(quick: bool) -> None:
    print("\nSmallest module read in 9 of 10 [px per module], noise sigma 3")
    print("  lens blur [px]              ean13  gs1_128    itf14  datamatrix      qr")
    for blur in (0.5, 0.8):
        row = [f"{smallest(name, blur, quick):8.2f}" for name in
               ("ean13", "gs1_128", "itf14", "datamatrix", "qr")]  # fmt: skip
        print(f"  {blur:<24} {'  '.join(row)}")
    print("  earlier (ean13): 1.75 at blur 0.5, 2.5 at 0.8")


def smallest(name: str, blur: float, quick: bool) -> float:
    text, expected = CONTENT[name]
    seeds = range(4 if quick else 10)
    reached = float("nan")
    for px in np.arange(3.0, 1.2, -0.25):
        turns = np.random.default_rng(1).uniform(-5, 5, len(seeds))
        grays = [
            draw(
                name, text, px_per_module=px, blur_px=blur, noise=3, seed=s, tilt_deg=turns[s]
            ).gray
            for s in seeds
        ]
        if np.mean([values_of(g, name).text == expected for g in grays]) < 0.9:
            break
        reached = float(px)
    return reached


def timed(call: Callable[[], object], times: int) -> float:
    spent = []
    for _ in range(times):
        start = time.process_time()
        call()
        spent.append(1e3 * (time.process_time() - start))
    return float(np.median(spent))


def show_times(quick: bool) -> None:
    print("\nCPU ms, median                 region   frame of 5 MP   frame without a code")
    times = 5 if quick else 21
    rng = np.random.default_rng(2)
    for name in ("ean13", "gs1_128", "itf14", "datamatrix", "qr"):
        text = CONTENT[name][0]
        region = draw(name, text, px_per_module=3).gray
        frame = draw(name, text, px_per_module=3, shape=(1944, 2592), noise=3).gray
        clutter(frame, rng)
        empty = np.full((1944, 2592), 160, np.uint8)
        clutter(empty, rng)
        row = [
            timed(lambda g=region, n=name: values_of(g, n), times),
            timed(lambda g=frame, n=name: values_of(g, n), times),
            timed(lambda g=empty, n=name: values_of(g, n), 3),
        ]
        print(f"  {name:24s} {row[0]:10.2f} {row[1]:12.1f} {row[2]:18.1f}")
    print("  goals: region 1, frame 20 (named linear symbology)")


def clutter(gray: NDArray[np.uint8], rng: np.random.Generator) -> None:
    """Print text and boxes around the middle of a frame."""
    for _ in range(60):
        x, y = int(rng.integers(0, 2200)), int(rng.integers(40, 1900))
        if not (700 < x < 1900 and 700 < y < 1250):
            cv2.putText(gray, "Keep dry 200 ml", (x, y), 0, float(rng.uniform(0.5, 2)), (60,), 2)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--codes", type=Path, default=CODES)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    if (arguments.codes / "cases.csv").exists():
        show_photographs(arguments.codes, arguments.quick)
    else:
        print(f"no photographs in {arguments.codes}")
    show_tilts(arguments.quick)
    show_resolution(arguments.quick)
    show_times(arguments.quick)


if __name__ == "__main__":
    main()
