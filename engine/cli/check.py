"""`cartonverdict check`: every mistake in a recipe, with its place."""

from __future__ import annotations

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("recipe", type=Path, help="a recipe's folder or file")
    parser.add_argument(
        "--order", action="append", default=[], metavar="FIELD=VALUE",
        help="value of an order field; with all of them references are tried out too",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Check one recipe."""
    from engine.graph.compile import compile_recipe
    from engine.graph.order import read_pairs
    from engine.recipe.load import load_recipe

    loaded = load_recipe(options.recipe)
    order = read_pairs(options.order)
    complete = bool(order) or not loaded.recipe.order
    plan = compile_recipe(loaded, order if complete else None)
    cameras = ", ".join(f"{n} ({len(c.steps)} steps)" for n, c in loaded.recipe.cameras.items())
    print(f"{plan.product}: no mistake found. Cameras: {cameras}.")
    if not complete:
        fields = ", ".join(loaded.recipe.order)
        print(f"Order fields: {fields}. Give them with --order to try the references out too.")
    print(f"recipe {plan.identity}")
    return 0
