"""`cartonverdict compare`: which cartons changed their verdict between two results, and why."""

from __future__ import annotations

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("before", type=Path, help="results of `replay --json`, as they were")
    parser.add_argument("after", type=Path, help="results as they are now")
    parser.add_argument("--junit", type=Path, metavar="FILE", help="JUnit XML for build servers")


def run(options: argparse.Namespace) -> int:
    """Compare two results; 1 when a verdict changed or a carton is missing from one."""
    from rich.console import Console
    from rich.table import Table

    from engine.records.results import read_results
    from engine.report.compare import compare, junit

    console = Console(highlight=False)
    found = compare(read_results(options.before), read_results(options.after))
    table = Table(title="cartons that changed", title_justify="left")
    for head in ("carton", "before", "after", "what did it"):
        table.add_column(head, no_wrap=head != "what did it")
    for change in found.changes:
        table.add_row(change.trigger, change.before, change.after, "\n".join(change.did_it))
    if found.changes:
        console.print(table)
    for word, triggers in (("before", found.only_before), ("after", found.only_after)):
        if triggers:
            console.print(f"only in the results {word}: {', '.join(triggers)}", markup=False)
    changed = sum(change.verdict_changed for change in found.changes)
    console.print(f"{found.cartons} cartons in both; {changed} verdicts changed.")
    if options.junit is not None:
        options.junit.parent.mkdir(parents=True, exist_ok=True)
        options.junit.write_text(junit(found, options.after.stem), "utf-8")
        console.print(f"JUnit XML: {options.junit}", soft_wrap=True)
    return 0 if found.equal else 1
