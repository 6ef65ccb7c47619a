"""`cartonverdict rejudge`: new limits on recorded values, without an image."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from rich.console import Console

    from engine.graph.plan import Plan
    from engine.recipe.load import LoadedRecipe
    from engine.replay.recorded import Recorded
    from engine.replay.rejudge import Rejudged


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("results", type=Path, help="results of `replay --json`")
    parser.add_argument("--recipe", type=Path, required=True, help="a recipe's folder or file")
    parser.add_argument(
        "--order", action="append", default=[], metavar="FIELD=VALUE",
        help="value of an order field; by default that of the results",
    )  # fmt: skip
    parser.add_argument(
        "--day", metavar="2026-11-25", help="day of the triggers, for limits that count from it"
    )
    parser.add_argument("--show", type=int, default=20, metavar="N", help="cartons to list")
    parser.add_argument(
        "--json", type=Path, metavar="OUT", help="all cartons as judged anew, as replay writes them"
    )


def run(options: argparse.Namespace) -> int:
    """Judge recorded cartons anew; 1 when any verdict changes."""
    from engine.recipe.load import load_recipe
    from engine.replay.recorded import read_held, read_recorded, readers

    with readers(options.results) as pool:
        from engine.graph.compile import compile_recipe
        from engine.graph.order import read_pairs
        from engine.replay.rejudge import rejudge
        from engine.replay.rejudge_columns import needed

        loaded = load_recipe(options.recipe)
        held = read_held(options.results)
        order = {**held.order, **read_pairs(options.order)}
        plan = compile_recipe(loaded, order, untaught_allowed=True, prepared=False)
        today = _day(options.day, plan)
        recorded = read_recorded(options.results, *needed(plan, held), held, pool)
    _check(options, loaded, plan, recorded)
    found = rejudge(plan, recorded, today)

    from rich.console import Console

    console = Console(highlight=False)
    _say(found, plan, recorded, console)
    _list(found, plan, recorded, today, options.show, console)
    if options.json is not None:
        _write(options.json, plan, recorded, today, console)
    return 1 if found.changed else 0


def _day(text: str | None, plan: Plan) -> date | None:
    from engine.graph.order import read_date
    from engine.problems import Problem, ProblemsFound, listed
    from engine.replay.rejudge import days_counted

    counted = days_counted(plan)
    if text is None and counted:
        what = f"{listed(counted)} counts from the day of the trigger, which results do not hold: "
        raise ProblemsFound(
            [Problem("--day", 0, 0, "", "option", what + "give it, as --day DATE.")]
        )
    day = read_date(text) if text is not None else None
    if text is not None and day is None:
        what = f"`{text}` is no date. Allowed: a date as 2026-11-25."
        raise ProblemsFound([Problem("--day", 0, 0, "", "option", what)])
    return day


def _check(
    options: argparse.Namespace, loaded: LoadedRecipe, plan: Plan, recorded: Recorded
) -> None:
    """Refuse results of several runs' settings, and a recipe that judges what was not recorded."""
    import json

    from engine.problems import Problem, ProblemsFound
    from engine.replay.rejudge import not_recorded

    sources = [json.loads(b"{" + source + b"}") for source in recorded.columns.sources.words]
    if len({(s["recipe"], json.dumps(s["order"])) for s in sources}) > 1:
        what = "The file holds cartons of several recipes or orders: judge them one by one."
        raise ProblemsFound([Problem(str(options.results), 0, 0, "", "option", what)])
    problems = [
        loaded.document.problem(
            ("cameras", camera, "steps", step, *(("limits", value) if value else ())),
            "unknown-value" if value else "unknown-step",
            f"The results hold nothing of {camera}.{step}{'.' + value if value else ''}: it was "
            "not measured then. Replay the set with this recipe.",
            at_key=True,
        )
        for camera, step, value in not_recorded(plan, recorded)
    ]
    if problems:
        raise ProblemsFound(problems)
    if not sources or sources[0]["recipe"].split("@")[0] == plan.product:
        return
    what = f"The results are of `{sources[0]['recipe'].split('@')[0]}`, the recipe is for "
    what += f"`{plan.product}`."
    raise ProblemsFound([Problem(str(options.results), 0, 0, "", "option", what)])


def _say(found: Rejudged, plan: Plan, recorded: Recorded, console: Console) -> None:
    from rich.table import Table

    source = next(iter(recorded.columns.sources.words), b"").decode()
    if plan.identity not in source:
        console.print(
            "The recipe is another than that of the results. Limits and rules are judged anew; "
            "values stand as\nthey were measured: after a change of settings, regions, references "
            "or order, replay instead.",
            soft_wrap=True,
        )
    table = Table(title="verdicts", title_justify="left")
    table.add_column("")
    for head in ("as recorded", "judged anew"):
        table.add_column(head, justify="right")
    for word in ("pass", "reject", "fault"):
        table.add_row(word, str(found.before[word]), str(found.after[word]))
    console.print(table)
    places = found.by_place()
    if places:
        table = Table(title="what changes verdicts", title_justify="left")
        table.add_column("value", no_wrap=True)
        for head in ("now broken", "now kept"):
            table.add_column(head, justify="right")
        for place, counts in sorted(places.items(), key=lambda item: -sum(item[1])):
            table.add_row(place, *(str(n or "") for n in counts))
        console.print(table)
    more = f"; {found.otherwise} more break other limits than before" if found.otherwise else ""
    console.print(f"{found.cartons} cartons; {found.changed} verdicts change{more}.")


def _list(
    found: Rejudged,
    plan: Plan,
    recorded: Recorded,
    today: date | None,
    most: int,
    console: Console,
) -> None:
    """List the first cartons whose verdict changes, with what did it."""
    from rich.table import Table

    from engine.replay.rejudge_row import rejudged_row
    from engine.report.compare import compare

    before = recorded.rows(found.first(max(most, 0)))
    if not before:
        return
    after = [rejudged_row(plan, row, today) for row in before]
    title = "cartons that change" + (f", the first {most}" if found.changed > most else "")
    table = Table(title=title, title_justify="left")
    for head in ("carton", "before", "after", "what did it"):
        table.add_column(head, no_wrap=head != "what did it")
    for change in compare(before, after).changes:
        table.add_row(change.trigger, change.before, change.after, "\n".join(change.did_it))
    console.print(table)


def _write(
    file: Path, plan: Plan, recorded: Recorded, today: date | None, console: Console
) -> None:
    """Write every carton as judged anew; the file is whole or not there."""
    from rich.progress import track

    from engine.replay.rejudge_row import rejudged_row
    from engine.result import dumps

    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(file.name + ".part")
    positions = range(len(recorded.columns.triggers))
    with part.open("wb") as stream:
        for i in track(positions, "writing", console=console, transient=True):
            row = rejudged_row(plan, recorded.rows([i])[0], today)
            stream.write((dumps(row) + "\n").encode("utf-8", "backslashreplace"))
    part.replace(file)
    console.print(f"results: {file}", soft_wrap=True)
