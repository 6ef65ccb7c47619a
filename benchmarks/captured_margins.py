"""How far good and bad cartons lie from each limit, in units of the good spread.

`python benchmarks/captured_margins.py RESULTS TRUTH [--taught 20]`: RESULTS of `replay --json` over
a whole set, TRUTH its truth.csv. Spread s and mean come from the first cartons (which taught);
good and bad cartons are the others. For each limit: where it stands, the good carton farthest
towards it, and the nearest of the bad cartons that it is meant to catch.
"""

from __future__ import annotations

import argparse
import statistics
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from engine.records.results import read_results
from engine.report.truth import Truth, read_truth

LEAST_SPREAD = {"count": 1.0, "fraction": 0.001, "mm": 0.01, "deg": 0.02}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("results", type=Path)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--taught", type=int, default=20)
    options = parser.parse_args()
    rows = {int(row["trigger"]): row for row in read_results(options.results)}
    truth = read_truth(options.truth)
    print("| limit | mean, s of good | limit at | good max | least bad | overlap |")
    print("|---|---|---|---|---|---|")
    for line in table(rows, truth, options.taught):
        print("| " + " | ".join(line) + " |")


def table(rows: dict[int, dict], truth: dict[int, Truth], taught: int) -> list[tuple[str, ...]]:
    """Give a line for each bound of each limit on a number."""
    findings: dict[tuple[str, str, float], list[tuple[int, dict]]] = {}
    for trigger, row in rows.items():
        for finding in row["findings"]:
            name = f"{finding['camera']}.{finding['step']}.{finding['value']}"
            for word in ("min", "max"):
                bound = finding["limit"].get(word)
                if isinstance(bound, (int, float)):
                    findings.setdefault((name, word, bound), []).append((trigger, finding))
    return [_line(key, found, truth, taught) for key, found in findings.items()]


def _line(key, found, truth: dict[int, Truth], taught: int) -> tuple[str, ...]:
    name, word, bound = key
    sign = 1 if word == "max" else -1
    unit = found[0][1]["unit"]
    numbers = {t: f["measured"] for t, f in found if isinstance(f["measured"], (int, float))}
    good = [numbers[t] for t in numbers if t <= taught and truth[t].verdict == "pass"]
    mean = statistics.fmean(good)
    spread = max(statistics.stdev(good), LEAST_SPREAD.get(unit, 1e-9))

    def far(value: float) -> float:
        return sign * (value - mean) / spread

    others = [far(v) for t, v in numbers.items() if t > taught and truth[t].verdict == "pass"]
    meant = {word.split(":")[0] for word in found[0][1]["catches"]}
    bad = {
        t: far(v)
        for t, v in numbers.items()
        if truth[t].verdict != "pass" and {d.word for d in truth[t].defects} & meant
    }
    broken = [d for d in bad.values() if d > far(bound)]
    nearest = f"{min(broken):.1f} s ({len(broken)} of {len(bad)})" if broken else f"0 of {len(bad)}"
    overlap = "yes" if broken and others and min(broken) <= max(others) else "no"
    shown = f"{mean:.4g}, {spread:.2g} {unit}"
    where = f"{word} {bound:g} = {far(bound):.1f} s"
    return name, shown, where, f"{max(others):.1f} s" if others else "-", nearest, overlap


if __name__ == "__main__":
    main()
