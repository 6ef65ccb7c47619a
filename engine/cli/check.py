"""`cartonverdict check`: every mistake in a recipe, with its place."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from engine.recipe.model import Recipe


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("recipe", type=Path, help="a recipe's folder or file")
    parser.add_argument(
        "--order",
        action="append",
        default=[],
        metavar="FIELD=VALUE",
        help="value of an order field; with all of them references are tried out too",
    )
    parser.add_argument(
        "--untaught",
        action="store_true",
        help="references that `teach` is still to make may be missing",
    )


def run(options: argparse.Namespace) -> int:
    """Check one recipe."""
    from engine.graph.compile import compile_recipe
    from engine.graph.order import read_pairs
    from engine.recipe.load import load_recipe

    order = read_pairs(options.order)
    loaded = load_recipe(options.recipe, keep_going=True)
    fields = loaded.recipe.order
    complete = bool(order) or not fields
    plan = compile_recipe(loaded, order if complete else None, untaught_allowed=options.untaught)
    print(f"{loaded.recipe.product}: no mistake found. {_summary(loaded.recipe)}")
    for warning in plan.warnings:
        print(f"note: {warning}")
    if not complete:
        print(
            f"note: the recipe needs {', '.join(fields)} from the order; give them with --order, "
            "and references are tried out too."
        )
    print(f"recipe {plan.identity}")
    return 0


def _summary(recipe: Recipe) -> str:
    """Say how much the recipe looks at."""
    cameras = ", ".join(f"{name} ({_count(len(c.steps))})" for name, c in recipe.cameras.items())
    return f"Cameras: {cameras}."


def _count(steps: int) -> str:
    return f"{steps} step" if steps == 1 else f"{steps} steps"
