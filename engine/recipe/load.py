"""A recipe from its folder: merged with its base, checked for shape, with its identity."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from engine.placing import validate
from engine.problems import Problem, ProblemsFound
from engine.recipe.model import Recipe
from engine.yamlfile import Document, Path_, read_yaml

FILE_NAME = "recipe.yaml"
MAX_BASES = 8


@dataclass(frozen=True, slots=True)
class LoadedRecipe:
    """A recipe of the right shape, with the place of everything in it."""

    recipe: Recipe
    document: Document
    folder: Path
    """Folder of the file that was named; references may lie in folders of its bases."""

    def folder_of(self, path: Path_) -> Path:
        """Give the folder of the file in which a value stands, for names relative to it."""
        return Path(self.document.file_of(path)).parent


def load_recipe(place: Path) -> LoadedRecipe:
    """Load a recipe.

    Parameters
    ----------
    place : Path
        A recipe's folder, or its YAML file.

    Raises
    ------
    ProblemsFound
        With every mistake of shape, each with its place. Mistakes of meaning (unknown steps, wrong
        wiring, limits on values that do not exist) are found by `graph.compile`.
    """
    file = recipe_file(place)
    document = _merged(file, ())
    if document.data is None:
        document.data = {}
    if not isinstance(document.data, dict):
        what = "A recipe is a mapping of keys to values, with `format: 1` first."
        raise ProblemsFound([document.problem((), "model-type", what)])
    document.data.pop("based_on", None)
    recipe, problems = validate(Recipe, document.data, document)
    if recipe is None:
        raise ProblemsFound(problems)
    return LoadedRecipe(recipe, document, file.parent)


def recipe_file(place: Path) -> Path:
    """Give the YAML file of a recipe's folder, or the file itself."""
    return place / FILE_NAME if place.is_dir() else place


def identity(loaded: LoadedRecipe, references: Mapping[str, bytes]) -> str:
    """Give the SHA-256 over the merged canonical data and the bytes of every reference.

    Comments, the order of keys and how the text is split over files do not count.

    Parameters
    ----------
    loaded : LoadedRecipe
        The recipe.
    references : mapping
        Bytes of every reference, by the dotted path of the setting that names it.
    """
    digest = hashlib.sha256()
    canonical = _canonical(loaded.document.data, (), loaded.document)
    digest.update(
        json.dumps(canonical, sort_keys=True, ensure_ascii=True, separators=(",", ":")).encode()
    )
    for name in sorted(references):
        digest.update(f"\n{name}\n".encode())
        digest.update(hashlib.sha256(references[name]).digest())
    return digest.hexdigest()


def _canonical(data: Any, path: Path_, document: Document) -> Any:
    if isinstance(data, dict):
        return {key: _canonical(value, (*path, key), document) for key, value in data.items()}
    if isinstance(data, list):
        return [_canonical(value, (*path, i), document) for i, value in enumerate(data)]
    if isinstance(data, int) and not isinstance(data, bool):
        return document.sources.get(path, str(data))
    return data


def _merged(file: Path, above: tuple[Path, ...]) -> Document:
    document = read_yaml(file, str(file))
    if not isinstance(document.data, dict) or "based_on" not in document.data:
        return document
    base_name = document.data["based_on"]
    problem = _base_problem(document, base_name, file, above)
    if problem is not None:
        raise ProblemsFound([problem])
    base_file = recipe_file(file.parent / base_name)
    base = _merged(base_file, (*above, file.resolve()))
    if not isinstance(base.data, dict):
        what = f"{base_file} is no recipe: it holds no mapping of keys to values."
        raise ProblemsFound([document.problem(("based_on",), "based-on", what)])
    merged = Document({}, dict(base.places), dict(base.sources), {**document.lines, **base.lines})
    merged.places[()] = document.places[()]
    merged.data = _overlay(base.data, document.data, (), merged, document)
    return merged


def _base_problem(
    document: Document, base: Any, file: Path, above: Iterable[Path]
) -> Problem | None:
    if not isinstance(base, str) or not base:
        what = "`based_on` takes the folder or file of another recipe, relative to this file."
        return document.problem(("based_on",), "based-on", what)
    base_file = recipe_file(file.parent / base)
    if not base_file.is_file():
        what = f"There is no recipe at {base_file}."
        return document.problem(("based_on",), "based-on", what)
    chain = [*above, file.resolve()]
    if base_file.resolve() in chain or len(chain) > MAX_BASES:
        what = (
            "The recipe is based on itself."
            if len(chain) <= MAX_BASES
            else (f"More than {MAX_BASES} recipes are based on each other.")
        )
        return document.problem(("based_on",), "based-on", what)
    return None


def _overlay(base: Any, top: Any, path: Path_, merged: Document, upper: Document) -> Any:
    """Lay `top` over `base`: mappings merge by key, lists are replaced, null removes."""
    if path in upper.places:
        merged.places[path] = upper.places[path]
    if not (isinstance(base, dict) and isinstance(top, dict)):
        _forget(path, merged)
        _take(path, merged, upper)
        return top
    result = dict(base)
    for key, value in top.items():
        here = (*path, key)
        if value is None:
            result.pop(key, None)
            _forget(here, merged)
        elif key in base:
            result[key] = _overlay(base[key], value, here, merged, upper)
        else:
            result[key] = value
            _take(here, merged, upper)
    return result


def _forget(path: Path_, document: Document) -> None:
    for known in (document.places, document.sources):
        for stale in [p for p in known if p[: len(path)] == path]:
            del known[stale]


def _take(path: Path_, merged: Document, upper: Document) -> None:
    for p, place in upper.places.items():
        if p[: len(path)] == path:
            merged.places[p] = place
    for p, source in upper.sources.items():
        if p[: len(path)] == path:
            merged.sources[p] = source
