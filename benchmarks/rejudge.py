"""How long `rejudge` takes on many cartons: the whole command, start included.

    .venv/bin/python -m benchmarks.rejudge [--quick]

The demo's cartons are replayed once; their lines are repeated under new trigger numbers, every
number that no limit judges changed a little, 98 of 100 of them good. One limit is then moved, or
all of them.
"""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
COMMAND = (sys.executable, "-m", "engine.cli.main")


def run(*arguments: object) -> tuple[float, float]:
    """Run the command; gives the seconds it took, and those of all processors."""
    started, before = time.perf_counter(), os.times()
    done = subprocess.run([*COMMAND, *map(str, arguments)], cwd=ROOT, capture_output=True,
                          text=True, check=False)  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    after = os.times()
    busy = after.children_user + after.children_system
    busy -= before.children_user + before.children_system
    return time.perf_counter() - started, busy


def grown(file: Path, count: int) -> Path:
    """Write a results file of many cartons from one of few."""
    rows = [json.loads(line) for line in file.read_text("utf-8").splitlines()]
    good = [row for row in rows if row["verdict"] == "pass"]
    chance = random.Random(1)  # noqa: S311 - seeded, for numbers
    big = file.with_name("big.jsonl")
    with big.open("w", encoding="utf-8") as stream:
        for trigger in range(1, count + 1):
            row = chance.choice(rows if chance.random() < 0.02 else good)
            judged = {f"{f['camera']}.{f['step']}.{f['value']}" for f in row["findings"]}
            values = {
                name: float(f"{value * chance.gauss(1, 0.02):.9g}")
                if isinstance(value, float) and name not in judged else value
                for name, value in row["values"].items()
            }  # fmt: skip
            line = {**row, "trigger": f"{trigger:06d}", "values": values}
            stream.write(json.dumps(line, ensure_ascii=False) + "\n")
    return big


def main() -> None:
    """Print a table."""
    count = 10_000 if "--quick" in sys.argv else 100_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for recipe in ("demo", "brindlemoor-tea"):
            shutil.copytree(ROOT / "recipes" / recipe, folder / recipe)
        run("replay", "demo_images", "--recipe", folder / "demo", "--json", folder / "few.jsonl")
        big = grown(folder / "few.jsonl", count)
        print(f"{count} cartons, {big.stat().st_size / 1e6:.0f} MB, best of 3 [s]; goal 2")
        print("changed       clock  processors")
        file = folder / "brindlemoor-tea/recipe.yaml"
        text = file.read_text("utf-8")
        moved = text.replace("gap_mm: {max: 1.2", "gap_mm: {max: 0.35")
        every = re.sub(r"((?:min|max): -?[\d.]+\d)(?=[,}\n])", r"\g<1>1", text)
        for words, changed in (("nothing", text), ("one limit", moved), ("all limits", every)):
            file.write_text(changed, "utf-8")
            clock, busy = min(run("rejudge", big, "--recipe", folder / "demo") for _ in range(3))
            print(f"{words:12} {clock:6.2f} {busy:11.2f}")


if __name__ == "__main__":
    main()
