"""A recipe laid over the one it is based on; everything keeps the place where it is written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from engine.problems import Problem, ProblemsFound, nearest, quoted
from engine.yamlfile import Document, Path_, read_yaml

FILE_NAME = "recipe.yaml"
MAX_BASES = 8


def recipe_file(place: Path) -> Path:
    """Give the YAML file of a recipe's folder, or the file itself."""
    try:
        return place / FILE_NAME if place.is_dir() else place
    except (OSError, ValueError):  # a name that no file can have; reading it says so
        return place


def merged_with_base(file: Path) -> Document:
    """Read a recipe's file and the one it is based on, and that one's base, and so on.

    Mappings are merged by key, lists are replaced, null removes. The key `based_on` is not in the
    result.

    Raises
    ------
    ProblemsFound
        When a file cannot be read, or a base cannot be built on.
    """
    return _merged(file, ())


def _merged(file: Path, above: tuple[Path, ...]) -> Document:
    document = read_yaml(file)
    if not isinstance(document.data, dict) or "based_on" not in document.data:
        return document
    name = document.data.pop("based_on")
    base_file, why = _base_of(name, file, above)
    if why:
        raise ProblemsFound([document.problem(("based_on",), "based-on", why)])
    base = _merged(base_file, (*above, file.resolve()))
    if not isinstance(base.data, dict):
        what = f"{base_file} is no recipe: it holds no mapping of keys to values."
        raise ProblemsFound([document.problem(("based_on",), "based-on", what)])
    return _Overlay(base, document).merged()


def _base_of(name: Any, file: Path, above: Iterable[Path]) -> tuple[Path, str]:
    """Give the base's file, and why it cannot be built on; no text where it can."""
    if not isinstance(name, str) or not name:
        return file, "`based_on` takes the folder or file of another recipe, relative to this file."
    base = recipe_file(file.parent / name)
    try:
        there = base.is_file()
    except (OSError, ValueError):
        there = False
    if not there:
        what = f"There is no recipe at {quoted(base, 200)}; the name is relative to this file."
        return base, what
    chain = [*above, file.resolve()]
    if base.resolve() in chain:
        return base, "The recipe is based on itself."
    if len(chain) > MAX_BASES:
        return base, f"More than {MAX_BASES} recipes are based on each other."
    return base, ""


class _Overlay:
    """Lays one document over another."""

    def __init__(self, base: Document, top: Document) -> None:
        self.base = base
        self.top = top
        lines = {**top.lines, **base.lines}
        self.result = Document(None, dict(base.places), dict(base.sources), lines)
        self.problems: list[Problem] = []

    def merged(self) -> Document:
        self.result.data = self.lay(self.base.data, self.top.data, ())
        if self.problems:
            raise ProblemsFound(self.problems)
        return self.result

    def lay(self, base: dict[str, Any], top: dict[str, Any], path: Path_) -> dict[str, Any]:
        self.result.places[path] = self.top.places[path]
        merged = dict(base)
        for key, value in top.items():
            here = (*path, key)
            if value is None:
                self.remove(merged, key, here)
            elif isinstance(value, dict) and isinstance(base.get(key), dict):
                merged[key] = self.lay(base[key], value, here)
            else:
                self.forget(here, merged.get(key))
                self.take(here, value)
                merged[key] = value
        return merged

    def remove(self, merged: dict[str, Any], key: str, path: Path_) -> None:
        if key not in merged:
            what = f"Null removes a key of the base, but the base has no {quoted(key)} here."
            what += nearest(key, merged)
            self.problems.append(self.top.problem(path, "nothing-to-remove", what, at_key=True))
            return
        self.forget(path, merged.pop(key))

    def forget(self, path: Path_, value: Any) -> None:
        for inner in _paths(path, value):
            self.result.places.pop(inner, None)
            self.result.sources.pop(inner, None)

    def take(self, path: Path_, value: Any) -> None:
        for inner in _paths(path, value):
            self.result.places[inner] = self.top.places[inner]
            if inner in self.top.sources:
                self.result.sources[inner] = self.top.sources[inner]


def _paths(path: Path_, value: Any) -> Iterator[Path_]:
    """Give the path of a value and of everything in it."""
    yield path
    items: Any = value.items() if isinstance(value, dict) else ()
    for key, inner in enumerate(value) if isinstance(value, list) else items:
        yield from _paths((*path, key), inner)
