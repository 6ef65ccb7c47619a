"""Where the mistakes of one recipe gather while it is compiled."""

from __future__ import annotations

from engine.problems import Problem
from engine.yamlfile import Document, Path_


class Mistakes:
    """Mistakes of meaning, each with its place in the recipe."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []

    def add(self, path: Path_, code: str, what: str, *, at_key: bool = False) -> None:
        """Keep a mistake at a path of the recipe."""
        self.problems.append(self.document.problem(path, code, what, at_key=at_key))

    def in_file(self, path: Path_) -> bool:
        """Say whether the recipe has something at a path, even if that had to be left out."""
        return path in self.document.places
