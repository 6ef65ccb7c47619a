"""`cartonverdict steps`: what each step measures, and its settings."""

from __future__ import annotations

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("name", nargs="?", help="a step; by default all are listed")
    parser.add_argument(
        "--write", type=Path, metavar="FOLDER", help="write a page of each of our own steps"
    )


def run(options: argparse.Namespace) -> int:
    """List the steps, print the page of one, or write all pages."""
    if options.write is not None:
        _write_pages(options.write)
    elif options.name is not None:
        _print_page(options.name)
    else:
        _list()
    return 0


def pages() -> dict[str, str]:
    """Give the page of each of our own steps, by name."""
    from engine.graph.describe import reference_page
    from engine.graph.registry import load_step, own_names

    return {name: reference_page(load_step(name)) for name in sorted(own_names())}


def _list() -> None:
    from engine.graph.describe import summary
    from engine.graph.registry import NoSuchStep, load_step, step_names

    names = step_names()
    width = max(map(len, names))
    for name in names:
        try:
            said = summary(load_step(name))
        except NoSuchStep as error:
            said = f"({error})"
        print(f"{name:{width}}  {said}")
    print("\ncartonverdict steps NAME: its settings, its values, and what it needs.")


def _print_page(name: str) -> None:
    from engine.graph.describe import reference_page
    from engine.graph.registry import NoSuchStep, load_step, step_names
    from engine.problems import Problem, ProblemsFound, listed, nearest, sentence

    try:
        step = load_step(name)
    except NoSuchStep as error:
        names = step_names()
        what = f"{sentence(str(error))}{nearest(name, names)}\nSteps: {listed(names)}."
        raise ProblemsFound([Problem("steps", 0, 0, "", error.code, what)]) from None
    print(reference_page(step), end="")


def _write_pages(folder: Path) -> None:
    written = pages()
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in written.items():
        (folder / f"{name}.md").write_text(text, encoding="utf-8")
    for stale in folder.glob("*.md"):
        if stale.stem not in written:
            stale.unlink()
    print(f"{len(written)} pages in {folder}")
