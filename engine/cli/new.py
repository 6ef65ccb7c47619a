"""`cartonverdict new`: from good cartons and answers to a recipe that runs."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console
    from rich.table import Table

    from engine.draft.draft import Draft
    from engine.draft.trial import Trial
    from engine.teach.suggest import Spread


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="the recipe's folder, to be made")
    parser.add_argument(
        "--captures", type=Path, required=True, metavar="SET", help="a captured set, good cartons"
    )
    parser.add_argument("--cartons", metavar="1-20", help="which cartons are good, as 1-20,25")
    parser.add_argument(
        "--answers", type=Path, metavar="FILE", help="answers as YAML; what it lacks is asked"
    )
    parser.add_argument(
        "--answer", action="append", default=[], metavar="PATH=VALUE",
        help="one answer, as cameras.front.panel.size_mm='[150, 110]'; above those of the file",
    )  # fmt: skip
    parser.add_argument(
        "--order", action="append", default=[], metavar="FIELD=VALUE",
        help="value of the order that ran when the frames were taken",
    )  # fmt: skip
    parser.add_argument("--yes", action="store_true", help="ask nothing: take what is suggested")


def run(options: argparse.Namespace) -> int:
    """Make a recipe."""
    from rich.console import Console

    from engine.devices.cameras.captured_set import open_set
    from engine.draft.ask import Interview
    from engine.draft.given import read_answers
    from engine.draft.make import check_target, make_recipe
    from engine.graph.order import read_pairs
    from engine.replay.cartons import chosen

    started = time.monotonic()
    console = Console(highlight=False, markup=False)
    check_target(options.folder)
    captured = open_set(options.captures)
    given = read_answers(options.answers, options.answer)
    if options.cartons:
        given.put(("cartons",), options.cartons)
    for name, value in read_pairs(options.order).items():
        given.put(("order", name), value)
    base = options.answers.parent if options.answers else Path()
    ask = None if options.yes else _asker(console)
    interview = Interview(given, captured, options.folder.name, ask, console.print)
    answers = interview.complete()
    triggers = chosen(answers.cartons, captured.files)

    def say(text: str) -> None:
        console.print(f"{time.monotonic() - started:6.1f} s  {text}", soft_wrap=True)

    draft, trial = make_recipe(answers, captured, triggers, base, options.folder, say,
                               given.text())  # fmt: skip
    _show(draft, trial, options.folder, console)
    return 1 if trial.rejected else 0


def _asker(console: Console) -> Callable[[str], str]:
    def ask(question: str) -> str:
        return console.input(question)

    return ask


def _show(draft: Draft, trial: Trial, folder: Path, console: Console) -> None:
    from engine.draft.trial import SHEET

    console.width = max(console.width, 120)
    for name, camera in draft.cameras.items():
        console.print(f"{name}: {camera.how}", soft_wrap=True)
        for code, found in camera.codes.items():
            said = ", ".join(f"{e.value} {e.bound}" for e in found.expected) or "content differs"
            console.print(f"  {code}: {found.symbology} on {found.on}, read on {found.count} of "
                          f"{draft.cartons}: {said}", soft_wrap=True)  # fmt: skip
    console.print(_table(trial.spreads, draft.cartons))
    for place, left in trial.left_out.items():
        for trigger, why in left.items():
            console.print(f"{place} was taught without {trigger:06d}: {why}", soft_wrap=True)
    for note in trial.notes:
        console.print(f"note: {note}.", soft_wrap=True)
    for trigger, reasons in trial.rejected.items():
        console.print(f"good carton {trigger:06d} would be rejected: {'; '.join(reasons)}",
                      soft_wrap=True)  # fmt: skip
    good = draft.cartons - len(trial.rejected)
    console.print(f"{good} of {draft.cartons} good cartons pass; taught steps measured them by "
                  "references made without them.", soft_wrap=True)  # fmt: skip
    console.print(f"\n{folder}: the recipe, its references and {SHEET}.\nLook at that picture, go "
                  "through every CHECK in recipe.yaml, then replay cartons that taught nothing.",
                  soft_wrap=True)  # fmt: skip


def _table(spreads: list[Spread], count: int) -> Table:
    from rich.table import Table

    table = Table(title=f"values under limits, {count} good cartons", title_justify="left")
    for head in ("value", "unit", "smallest", "mean", "largest", "s", "limit"):
        right = head in ("smallest", "mean", "largest", "s")
        table.add_column(head, justify="right" if right else "left", no_wrap=head != "limit")
    for spread in spreads:
        limit = spread.limit
        if limit is None:
            continue
        bounds = {"min": limit.minimum, "max": limit.maximum, "equals": limit.equals}
        shown = ", ".join(f"{word} {bound}" for word, bound in bounds.items() if bound is not None)
        if spread.numbers:
            numbers = (min(spread.numbers), spread.mean, max(spread.numbers), spread.sd)
            cells = [f"{number:.4g}" for number in numbers]
        else:
            cells = ["", ", ".join(spread.others[:2]), "", ""]
        table.add_row(spread.place, spread.unit, *cells, shown)
    return table
