"""`cartonverdict study`: agreement of decisions, capability of values, size of a claim."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from rich.console import Console

    from engine.study.agreement import Agreement
    from engine.study.values import Limits, Series, ValueStudy

Row = dict[str, Any]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True)
    what = "the same cartons decided several times, against a reference decision"
    agreement = kinds.add_parser("agreement", help=what, description=what)
    agreement.add_argument(
        "results", nargs="+", metavar="[NAME=]RESULTS",
        help="results of `replay --json`; those of one NAME are trials of one set-up",
    )  # fmt: skip
    agreement.add_argument("--truth", type=Path, required=True, help="the reference, a truth.csv")
    what = "Cp, Cpk and control charts of values against their limits"
    capability = kinds.add_parser("capability", help=what, description=what)
    capability.add_argument("results", type=Path, help="results of `replay --json`")
    capability.add_argument(
        "--value", action="append", default=[], metavar="CAMERA.STEP.VALUE",
        help="which value, once or more; by default every number with a limit",
    )  # fmt: skip
    capability.add_argument("--lsl", type=float, metavar="X", help="lower limit of the one value")
    capability.add_argument("--usl", type=float, metavar="X", help="upper limit of the one value")
    capability.add_argument(
        "--recipe", type=Path, help="take the limits from this recipe; by default from the results"
    )
    capability.add_argument(
        "--truth", type=Path, help="only cartons that this truth.csv calls good"
    )
    capability.add_argument("--cartons", metavar="21-95", help="which cartons; by default all")
    capability.add_argument(
        "--weight", type=float, default=0.2, metavar="X",
        help="weight of the newest carton in the moving average (0.2)",
    )  # fmt: skip
    for command in (agreement, capability):
        command.add_argument(
            "--report", type=Path, metavar="FILE", help="one HTML page with charts"
        )
    what = "how many cartons a claim needs, and how many more"
    claim = kinds.add_parser("claim", help=what, description=what)
    claim.add_argument(
        "--misses",
        type=int,
        default=0,
        metavar="N",
        help="failures the claim stands in spite of (0)",
    )
    claim.add_argument(
        "--pod", type=float, default=0.9, metavar="X",
        help="least share: of bad cartons caught, or of good ones passed (0.9)",
    )  # fmt: skip
    claim.add_argument("--confidence", type=float, default=0.95, metavar="X", help="(0.95)")
    claim.add_argument("--done", type=int, default=0, metavar="N", help="cartons at hand already")


def run(options: argparse.Namespace) -> int:
    """Study recorded results; 0 when it could be done, whatever the figures."""
    from rich.console import Console

    console = Console(highlight=False)
    {"agreement": _agreement, "capability": _capability, "claim": _claim}[options.kind](
        options, console
    )
    return 0


def _claim(options: argparse.Namespace, console: Console) -> None:
    from engine.report.study_wording import claim_text
    from engine.study.shares import sample_size_for_claim

    try:
        claims = [
            sample_size_for_claim(options.pod, options.confidence, failures, options.done)
            for failures in range(options.misses, options.misses + 4)
            if failures == options.misses or not options.done or failures <= options.done
        ]
    except ValueError as error:
        what = str(error).replace("failures", "--misses").replace("share", "--pod")
        _refuse("claim", what.replace("done", "--done"))
    what = "bad cartons caught (or good ones passed)"
    console.print(claim_text(claims[0], options.done, what), markup=False, soft_wrap=True)
    table = _table("what more failures would need", ("failures", "cartons in all", "more"))
    for claim in claims:
        table.add_row(str(claim.failures), str(claim.n), str(claim.more))
    console.print(table)
    console.print("Fix the number before counting: who goes on after each failure claims too much.")


def _agreement(options: argparse.Namespace, console: Console) -> None:
    from engine.records.results import read_results
    from engine.report.study_wording import (
        PRACTICE,
        cartons_text,
        common_figures,
        left_out_texts,
        setup_figures,
    )
    from engine.report.truth import read_truth
    from engine.study.agreement import agreement

    truth = {
        trigger: said.verdict == "reject" for trigger, said in read_truth(options.truth).items()
    }
    setups: dict[str, list[dict[int, bool]]] = {}
    for name, path in _named(options.results):
        rows = read_results(path)
        decisions = {int(row["trigger"]): row["verdict"] != "pass" for row in rows}
        setups.setdefault(name, []).append(decisions)
    try:
        found = agreement(setups, truth)
    except ValueError as error:
        _refuse("RESULTS", str(error))
    heads = ("set-up", "figure", "measured", "95 %", "called")
    table = _table("agreement", heads, whole=(1, 2, 3, 4))
    for setup in found.setups:
        for figure in setup_figures(setup):
            _add(table, figure.setup, figure.what, figure.measured, figure.between, figure.band)
        table.add_section()
    for figure in common_figures(found):
        _add(table, figure.setup, figure.what, figure.measured, figure.between, figure.band)
    console.print(table)
    good = len(found.cartons) - found.bad
    console.print(f"{len(found.cartons)} cartons: {good} good, {found.bad} bad by the reference.")
    if found.disputed:
        console.print(f"Not right in every trial: {cartons_text(found.disputed, 20)}.")
    for text in left_out_texts(found.left_out):
        console.print(f"Left out, {text}.", markup=False)
    console.print("A carton that ended as a fault counts as kept back.")
    console.print(PRACTICE)
    _report_agreement(options, found, console)


def _report_agreement(options: argparse.Namespace, found: Agreement, console: Console) -> None:
    if options.report is None:
        return
    from engine.cli.main import version
    from engine.report.pages import write_page
    from engine.report.study_page import agreement_page

    write_page(options.report, agreement_page(found, options.results, version()))
    console.print(f"report: {options.report}", soft_wrap=True, markup=False)


def _named(texts: Sequence[str]) -> list[tuple[str, Path]]:
    """Give set-up and file of each; without a name, every file is a set-up of its own."""
    pairs: list[tuple[str, Path]] = []
    for text in texts:
        name, equals, path = text.partition("=")
        if equals and name and not Path(text).exists():
            pairs.append((name, Path(path)))
        else:
            pairs.append((_name_of(text, texts), Path(text)))
    return pairs


def _name_of(text: str, texts: Sequence[str]) -> str:
    """Give the file's name without its ending, the whole path where that is not enough."""
    alike = [other for other in texts if Path(other).stem == Path(text).stem]
    return Path(text).stem if len(alike) == 1 else text


def _capability(options: argparse.Namespace, console: Console) -> None:
    from engine.records.results import read_results
    from engine.study.values import gather

    if not 0 < options.weight <= 1:
        _refuse("--weight", f"It must lie above 0 and be at most 1; got {options.weight:g}.")
    rows = _chosen(options, read_results(options.results))
    found = gather(rows)
    limits = _limits_of_recipe(options, rows)
    studies = [
        study
        for series in _wanted(options, found, limits)
        if (study := _studied(options, series, limits.get(series.place))) is not None
    ]
    if not studies:
        _refuse(str(options.results), "No value with a limit has numbers on two cartons or more.")
    _say_capability(studies, console)
    console.print(f"{len(rows)} cartons.")
    if options.report is not None:
        from engine.cli.main import version
        from engine.report.pages import write_page
        from engine.report.study_page import capability_page

        page = capability_page(studies, [str(options.results)], len(rows), version())
        write_page(options.report, page)
        console.print(f"report: {options.report}", soft_wrap=True, markup=False)


def _chosen(options: argparse.Namespace, rows: Sequence[Row]) -> list[Row]:
    """Give the cartons that are asked for."""
    from engine.replay.cartons import chosen

    if not rows:
        _refuse(str(options.results), "The file holds no carton.")
    triggers = set(chosen(options.cartons, [int(row["trigger"]) for row in rows]))
    if options.truth is not None:
        from engine.report.truth import read_truth

        truth = read_truth(options.truth)
        triggers &= {trigger for trigger, said in truth.items() if said.verdict == "pass"}
        if not triggers:
            _refuse("--truth", "It calls none of these cartons good.")
    return [row for row in rows if int(row["trigger"]) in triggers]


def _limits_of_recipe(options: argparse.Namespace, rows: Sequence[Row]) -> dict[str, Limits]:
    """Give the numeric limits of the recipe, when one is named."""
    if options.recipe is None:
        return {}
    from engine.graph.compile import compile_recipe
    from engine.recipe.load import load_recipe

    order = dict(rows[0].get("order") or {})
    plan = compile_recipe(load_recipe(options.recipe), order, untaught_allowed=True, prepared=False)
    return {
        f"{limit.camera}.{limit.step}.{limit.value}": (
            _number(limit.minimum), _number(limit.maximum)
        )
        for camera in plan.cameras.values()
        for step in camera.steps
        for limit in step.limits
    }  # fmt: skip


def _number(bound: Any) -> float | None:
    is_number = isinstance(bound, (int, float)) and not isinstance(bound, bool)
    return float(bound) if is_number else None


def _wanted(
    options: argparse.Namespace, found: Mapping[str, Series], limits: Mapping[str, Limits]
) -> list[Series]:
    """Give the values that are asked for."""
    from engine.problems import listed, nearest

    if options.value:
        for name in options.value:
            if name not in found:
                hint = nearest(name, found) or f" There are: {listed(list(found)[:12])} ..."
                _refuse("--value", f"No number is recorded as `{name}`.{hint}")
        return [found[name] for name in dict.fromkeys(options.value)]
    if options.lsl is not None or options.usl is not None:
        _refuse("--lsl, --usl", "They are the limits of one value: name it with --value.")
    wanted = limits or {name: series.limits for name, series in found.items()}
    return [found[name] for name, pair in wanted.items() if name in found and pair != (None, None)]


def _studied(
    options: argparse.Namespace, series: Series, of_recipe: Limits | None
) -> ValueStudy | None:
    """Study one value; None where it has too few numbers and was not asked for by name."""
    from dataclasses import replace

    from engine.study.values import study_value

    low, high = series.limits if of_recipe is None else of_recipe
    if options.lsl is not None or options.usl is not None:
        if len(options.value) != 1:
            _refuse("--lsl, --usl", "They are the limits of one value: name one with --value.")
        low, high = options.lsl, options.usl
    if low is not None and high is not None and low >= high:
        _refuse(series.place, f"The lower limit, {low:g}, must lie below the upper one, {high:g}.")
    given = (low, high) != series.limits
    if len(series.numbers) < 2 and not options.value:
        return None
    try:
        shown = replace(
            series, limits=(low, high), has_other_limits=series.has_other_limits and not given
        )
        return study_value(shown, (low, high) if given else None, options.weight)
    except ValueError as error:
        _refuse(series.place, str(error))


def _say_capability(studies: Sequence[ValueStudy], console: Console) -> None:
    from engine.report.study_wording import cpk_text, limits_text, out_texts
    from engine.report.wording import number_text

    heads = ("value", "n", "mean\nspread", "limit", "Cp", "Cpk\n95 %", "Cpk,\nshort term")
    table = _table("capability", heads, numbers=(1, 2, 4, 5, 6), whole=(0, 2, 5))
    for study in studies:
        found, series = study.capability, study.series
        step, _, value = series.place.rpartition(".")
        _add(
            table, f"{step}\n{value}", str(len(series.numbers)),
            f"{number_text(study.mean)}\n{number_text(study.sd)}",
            limits_text(series.limits, series.unit),
            "-" if found is None or found.cp is None else f"{found.cp:.2f}",
            cpk_text(found).replace(" (", "\n(").strip(),
            cpk_text(study.short_term).partition(" ")[0],
        )  # fmt: skip
    console.print(table)
    said: dict[str, list[str]] = {}
    for study in studies:
        for text in (*study.notes, *out_texts(study)):
            said.setdefault(text, []).append(study.series.place)
    for text, places in said.items():
        whose = "every value" if len(places) == len(studies) > 1 else ", ".join(places)
        console.print(f"{whose}: {text}", markup=False, soft_wrap=True)


def _table(
    title: str, heads: Sequence[str], numbers: Sequence[int] = (2, 3), whole: Sequence[int] = ()
) -> Any:
    from rich import box
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD)
    for i, head in enumerate(heads):
        side = "right" if i in numbers else "left"
        table.add_column(
            head, justify=side, overflow="fold", no_wrap=i in whole, min_width=7 if i == 0 else None
        )
    return table


def _add(table: Any, *cells: str) -> None:
    from rich.text import Text

    table.add_row(*map(Text, cells))


def _refuse(where: str, what: str) -> NoReturn:
    from engine.problems import Problem, ProblemsFound, sentence

    raise ProblemsFound([Problem(where, 0, 0, "", "option", sentence(what))])
