"""`cartonverdict stress`: what a recipe catches of made-up defects, and from which size on."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

    from engine.devices.cameras.captured_set import CapturedSet
    from engine.study.stress import StressRun
    from engine.study.stress_results import Stress


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("set", type=Path, help="a captured set with good cartons")
    parser.add_argument("--recipe", type=Path, required=True, help="a recipe's folder or file")
    parser.add_argument(
        "--cartons", metavar="1-20",
        help="which good cartons; by default all, or those that the set's truth calls good",
    )  # fmt: skip
    parser.add_argument(
        "--order", action="append", default=[], metavar="FIELD=VALUE",
        help="value of an order field; by default the set's own",
    )  # fmt: skip
    parser.add_argument(
        "--only", metavar="spot,smudge", default="",
        help="only these defects and disturbances; a wrong name lists all",
    )  # fmt: skip
    parser.add_argument(
        "--per-defect", type=int, default=60, metavar="N", help="how many of each kind (60)"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of all chance (1)")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="threads that inspect")
    parser.add_argument("--report", type=Path, metavar="FILE", help="one HTML page with plots")
    parser.add_argument("--json", type=Path, metavar="FILE", help="all figures and trials as JSON")


def run(options: argparse.Namespace) -> int:
    """Try made-up defects; 0 when all was tried, whatever was caught."""
    from rich.console import Console

    from engine.devices.cameras.captured_set import open_set
    from engine.graph.order import read_pairs
    from engine.replay.replay import prepare_job
    from engine.study.stress import StressRun, Wanted

    console = Console(highlight=False)
    only = _checked(options)
    captured = open_set(options.set)
    triggers = _good(options, captured)
    job = prepare_job(captured, options.recipe, read_pairs(options.order))
    with console.status(f"inspecting {len(triggers)} good cartons"):
        wanted = Wanted(options.per_defect, options.seed, only, options.jobs)
        ready = StressRun(job, triggers, wanted)
    _say_cartons(ready, len(triggers), console)
    stress = _tried(ready, console)
    _write(options, stress)
    _say(options, stress, console)
    return 0


def _checked(options: argparse.Namespace) -> tuple[str, ...]:
    from engine.problems import Problem, ProblemsFound, listed, nearest
    from engine.study.defects import DEFECTS
    from engine.study.disturbances import DISTURBANCES

    problems: list[Problem] = []
    for name, least in (("per_defect", 4), ("jobs", 1), ("seed", 0)):
        if getattr(options, name) < least:
            what = f"The least is {least}."
            flag = f"--{name.replace('_', '-')}"
            given = str(getattr(options, name))
            problems.append(Problem(flag, 0, 0, given, "option", what))
    known = (*DEFECTS, *DISTURBANCES, "camera")
    only = tuple(word.strip() for word in options.only.split(",") if word.strip())
    for word in only:
        if word not in known:
            what = f"There is no such defect.{nearest(word, known)}\nThere are: {listed(known)}."
            problems.append(Problem("--only", 0, 0, word, "option", what))
    if problems:
        raise ProblemsFound(problems)
    return only


def _good(options: argparse.Namespace, captured: CapturedSet) -> list[int]:
    """Give the good cartons asked for: never one that the set's truth calls bad."""
    from engine.problems import Problem, ProblemsFound
    from engine.replay.cartons import chosen
    from engine.report.truth import read_truth

    triggers = chosen(options.cartons, captured.files)
    if captured.truth_file is None:
        return triggers
    truth = read_truth(captured.truth_file)
    good = [t for t in triggers if t not in truth or truth[t].verdict == "pass"]
    if not good:
        what = (
            f"None of the {len(triggers)} cartons chosen is good: truth.csv calls every one a "
            "reject. Defects are made in good frames; choose good cartons with --cartons."
        )
        raise ProblemsFound([Problem(str(captured.truth_file), 0, 0, "", "no-good-carton", what)])
    return good


def _say_cartons(ready: StressRun, asked: int, console: Console) -> None:
    used = len(ready.cartons)
    spread = f" (of {asked}, evenly)" if ready.chosen < asked else ""
    console.print(f"{used} good cartons{spread}, {len(ready.pairs())} kinds of defect at steps.")
    for trigger, why in ready.left_out.items():
        console.print(f"  left out {trigger:06d}, which does not pass: {why}", markup=False)


def _tried(ready: StressRun, console: Console) -> Stress:
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn("stress"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
               TextColumn("{task.description}"))  # fmt: skip
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=ready.trials)
        return ready.run(
            lambda count: bar.update(task, advance=count),
            lambda what: bar.update(task, description=what),
        )


def _write(options: argparse.Namespace, stress: Stress) -> None:
    import json

    from engine.cli.main import version
    from engine.report.stress_page import write_stress_page
    from engine.study.stress_json import stress_json

    if options.json:
        options.json.parent.mkdir(parents=True, exist_ok=True)
        text = json.dumps(stress_json(stress), ensure_ascii=False, indent=1)
        options.json.write_text(text + "\n", encoding="utf-8")
    if options.report:
        write_stress_page(options.report, stress, set_name=str(options.set), version=version())


def _say(options: argparse.Namespace, stress: Stress, console: Console) -> None:
    from rich.table import Table

    console.width = max(console.width, 120)
    table = Table(title="caught for the right reason", title_justify="left")
    for head in ("step", "defect", "caught", "a50", "a90", "a90/95", "by any step: a90"):
        numeric = head not in ("step", "defect")
        table.add_column(head, justify="right" if numeric else "left", no_wrap=True)
    for curve in stress.curves:
        if curve.trials:
            table.add_row(*_row(curve))
    console.print(table)
    console.print(_disturbed_table(stress))
    passed = [loss for loss in stress.losses if loss.verdict == "pass"]
    if stress.losses:
        console.print(
            f"Frames late or missing: {len(stress.losses) - len(passed)} of {len(stress.losses)} "
            "did not pass."
        )
    for limit in stress.untested:
        console.print(f"nothing tests this limit: {limit.key} ({limit.reason})", markup=False)
    for name, file in (("figures", options.json), ("report", options.report)):
        if file is not None:
            console.print(f"{name}: {file}", soft_wrap=True)


def _row(curve: object) -> Sequence[str]:
    from engine.report.stress_page import kind_text, size_text
    from engine.study.stress_results import Curve

    assert isinstance(curve, Curve)  # noqa: S101 - named late, so that --help stays instant
    unit = curve.defect.unit
    fit, other = curve.right_fit, curve.any_fit
    hits = sum(t.right for t in curve.trials)
    caught = f"{hits} of {len(curve.trials)}"
    if fit is None or fit.kind != "curve":
        between = fit.between if fit is not None else None
        said = f"{between[0]:.3g} to {between[1]:.3g} {unit}" if between else kind_text(fit)
        sizes = (said, "", size_text(fit.a90_95 if fit else None, unit))
    else:
        sizes = tuple(size_text(s, unit) for s in (fit.a50, fit.a90, fit.a90_95))
    return curve.place, curve.defect.title, caught, *sizes, _other(other, unit)


def _other(fit: object, unit: str) -> str:
    from engine.report.stress_page import kind_text, size_text
    from engine.study.detection import PodFit

    if not isinstance(fit, PodFit):
        return ""
    if fit.between is not None:
        return f"from {size_text(fit.between[1], unit)}"
    return size_text(fit.a90, unit) if fit.kind == "curve" else kind_text(fit)


def _disturbed_table(stress: Stress) -> object:
    from rich.table import Table

    from engine.report.stress_page import size_text

    table = Table(title="disturbances: where good cartons begin to fail", title_justify="left")
    for head in ("camera", "disturbance", "all good up to", "first fails at", "first reason"):
        table.add_column(head, no_wrap=head != "first reason")
    for found in stress.disturbed:
        unit = found.disturbance.unit
        fails = "none failed" if found.fails_from is None else size_text(found.fails_from, unit)
        table.add_row(found.camera, found.disturbance.title, size_text(found.holds_to, unit),
                      fails, found.first_reason)  # fmt: skip
    return table
