"""A recipe from its folder: merged with its base, checked for shape, with its identity."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from engine.placing import check
from engine.problems import Problem, ProblemsFound, quoted
from engine.recipe.base import merged_with_base, recipe_file
from engine.recipe.model import Recipe
from engine.yamlfile import Document, Path_

_FIRST = "A recipe is a mapping of keys to values; it begins with `format: 1`."
_STAND_INS = {"format": 1, "product": "unnamed"}


@dataclass(frozen=True, slots=True)
class LoadedRecipe:
    """A recipe of the right shape, with the place of everything in it."""

    recipe: Recipe
    document: Document
    folder: Path
    """Folder of the file that was named; references may lie in folders of its bases."""
    mistakes: tuple[tuple[Problem, Path_], ...] = ()
    """What had to be left out of the recipe, where loading was told to go on; else empty."""

    def folder_of(self, path: Path_) -> Path:
        """Give the folder of the file in which a value stands, for names relative to it."""
        return Path(self.document.file_of(path)).parent


def load_recipe(place: Path, *, keep_going: bool = False) -> LoadedRecipe:
    """Load a recipe.

    Parameters
    ----------
    place : Path
        A recipe's folder, or its YAML file.
    keep_going : bool
        Whether a recipe with mistakes of shape is given all the same, without the parts that are
        wrong, so that `graph.compile` finds the other mistakes too and raises them all.

    Raises
    ------
    ProblemsFound
        With every mistake of shape, each with its place. Mistakes of meaning (unknown steps, wrong
        wiring, limits on values that do not exist) are found by `graph.compile`.
    """
    file = recipe_file(place)
    document = merged_with_base(file)
    if document.data is None:
        raise ProblemsFound([Problem(str(file), 0, 0, "", "empty", f"The file is empty. {_FIRST}")])
    if not isinstance(document.data, dict):
        raise ProblemsFound([document.problem((), "model-type", _FIRST)])
    recipe, mistakes = check(Recipe, document.data, document)
    if mistakes and keep_going:
        recipe = _sound_part(document, mistakes)
    mistakes = [(_led(problem, path, document), path) for problem, path in mistakes]
    if recipe is None:
        raise ProblemsFound(problem for problem, _ in mistakes)
    return LoadedRecipe(recipe, document, file.parent, tuple(mistakes))


def identity(loaded: LoadedRecipe, references: Mapping[Path_, bytes]) -> str:
    """Give the SHA-256 over the merged canonical data and the bytes of every reference.

    Comments, the order of keys, how the text is split over files and how references are named do
    not count.

    Parameters
    ----------
    loaded : LoadedRecipe
        The recipe.
    references : mapping
        Bytes of every reference, by the path of the setting that names it.
    """
    canonical = _canonical(loaded.document.data, (), loaded.document, references)
    named = {
        "/".join(map(str, path)): hashlib.sha256(raw).hexdigest()
        for path, raw in references.items()
        if path not in loaded.document.places  # a setting's default names it
    }
    text = json.dumps([canonical, named], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _canonical(
    data: Any, path: Path_, document: Document, references: Mapping[Path_, bytes]
) -> Any:
    """Give data in which numbers and truth values keep their source text, as text fields do."""
    if path in references:
        return {"\0reference": hashlib.sha256(references[path]).hexdigest()}
    if isinstance(data, dict):
        items: Any = data.items()
        return {k: _canonical(v, (*path, k), document, references) for k, v in items}
    if isinstance(data, list):
        return [_canonical(v, (*path, i), document, references) for i, v in enumerate(data)]
    if data is None or isinstance(data, str):
        return data
    return {"\0plain": document.sources.get(path, str(data))}


def _led(problem: Problem, path: Path_, document: Document) -> Problem:
    """Say where a step beside `steps:`, or a camera beside `cameras:`, belongs."""
    if problem.code != "extra-forbidden" or len(path) not in (1, 3):
        return problem
    here: Any = document.data
    for part in path:
        here = here[part]
    if not isinstance(here, dict):
        return problem
    if len(path) == 3 and "step" in here:
        what = f"{quoted(path[-1])} looks like a step: it stands under `steps:` of its camera."
    elif len(path) == 1 and "steps" in here:
        what = f"{quoted(path[-1])} looks like a camera: it stands under `cameras:`."
    else:
        return problem
    return document.problem(path, problem.code, what, at_key=True)


def _sound_part(document: Document, mistakes: list[tuple[Problem, Path_]]) -> Recipe | None:
    """Leave out what is wrong until the rest is a recipe; None where too little remains."""
    data = json.loads(json.dumps(document.data))
    recipe: Recipe | None = None
    while recipe is None:
        for _, path in mistakes:
            if not _leave_out(data, path):
                return None
        recipe, mistakes = check(Recipe, data, document)
    return recipe


def _leave_out(data: dict[str, Any], path: Path_) -> bool:
    """Take a part out; a whole list for one item, so that the others keep their places."""
    if not path:
        missing = {k: v for k, v in _STAND_INS.items() if k not in data}
        data.update(missing)
        return bool(missing)
    keys = [*path]
    while any(isinstance(key, int) for key in keys):
        keys.pop()
    here: Any = data
    for key in keys[:-1]:
        here = here.get(key, {})
    here.pop(keys[-1], None)
    return True
