"""Answers that are given: from a file, and single ones from the command line."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from engine.problems import Problem, ProblemsFound
from engine.yamlfile import Document, Path_, parse_yaml, read_yaml


@dataclass(slots=True)
class Given:
    """Answers so far, as plain data with their places in the file they came from."""

    document: Document = field(default_factory=lambda: Document({}))

    def get(self, path: Path_) -> Any:
        """Give an answer, or None where there is none yet."""
        here = self.document.data
        for part in path:
            if not isinstance(here, dict) or part not in here:
                return None
            here = here[part]
        return here

    def put(self, path: Path_, value: Any) -> None:
        """Set an answer."""
        here = self.document.data
        for part in path[:-1]:
            if not isinstance(here.get(part), dict):
                here[part] = {}
            here = here[part]
        here[path[-1]] = value

    def text(self) -> str:
        """Give all answers as YAML."""
        return "# Answers of `cartonverdict new`; print files are named as they were given.\n" + (
            yaml.safe_dump(self.document.data, sort_keys=False, allow_unicode=True, width=100)
        )


def read_answers(file: Path | None, pairs: list[str]) -> Given:
    """Read answers from a file, and single ones as `PATH=VALUE` above them.

    Raises
    ------
    ProblemsFound
        When the file is no YAML, or a pair has no `=`.
    """
    document = Document({}) if file is None else read_yaml(file)
    if document.data is None:
        document.data = {}
    if not isinstance(document.data, dict):
        what = "Answers are a mapping of keys to values; they begin with `product: my-product`."
        raise ProblemsFound([document.problem((), "model-type", what)])
    given = Given(document)
    for pair in pairs:
        path, equals, value = pair.partition("=")
        if not equals or not path.strip():
            what = "An answer is PATH=VALUE, as cameras.front.panel.size_mm='[150, 110]'."
            raise ProblemsFound([Problem("--answer", 0, 0, pair, "option", what)])
        given.put(tuple(path.strip().split(".")), parse_yaml(value, f"--answer {path}").data)
    return given
