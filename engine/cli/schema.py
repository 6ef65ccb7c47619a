"""`cartonverdict schema`: the JSON Schema of recipes, for editors."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "--write", type=Path, metavar="FILE", help="write it to a file, with our own steps only"
    )


def run(options: argparse.Namespace) -> int:
    """Print or write the schema."""
    text = recipe_schema_text(installed=options.write is None)
    if options.write is None:
        print(text, end="")
    else:
        options.write.parent.mkdir(parents=True, exist_ok=True)
        options.write.write_text(text, encoding="utf-8")
    return 0


def recipe_schema_text(*, installed: bool = True) -> str:
    """Give the schema as text; with the steps of installed packages, or only our own."""
    from engine.graph.registry import load_step, own_names, step_names
    from engine.graph.schema import recipe_schema

    names = step_names() if installed else sorted(own_names())
    schema = recipe_schema(load_step(name) for name in names)
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
