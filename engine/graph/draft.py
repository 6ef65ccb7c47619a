"""One step while its recipe is compiled: the step itself, its settings and its references."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from engine.graph.mistakes import Mistakes
from engine.graph.references import BadReference, is_file, load_reference
from engine.graph.registry import (
    NoSuchStep,
    Step,
    explained,
    load_step,
    reference_files,
    step_names,
)
from engine.placing import validate
from engine.problems import listed, nearest, sentence
from engine.recipe.load import LoadedRecipe
from engine.recipe.model import Limit, StepSpec
from engine.yamlfile import Path_
from steps.contract import Params, Reference


@dataclass(slots=True)
class Draft:
    """One step while it is compiled."""

    camera: str
    name: str
    spec: StepSpec
    path: Path_
    step: Step | None = None
    params: Params | None = None
    references: dict[str, Reference] = field(default_factory=dict[str, Reference])
    untaught: bool = False
    """Whether its reference is still to be taught."""
    prepared: Any = None
    mm_per_px: float = math.nan


class DraftReader:
    """Reads the steps of a recipe; the bytes of all references gather in `reference_bytes`."""

    def __init__(self, loaded: LoadedRecipe, mistakes: Mistakes, *, untaught_allowed: bool) -> None:
        self.loaded = loaded
        self.mistakes = mistakes
        self.untaught_allowed = untaught_allowed
        self.reference_bytes: dict[Path_, bytes] = {}

    def drafts(self, camera: str) -> dict[str, Draft]:
        """Read all steps of one camera: each step, its settings, its references."""
        path: Path_ = ("cameras", camera, "steps")
        specs = self.loaded.recipe.cameras[camera].steps
        drafts = {name: Draft(camera, name, spec, (*path, name)) for name, spec in specs.items()}
        for draft in drafts.values():
            self._read(draft)
        return drafts

    def _read(self, draft: Draft) -> None:
        try:
            draft.step = step = load_step(draft.spec.step)
        except NoSuchStep as error:
            what = sentence(str(error))
            if error.unknown:
                names = step_names()
                what += f"{nearest(draft.spec.step, names)}\nSteps: {listed(names)}."
            self.mistakes.add((*draft.path, "step"), error.code, what)
            return
        settings = (*draft.path, "settings")
        if any(path == settings for _, path in self.loaded.mistakes):
            return
        noun = f"a setting of `{step.name}`"
        document = self.mistakes.document
        params, problems = validate(step.params, draft.spec.settings, document, settings, noun)
        misplaced = {k: hint for k in draft.spec.settings if (hint := not_a_setting(k, step))}
        for problem in problems:
            word = next((k for k in misplaced if problem.path.endswith(f".settings.{k}")), None)
            if problem.code == "extra-forbidden" and word is not None:
                self.mistakes.add((*settings, word), problem.code, misplaced[word], at_key=True)
            elif problem.code in ("extra-forbidden", "missing"):
                text = problem.what + explained(step)
                self.mistakes.problems.append(replace(problem, what=text))
            else:
                self.mistakes.problems.append(problem)
        draft.params = params
        if params is not None:
            self._load_references(draft, step, params)

    def _load_references(self, draft: Draft, step: Step, params: Params) -> None:
        for path, name in reference_files(params):
            where = (*draft.path, "settings", *path)
            file = self.loaded.folder_of(where) / name
            if not is_file(file):
                self._missing(draft, step, where, file)
                continue
            try:
                reference, raw = load_reference(file, name)
            except BadReference as error:
                self.mistakes.add(where, "bad-reference", sentence(str(error)))
                continue
            draft.references[name] = reference
            self.reference_bytes[where] = raw

    def _missing(self, draft: Draft, step: Step, where: Path_, file: Path) -> None:
        taught = step.teach is not None and file.suffix == ".npz"
        if taught and self.untaught_allowed:
            draft.untaught = True
            return
        what = f"There is no file {file}."
        if taught:
            what += " `cartonverdict teach` makes it from good cartons."
        self.mistakes.add(where, "missing-reference", what)


def not_a_setting(word: str, step: Step) -> str:
    """Say where a word belongs that is no setting of a step; empty where that is not known."""
    if word in step.params.model_fields:
        return ""
    if word in StepSpec.model_fields:
        return f"`{word}` stands beside `settings:`, not in it."
    if word in step.values:
        return f"`{word}` is measured by `{step.name}`; what it must be stands under `limits:`."
    if word in Limit.model_fields:
        return f"`{word}` belongs to the limit of one value: `limits: {{value: {{{word}: ...}}}}`."
    return ""


def not_beside_settings(word: str, step: Step) -> str:
    """Say where a word belongs that may not stand in a step itself; empty where not known."""
    if word in step.params.model_fields:
        return f"`{word}` is a setting of `{step.name}`: it stands under `settings:`."
    if word in StepSpec.model_fields:
        return ""
    return not_a_setting(word, step)
