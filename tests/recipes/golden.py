"""What `cartonverdict check` says of each broken recipe; run this file to write it anew.

    python -m tests.recipes.golden

A recipe is `bad/<name>.yaml`, or `bad/<name>/recipe.yaml` where it needs files of its own; what is
said of it stands in `bad/<name>.txt`. A first line `# check ...` gives more arguments. Read the
difference before you commit it: these texts are what people are led by.
"""

from __future__ import annotations

import contextlib
import io
import shlex
import sys
from pathlib import Path

from engine.cli.main import main
from tests.generators.toy_registry import toy_registry

BAD = Path(__file__).parent / "bad"
_MARK = b"# check "


def recipes() -> list[str]:
    """List the broken recipes: files and folders, relative to `bad/`."""
    files = [file.name for file in BAD.glob("*.yaml")]
    folders = [file.parent.name for file in BAD.glob("*/recipe.yaml")]
    return sorted(files + [name for name in folders if not name.startswith("_")])


def said_of(name: str) -> tuple[int, str]:
    """Check one recipe; gives the exit status and all that was said."""
    file = BAD / name
    first, _, _ = (file / "recipe.yaml" if file.is_dir() else file).read_bytes().partition(b"\n")
    more = shlex.split(first[len(_MARK) :].decode()) if first.startswith(_MARK) else []
    said = io.StringIO()
    with (
        toy_registry(),
        contextlib.chdir(BAD),
        contextlib.redirect_stderr(said),
        contextlib.redirect_stdout(said),
    ):
        status = main(["check", name, *more])
    return status, said.getvalue()


def expected_file(name: str) -> Path:
    """Give the file in which the expected text of a recipe stands."""
    return BAD / f"{name.removesuffix('.yaml')}.txt"


if __name__ == "__main__":
    for recipe in recipes():
        expected_file(recipe).write_text(said_of(recipe)[1], encoding="utf-8")
        sys.stderr.write(f"{recipe}\n")
