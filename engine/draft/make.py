"""From answers and a captured set to a recipe's folder: all of it, or nothing."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from engine.devices.cameras.captured_set import CapturedSet
from engine.draft.answers import Answers
from engine.draft.draft import Draft
from engine.draft.panels import Material, Say, place_panels
from engine.draft.parts import place_codes, place_labels
from engine.draft.trial import Trial, try_out
from engine.problems import Problem, ProblemsFound, listed, nearest
from engine.report.truth import read_truth
from engine.result import trigger_name
from engine.teach.suspects import set_problems


def make_recipe(
    answers: Answers, captured: CapturedSet, triggers: Sequence[int], base: Path, target: Path,
    say: Say, notes: str = "",
) -> tuple[Draft, Trial]:  # fmt: skip
    """Make a recipe's folder from answers.

    Parameters
    ----------
    answers : Answers
        All answers.
    captured : CapturedSet
        The set.
    triggers : sequence of int
        Its good cartons.
    base : Path
        Folder that names of print files are relative to.
    target : Path
        The folder to make; it must not be there.
    say : callable
        Is told what is being done.
    notes : str
        The answers as YAML, kept beside the recipe.

    Raises
    ------
    ProblemsFound
        When something cannot be found on the good cartons. Nothing is written then.
    """
    check_target(target)
    check_cartons(answers.cameras, captured, triggers)
    target.parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    try:
        material = Material(captured, triggers, base, folder, say)
        draft = Draft(
            answers,
            captured.folder.name,
            len(triggers),
            {**captured.order, **answers.order},
            _words(captured),
        )
        located = place_panels(draft, material)
        located = place_labels(draft, material, located)
        place_codes(draft, material, located)
        trial = try_out(draft, material)
        if notes:
            (folder / "answers.yaml").write_text(notes, "utf-8")
        folder.chmod(0o755)
        folder.rename(target)
    except ProblemsFound as found:
        raise ProblemsFound(_renamed(found.problems, folder, target)) from None
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return draft, trial


def _renamed(problems: Sequence[Problem], folder: Path, target: Path) -> list[Problem]:
    """Name the folder that was asked for, not the one in which it was being made."""
    return [
        replace(
            p,
            file=p.file.replace(str(folder), str(target)),
            what=p.what.replace(str(folder), str(target)),
        )
        for p in problems
    ]


def check_target(target: Path) -> None:
    """Refuse a folder that is there: it may hold a recipe that someone mended by hand."""
    if target.exists():
        what = "This is there already. Name a folder that is not, or move this one away."
        raise ProblemsFound([Problem(str(target), 0, 0, "", "option", what)])


def check_cartons(
    cameras: Iterable[str], captured: CapturedSet, triggers: Sequence[int]
) -> None:  # fmt: skip
    """Refuse good cartons that lack frames or whose sizes differ, and unknown cameras."""
    named = list(cameras)
    problems = [
        Problem("the answers", 0, 0, f"cameras.{name}", "no-camera",
                f"The set holds no frame of it; it holds {listed(captured.camera_names)}."
                + nearest(name, captured.camera_names))
        for name in named if name not in captured.camera_names
    ]  # fmt: skip
    for trigger in triggers:
        lost = [n for n in named if n in captured.camera_names and n not in captured.files[trigger]]
        if lost:
            what = f"This good carton has no frame of {listed(lost)}: leave it out of `cartons`."
            problems.append(
                Problem(str(captured.folder), 0, 0, trigger_name(trigger), "cartons", what)
            )
    if problems:
        raise ProblemsFound(problems)
    problems = set_problems(captured, named, triggers)
    if problems:
        raise ProblemsFound(problems)


def _words(captured: CapturedSet) -> frozenset[str]:
    """Give the defect words of the set's truth, if it has one."""
    if captured.truth_file is None:
        return frozenset()
    return frozenset(
        str(defect).partition(":")[0]
        for said in read_truth(captured.truth_file).values()
        for defect in said.defects
    )
