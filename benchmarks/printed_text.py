"""Right lines accepted and changed lines refused, on drawn lines of dots and of strokes.

Run with ``python -m benchmarks.printed_text [--quick]``. Lines come from
`tests/generators/dot_matrix.py` (capitals of 3.0 mm at 0.19 mm/px, 15.8 px; moved by 1 mm, turned
by 1.5 degrees, light uneven by 25 %, blur 0.5-0.9 px). Ten lines teach (seed 1); the lines judged
come from another seed. "Next lots" are orders with characters that were never taught: those are
held against built-in dots, whose looks are not quite the printed ones. A line is accepted when
`matches` is true and, for what is read, the right time was read. A changed line has one character
changed, digit to digit or letter to letter, anywhere but in the time. "Before" is the first trial
of the method: capitals of 35 px, glyphs from the print's own font, pitch known, no slant, stretch
or turn, digits changed only.
"""

import argparse
import time
from dataclasses import dataclass, replace
from datetime import date

import cv2
import numpy as np

from steps._shared.text_patterns import parse_pattern
from steps.contract import Given, Reference, View
from steps.printed_text import PrintedTextParams, PrintedTextValues, prepare, printed_text, teach
from tests.generators.dot_matrix import (
    CHARACTERS,
    Look,
    changed,
    dot_line,
    sheet,
    solid_line,
    varied,
)

TAUGHT_ORDER = {"lot": "K4471", "expiry": date(2027, 3, 14)}
ORDERS = [
    TAUGHT_ORDER,
    {"lot": "L5991", "expiry": date(2029, 3, 11)},
    {"lot": "H8062", "expiry": date(2028, 9, 25)},
    {"lot": "A7350", "expiry": date(2026, 10, 30)},
]
SOURCES = ("taught", "font picture", "taught, next lots", "built-in dots")
DATE, LOT = "BB {expiry:dd/mm/yyyy}", "LOT {lot} hh:mm"


@dataclass(frozen=True)
class Row:
    """One row of the table."""

    name: str
    look: Look
    slant: float = 0.0
    stretch: float = 0.0
    before: str = "-"


ROWS = [
    Row("dots touch", Look(dot=1.1), before="200/200, 0/200, 27 ms"),
    Row("dots with gaps", Look(dot=0.75), before="200/200, 0/200, 23 ms"),
    Row(
        "low contrast, 2 % missing",
        Look(missing=0.02, ground=150, ink=105),
        before="200/200, 0/200, 28 ms",
    ),
    Row("5 % missing", Look(missing=0.05), before="199/200, 0/200, 20 ms"),
    Row("2 % missing, slant 10, stretch 10 %", Look(missing=0.02, clutter=True), 10, 0.1),
    Row("gaps, 3 % missing, slant 10, stretch 10 %", Look(missing=0.03, dot=0.75), 10, 0.1),
]
STROKES = [
    Row("strokes", Look(clutter=True), 3, 0.03),
    Row("strokes, slant 8, stretch 8 %", Look(), 8, 0.08),
]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="40 lines a row, not 250")
    count = 40 if parser.parse_args().quick else 250
    cv2.setNumThreads(1)
    print(f"{count} right and {count} changed lines a row; margin: 1 % of right / largest changed")
    totals: dict[str, np.ndarray] = {}
    for source in SOURCES:
        print(f"\n{source:42} right ok  changed ok   margin         ms    before")
        for row in ROWS:
            totals[source] = totals.get(source, 0) + shown(row, source, count, dot_line)
    print(f"\n{'taught, ordinary print':42} right ok  changed ok   margin         ms")
    for row in STROKES:
        shown(row, "taught", count, solid_line)
    print()
    for source, (right, all_right, wrong, all_wrong) in totals.items():
        share = 100 * right / all_right
        print(
            f"{source:20} {right} of {all_right} right lines accepted ({share:.2f} %), "
            f"{wrong} of {all_wrong} changed ones"
        )


def shown(row: Row, source: str, count: int, draw) -> np.ndarray:
    """Measure one row, print it, and give its counts."""
    rng = np.random.default_rng(7700)
    right: list[float] = []
    wrong: list[float] = []
    accepted = [0, 0]
    times: list[float] = []
    orders = {"taught": ORDERS[:1], "taught, next lots": ORDERS[1:]}.get(source, ORDERS)
    cases = [(text, order) for text in (DATE, LOT) for order in orders]
    ready = [prepared(text, order, row.look, source, draw) for text, order in cases]
    for k in range(count):
        text, order = cases[k % len(cases)]
        params, held = ready[k % len(cases)]
        line = line_of(text, order, int(rng.integers(10_000)))
        known = line[:-5] if text == LOT else line
        other = changed(known, rng, CHARACTERS) + line[len(known) :]
        for printed, margins, which in ((line, right, 0), (other, wrong, 1)):
            look = varied(row.look, rng, slant=row.slant, stretch=row.stretch)
            seen = View(draw(printed, look, rng).gray, mm_per_px=look.mm_per_px)
            start = time.process_time()
            values = printed_text(seen, params, held)
            times.append(time.process_time() - start)
            if isinstance(values, PrintedTextValues):
                accepted[which] += values.matches and (which == 1 or values.text == printed)
                margins.append(values.worst_margin)
            else:
                margins.append(-9.0)
    print(
        f"{row.name:42} {accepted[0]:3}/{count}   {accepted[1]:3}/{count}   "
        f"{np.percentile(right, 1):5.2f} / {max(wrong):5.2f}  {np.median(times) * 1e3:5.1f}   "
        f"{row.before}",
        flush=True,
    )
    return np.array([accepted[0], count, accepted[1], count])


def prepared(text: str, order, look: Look, source: str, draw):
    """Teach or load what a line is held against."""
    params = PrintedTextParams(text=text, height_mm=look.height_mm)
    if source == "built-in dots":
        return params, prepare(params, Given(order=order))
    if source == "font picture":
        params = params.model_copy(update={"font": "font.png", "font_text": CHARACTERS})
        picture = sheet(CHARACTERS, replace(look, ground=210.0, ink=60.0, clutter=False))
        return params, prepare(params, Given({"font.png": Reference("font.png", picture)}, order))
    params = params.model_copy(update={"reference": "taught.npz", "height_mm": None})
    rng = np.random.default_rng(1)
    views = [
        View(
            draw(
                line_of(text, TAUGHT_ORDER, 451 + 7 * k),
                varied(look, rng, slant=3, stretch=0.03),
                rng,
            ).gray,
            mm_per_px=look.mm_per_px,
        )
        for k in range(10)
    ]
    arrays = teach(views, params, Given(order=TAUGHT_ORDER)).arrays
    reference = Reference("taught.npz", arrays=arrays)
    return params, prepare(params, Given({"taught.npz": reference}, order))


def line_of(text: str, order, minute: int) -> str:
    """Give the line with a time of day in the place of what is read."""
    clock = f"{minute // 60 % 24:02}:{minute % 60:02}"
    return parse_pattern(text, order).shown().replace("??:??", clock)


if __name__ == "__main__":
    main()
