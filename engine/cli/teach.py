"""`cartonverdict teach`: references from good cartons, and what values suggest as limits."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

    from engine.problems import Problem
    from engine.replay.replay import Job
    from engine.teach.folds import TaughtStep
    from engine.teach.gather import Looked
    from engine.teach.suggest import Spread, Suggestion


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("set", type=Path, help="a captured set with good cartons")
    parser.add_argument("--recipe", type=Path, required=True, help="a recipe's folder or file")
    parser.add_argument(
        "--cartons", metavar="1-20", required=True, help="which cartons are good, as 1-20,25"
    )
    parser.add_argument(
        "--leave-out", metavar="7,12", help="good cartons that are not to be used after all"
    )
    parser.add_argument(
        "--leave-out-named", action="store_true",
        help="leave out the cartons that stand out; they are named in any case",
    )  # fmt: skip
    parser.add_argument(
        "--keep", metavar="14", help="cartons that stand out and are good all the same"
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
    parser.add_argument(
        "--write", action="store_true", help="write suggested limits, those named by --limit"
    )
    parser.add_argument(
        "--limit", action="append", default=[], metavar="CAMERA.STEP.VALUE",
        help="limit to write; .min or .max behind it for one side; `all-taught` for all limits "
        "of the steps taught just now",
    )  # fmt: skip
    parser.add_argument("--yes", action="store_true", help="write without asking")
    parser.add_argument(
        "--check", type=Path, metavar="SET", help="hold known cartons against suggested limits"
    )
    parser.add_argument(
        "--check-cartons", metavar="21-95",
        help="which cartons of --check; without a truth.csv there, all of them are bad",
    )  # fmt: skip


@dataclass(slots=True)
class _Learnt:
    """What the good cartons gave."""

    job: Job
    triggers: list[int]
    looked: Looked
    taught: list[TaughtStep]
    found: list[Spread]
    named: dict[int, list[str]]

    @property
    def taught_places(self) -> set[str]:
        """Name each `camera.step` that was taught."""
        return {f"{step.planned.camera}.{step.planned.name}" for step in self.taught}


def run(options: argparse.Namespace) -> int:
    """Teach references, show what values suggest, and write limits where that is asked for."""
    from rich.console import Console

    from engine.devices.cameras.captured_set import open_set
    from engine.graph.order import read_pairs
    from engine.replay.cartons import chosen
    from engine.replay.replay import prepare_job
    from engine.teach.suspects import short_stretch

    console = Console(highlight=False)
    console.width = max(console.width, 130)  # a table that is folded cannot be compared
    captured = open_set(options.set)
    triggers = chosen(options.cartons, captured.files)
    if options.leave_out:
        gone = chosen(options.leave_out, triggers, "--leave-out")
        triggers = [t for t in triggers if t not in gone]
    job = prepare_job(captured, options.recipe, read_pairs(options.order), untaught_allowed=True)
    _check_options(job, options)
    kept = set(chosen(options.keep, triggers, "--keep")) if options.keep else set[int]()
    learnt = _learn(job, options, triggers, kept, console)
    _say_named(learnt, options, console)
    if learnt.named and options.leave_out_named:
        triggers = [t for t in triggers if t not in learnt.named]
        learnt = _learn(job, options, triggers, kept, console)
        _say_named(learnt, argparse.Namespace(leave_out_named=False), console)
    _write_references(learnt, options, console)
    suggestions = _show(learnt, options, console)
    short = short_stretch(captured, learnt.triggers)
    if short is not None:
        console.print(short, style="bold", soft_wrap=True)
    if options.check is not None:
        _check_known(options, suggestions, console)
    return _write_limits(learnt, suggestions, options, console) if options.write else 0


def _check_options(job: Job, options: argparse.Namespace) -> None:
    from engine.problems import Problem, ProblemsFound, nearest
    from engine.teach.asked import ALL_TAUGHT, side_of

    problems: list[Problem] = []
    limits = {
        f"{limit.camera}.{limit.step}.{limit.value}"
        for camera in job.plan.cameras.values()
        for step in camera.steps
        for limit in step.limits
    }
    for name in options.limit:
        if name != ALL_TAUGHT and side_of(name)[0] not in limits:
            what = f"The recipe has no limit on this value.{nearest(side_of(name)[0], limits)}"
            problems.append(Problem("--limit", 0, 0, name, "option", what))
    if bool(options.limit) != options.write:
        what = "`--write` needs `--limit CAMERA.STEP.VALUE` or `--limit all-taught`, and they it: "
        what += "limits that the product asks for are left alone."
        problems.append(Problem("--write", 0, 0, "", "option", what))
    if options.check_cartons is not None and options.check is None:
        what = "`--check-cartons` goes with `--check SET`."
        problems.append(Problem("--check-cartons", 0, 0, "", "option", what))
    if problems:
        raise ProblemsFound(problems)


def _learn(
    job: Job,
    options: argparse.Namespace,
    triggers: Sequence[int],
    kept: Collection[int],
    console: Console,
) -> _Learnt:
    """Look at the good cartons, and teach; nothing is written."""
    import os

    from engine.problems import ProblemsFound
    from engine.teach.folds import teach_steps
    from engine.teach.gather import look, with_fresh
    from engine.teach.suggest import spreads
    from engine.teach.suspects import no_frames, outliers, set_problems, swapped

    problems = set_problems(job.captured, list(job.plan.cameras), triggers)
    if problems:
        raise ProblemsFound(problems)
    wanted = _wanted(job, options.step)
    with console.status("looking at the good cartons") as status:
        looked = look(
            job, triggers, wanted, lambda t: status.update(f"looking at good cartons: {t:06d}")
        )
        problems = no_frames(job.captured, looked.results) or swapped(job, looked.results)
        if problems:
            raise ProblemsFound(problems)
        workers = min(4, os.cpu_count() or 1)
        taught = teach_steps(job, looked.gathered, workers=workers, say=status.update)
    looked = replace(looked, results=with_fresh(looked.results, taught))
    found = spreads(job.plan, looked.results)
    named = outliers(job.plan, looked.results, found)
    named = {trigger: why for trigger, why in named.items() if trigger not in kept}
    return _Learnt(job, list(triggers), looked, taught, found, named)


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


def _say_named(learnt: _Learnt, options: argparse.Namespace, console: Console) -> None:
    """Name the cartons that stand out."""
    if not learnt.named:
        return
    console.print("These cartons are called good and stand out among the others:", style="bold")
    for trigger, reasons in learnt.named.items():
        console.print(f"  {trigger:06d}: {'; '.join(reasons)}", markup=False, soft_wrap=True)
    numbers = ",".join(map(str, learnt.named))
    console.print(
        "They are left out; all is done again without them."
        if options.leave_out_named
        else f"Look at them. `--leave-out {numbers}` does without them, `--keep {numbers}` says "
        "that they are good.",
        soft_wrap=True,
    )


def _write_references(learnt: _Learnt, options: argparse.Namespace, console: Console) -> None:
    from engine.recipe.load import load_recipe
    from engine.teach.folds import write_references

    if not learnt.taught:
        console.print("Every reference is there; name one with --step to teach it anew.")
        return
    loaded = load_recipe(options.recipe)
    files: dict[str, Path] = {}
    for step in learnt.taught:
        path = ("cameras", step.planned.camera, "steps", step.planned.name, "settings")
        place = f"{step.planned.camera}.{step.planned.name}"
        files[place] = loaded.folder_of((*path, "reference")) / step.reference
    write_references(dict(zip(files.values(), (s.taught for s in learnt.taught), strict=True)))
    for (place, file), step, views in zip(
        files.items(), learnt.taught, learnt.looked.gathered, strict=True
    ):
        console.print(f"{place}: {file} from {step.used} cartons.", soft_wrap=True)
        for trigger, why in step.left_out.items():
            console.print(f"  left out {trigger:06d}: {why}", markup=False, soft_wrap=True)
        lost = sorted(set(learnt.triggers) - set(views.triggers))
        if lost:
            names = ", ".join(f"{t:06d}" for t in lost)
            console.print(f"  gave no view: {names}", markup=False, soft_wrap=True)
        for why in step.failed:
            console.print(
                f"  no reference could be made {why}. Values of these cartons are missing below.",
                style="bold", markup=False, soft_wrap=True,
            )  # fmt: skip


def _show(learnt: _Learnt, options: argparse.Namespace, console: Console) -> list[Suggestion]:
    """Show values and suggestions; gives the suggestions."""
    from engine.teach.asked import suggestions_for
    from engine.teach.suggest import what_cannot_be_claimed
    from engine.teach.tables import suggestions_table, values_table

    count = len(learnt.triggers)
    console.print(values_table(learnt.found, count, everything=options.all))
    plan = learnt.job.plan
    suggestions = suggestions_for(plan, learnt.found, options.limit, learnt.taught_places)
    console.print(suggestions_table(learnt.found, suggestions))
    console.print(what_cannot_be_claimed(count), soft_wrap=True)
    console.print(
        "Where the product says what is allowed (mm, degrees, counts), that is the limit; the "
        "spread only checks it.\nSteps taught just now are measured by references made without "
        "the carton itself.",
        soft_wrap=True,
    )
    return suggestions


def _check_known(
    options: argparse.Namespace, suggestions: Sequence[Suggestion], console: Console
) -> None:
    """Hold known cartons against the recipe's limits and the suggested ones."""
    from engine.devices.cameras.captured_set import open_set
    from engine.graph.order import read_pairs
    from engine.replay.cartons import chosen
    from engine.replay.replay import prepare_job
    from engine.report.truth import read_truth
    from engine.teach.asked import ALL_TAUGHT, side_of
    from engine.teach.gather import look
    from engine.teach.known import check_known
    from engine.teach.tables import known_lines

    captured = open_set(options.check)
    triggers = chosen(options.check_cartons, captured.files, "--check-cartons")
    if options.check.resolve() == options.set.resolve():
        taught = chosen(options.cartons, captured.files)
        triggers = [t for t in triggers if t not in taught]
    truth = read_truth(captured.truth_file) if captured.truth_file else {}
    job = prepare_job(captured, options.recipe, read_pairs(options.order))
    with console.status("looking at known cartons") as status:
        looked = look(job, triggers, (), lambda t: status.update(f"known cartons: {t:06d}"))
    days = {
        trigger: min(
            (said.taken_at.date() for (t, _), said in captured.times.items()
             if t == trigger and said.taken_at is not None),
            default=captured.day,
        )
        for trigger in triggers
    }  # fmt: skip
    asked = {side_of(name)[0] for name in options.limit}
    everything = not asked or ALL_TAUGHT in asked
    sound = [s for s in suggestions if s.sound and (everything or s.place in asked)]
    checked = check_known(job.plan, looked.results, sound, days)
    good = [t for t in triggers if t in truth and truth[t].verdict == "pass"]
    bad = [t for t in triggers if t not in good]
    words = {t: str(said) for t, said in truth.items()}
    for line in known_lines(checked, bad, good, sound, words):
        console.print(line, markup=False, soft_wrap=True)


def _write_limits(
    learnt: _Learnt,
    suggestions: Sequence[Suggestion],
    options: argparse.Namespace,
    console: Console,
) -> int:
    """Write the limits that are asked for into the recipe; 1 when one of them was not."""
    from engine.recipe.base import recipe_file
    from engine.teach.asked import bounds_to_write
    from engine.teach.bounds_edit import difference, edited, read_text, replace_text, to_paste

    if learnt.named:
        console.print("Nothing is written: decide first about the cartons that stand out.")
        return 1
    bounds, refused = bounds_to_write(suggestions, options.limit, learnt.taught_places)
    for line in refused:
        console.print(f"not written: {line}", markup=False, soft_wrap=True)
    file = recipe_file(options.recipe)
    before = read_text(file)
    found = edited(before, str(file), bounds)
    if found.elsewhere:
        console.print(
            f"These limits are inherited from another recipe. To set them here, add to {file}:",
            soft_wrap=True,
        )
        console.print(to_paste(found.elsewhere), markup=False, soft_wrap=True)
    if found.text == before:
        console.print("The recipe stays as it is.")
        return 1 if refused or found.elsewhere else 0
    console.print(difference(before, found.text, str(file)), markup=False, soft_wrap=True)
    if not options.yes and not _agreed(file):
        console.print("The recipe stays as it is.")
        return 1
    replace_text(file, found.text, lambda part: _compiles(part, learnt.job))
    console.print(f"written: {file}", soft_wrap=True)
    return 1 if refused or found.elsewhere else 0


def _agreed(file: Path) -> bool:
    """Ask whether the recipe is to be changed."""
    if not sys.stdin.isatty():
        print("Not written: nobody is there to ask. --yes writes without asking.")
        return False
    return input(f"Write this into {file}? [y/N] ").strip().lower() in ("y", "yes")


def _compiles(file: Path, job: Job) -> None:
    from engine.graph.compile import compile_recipe
    from engine.recipe.load import load_recipe

    order = {name: str(value) for name, value in job.plan.order.items()}
    compile_recipe(load_recipe(file), order, job.captured.cameras, prepared=False)
