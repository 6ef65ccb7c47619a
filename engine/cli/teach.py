"""`cartonverdict teach`: references from good cartons, and what values suggest as limits."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

    from engine.replay.replay import Job
    from engine.result import Value
    from engine.teach.folds import TaughtStep
    from engine.teach.suggest import Spread


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("set", type=Path, help="a captured set with good cartons")
    parser.add_argument("--recipe", type=Path, required=True, help="a recipe's folder or file")
    parser.add_argument(
        "--cartons", metavar="1-20", required=True, help="which cartons are good, as 1-20,25"
    )
    parser.add_argument(
        "--order",
        action="append",
        default=[],
        metavar="FIELD=VALUE",
        help="value of an order field",
    )
    parser.add_argument(
        "--step", action="append", default=[], metavar="CAMERA.STEP",
        help="teach this step anew; by default every step whose reference is missing",
    )  # fmt: skip
    parser.add_argument(
        "--all", action="store_true", help="show every value, not only those under a limit"
    )


def run(options: argparse.Namespace) -> int:
    """Teach references, then show the spread of every value."""
    from rich.console import Console

    from engine.devices.cameras.captured_set import open_set
    from engine.graph.order import read_pairs
    from engine.replay.cartons import chosen
    from engine.replay.replay import prepare_job

    console = Console(highlight=False)
    console.width = max(console.width, 130)  # a table that is folded cannot be compared
    captured = open_set(options.set)
    triggers = chosen(options.cartons, captured.files)
    order = read_pairs(options.order)
    job = prepare_job(captured, options.recipe, order, untaught_allowed=True)
    taught = _teach(job, options, triggers, console)
    job = prepare_job(captured, options.recipe, order)
    rows = _measure(job, triggers, taught, console)
    _show(job, rows, options.all, console)
    return 0


def _teach(
    job: Job, options: argparse.Namespace, triggers: Sequence[int], console: Console
) -> list[TaughtStep]:
    from engine.recipe.load import load_recipe
    from engine.teach.folds import gather, teach_step, write_reference

    wanted = _wanted(job, options.step)
    loaded = load_recipe(options.recipe)
    done: list[TaughtStep] = []
    if not wanted:
        console.print("Every reference is there; name one with --step to teach it anew.")
        return done
    for gathered in gather(job, triggers, wanted):
        planned = gathered.planned
        place = f"{planned.camera}.{planned.name}"
        with console.status(f"teaching {place} from {len(gathered.views)} views"):
            step = teach_step(job, gathered)
        path = ("cameras", planned.camera, "steps", planned.name, "settings")
        file = loaded.folder_of(path) / step.reference
        write_reference(file, step.taught)
        used = len(gathered.views) - len(step.left_out)
        console.print(f"{place}: {file} from {used} cartons.")
        for trigger, why in step.left_out.items():
            console.print(f"  left out {trigger:06d}: {why}", markup=False)
        lost = sorted(set(triggers) - set(gathered.triggers))
        if lost:
            names = ", ".join(f"{t:06d}" for t in lost)
            console.print(f"  gave no view: {names}", markup=False)
        done.append(step)
    return done


def _wanted(job: Job, named: Sequence[str]) -> list[tuple[str, str]]:
    from engine.graph.plan import Untaught
    from engine.problems import Problem, ProblemsFound, listed, nearest

    teachable = {
        f"{p.camera}.{p.name}": p
        for camera in job.plan.cameras.values()
        for p in camera.steps
        if p.step.teach is not None
    }
    unknown = [name for name in named if name not in teachable]
    if unknown:
        what = f"No such step is taught. Taught steps: {listed(teachable)}."
        raise ProblemsFound(
            [
                Problem("--step", 0, 0, name, "unknown-step", what + nearest(name, teachable))
                for name in unknown
            ]
        )
    return [
        (p.camera, p.name)
        for name, p in teachable.items()
        if name in named or isinstance(p.prepared, Untaught)
    ]


def _measure(
    job: Job, triggers: Sequence[int], taught: Sequence[TaughtStep], console: Console
) -> list[Mapping[tuple[str, str], Mapping[str, Value] | None]]:
    """Measure the good cartons; taught steps count as measured by references without them."""
    from engine.frame import TriggerSet
    from engine.replay.replay import replay
    from engine.result import CartonVerdict

    rows: list[dict[tuple[str, str], Mapping[str, Value] | None]] = []

    class Gatherer:
        def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:
            row = {(s.camera, s.step): s.values for c in verdict.results for s in c.steps}
            for step in taught:
                fresh = step.fresh.get(frames.trigger)
                if fresh is not None:
                    row[step.planned.camera, step.planned.name] = fresh
            rows.append(row)

    with console.status(f"measuring {len(triggers)} good cartons"):
        replay(job, [Gatherer()], triggers=triggers)
    return list(rows)


def _show(
    job: Job,
    rows: Sequence[Mapping[tuple[str, str], Mapping[str, Value] | None]],
    everything: bool,
    console: Console,
) -> None:
    from rich.table import Table

    from engine.teach.suggest import SPREADS, spreads

    table = Table(title=f"values of {len(rows)} good cartons", title_justify="left")
    table.add_column("value", no_wrap=True)
    table.add_column("unit")
    for head in ("smallest", "mean", "largest", "spread s", f"mean ± {SPREADS:g} s"):
        table.add_column(head, justify="right", no_wrap=True)
    table.add_column("limit")
    for spread in spreads(job.plan, rows):
        if everything or spread.limit is not None:
            table.add_row(*_row(spread))
    console.print(table)
    console.print(
        f"{len(rows)} cartons show what is usual, not what is rare: keep a limit where the product "
        "asks for it\n(mm of shift, degrees), and elsewhere 6 to 8 s from the mean. Steps taught "
        "just now are measured by\nreferences made without the carton itself.",
        soft_wrap=True,
    )


def _row(spread: Spread) -> tuple[str, ...]:
    limit = spread.limit
    bounds = (
        ""
        if limit is None
        else ", ".join(
            f"{word} {bound}"
            for word, bound in (
                ("min", limit.minimum),
                ("max", limit.maximum),
                ("equals", limit.equals),
            )
            if bound is not None
        )
    )
    missing = f"not measured on {spread.missing}" if spread.missing else ""
    if not spread.numbers:
        said = ", ".join(spread.others[:3]) + (" ..." if len(spread.others) > 3 else "")
        text = "; ".join(t for t in (said, missing) if t)
        short = text if len(text) <= 24 else text[:23] + "…"
        return (spread.place, spread.unit, short, "", "", "", "", bounds)
    numbers = (min(spread.numbers), spread.mean, max(spread.numbers), spread.sd)
    suggested = f"{spread.low:.4g} .. {spread.high:.4g}" if len(spread.numbers) > 1 else ""
    shown = [f"{n:.4g}" for n in numbers]
    note = f"{bounds} ({missing})" if missing else bounds
    return (spread.place, spread.unit, *shown, suggested, note)
