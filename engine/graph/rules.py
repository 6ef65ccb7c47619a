"""Rules over all cameras: which values must agree, and which limit explains which."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from engine.graph.limits import KIND_WORDS
from engine.graph.mistakes import Mistakes
from engine.graph.plan import PlannedAgreement, PlannedReason, PlannedUnique
from engine.graph.registry import NoSuchStep, ValueInfo, explained, load_step
from engine.problems import listed, nearest, quoted
from engine.recipe.model import AgreeRule, NotMeasuredRule, Recipe, StepSpec
from engine.yamlfile import Path_

_NUMBERS = {"number", "whole"}


def agreements(recipe: Recipe, mistakes: Mistakes) -> Iterator[PlannedAgreement]:
    """Give the recipe's `agree` rules; mistakes in them are kept."""
    for i, rule in enumerate(recipe.verdict.agree):
        path: Path_ = ("verdict", "agree", i)
        infos = [
            _value_at(recipe, mistakes, text, (*path, "values", j))
            for j, text in enumerate(rule.values)
        ]
        known = [info for info in infos if info is not None]
        _check_types(rule, known, path, mistakes)
        if len(known) == len(infos):
            values = tuple(_parts(text) for text in rule.values)
            reason = PlannedReason(rule.reject_as, tuple(rule.catches))
            yield PlannedAgreement(values, reason, rule.tolerance, known[0].unit)


def uniques(
    recipe: Recipe, mistakes: Mistakes, order: Mapping[str, Any] | None
) -> Iterator[PlannedUnique]:
    """Give the recipe's `unique` rules; mistakes in them are kept."""
    for i, rule in enumerate(recipe.verdict.unique):
        path: Path_ = ("verdict", "unique", i)
        info = _value_at(recipe, mistakes, rule.value, (*path, "value"))
        if info is not None and info.kind not in ("text", "whole"):
            what = f"The value is {KIND_WORDS[info.kind]}; a text or a whole number is needed."
            mistakes.add((*path, "value"), "limit-type", what)
        field = rule.listed_in
        if field is not None and recipe.order.get(field) != "texts":
            several = [name for name, kind in recipe.order.items() if kind == "texts"]
            what = f"The recipe declares no order field {quoted(field)} of type `texts`."
            mistakes.add(
                (*path, "listed_in"), "unknown-order-field", what + nearest(field, several)
            )
        elif info is not None:
            among = None if field is None or order is None else frozenset(order[field])
            reason = PlannedReason(rule.reject_as, tuple(rule.catches))
            yield PlannedUnique(_parts(rule.value), reason, among)


def check_explanations(recipe: Recipe, mistakes: Mistakes) -> None:
    """Keep mistakes in what `explained_by` names."""
    known = [f"{camera}.{step}" for camera, spec in recipe.cameras.items() for step in spec.steps]
    for camera, spec in recipe.cameras.items():
        for name, step in spec.steps.items():
            others = [other for other in known if other != f"{camera}.{name}"]
            path: Path_ = ("cameras", camera, "steps", name)
            for where, cause in _explained(step):
                if cause in others or _left_out(cause, known, mistakes):
                    continue
                what = f"{quoted(cause)} is not another step, as camera.step."
                what += nearest(cause, others)
                mistakes.add((*path, *where), "unknown-step", what)


def _explained(step: StepSpec) -> Iterator[tuple[Path_, str]]:
    """Give each cause that a step's limits and its `not_measured` name, with its place."""
    rules: list[tuple[Path_, str | list[str]]] = [
        (("limits", value), limit.explained_by) for value, limit in step.limits.items()
    ]
    if isinstance(step.not_measured, NotMeasuredRule):
        rules.append((("not_measured",), step.not_measured.explained_by))
    for path, names in rules:
        if isinstance(names, str):
            yield (*path, "explained_by"), names
        else:
            yield from (((*path, "explained_by", i), name) for i, name in enumerate(names))


def _left_out(cause: str, known: list[str], mistakes: Mistakes) -> bool:
    """Say whether a step stands in the file but had to be left out for its own mistakes."""
    camera, _, step = cause.partition(".")
    return cause not in known and mistakes.in_file(("cameras", camera, "steps", step))


def _parts(text: str) -> tuple[str, str, str]:
    camera, step, value = text.split(".")
    return camera, step, value


def _check_types(rule: AgreeRule, known: list[ValueInfo], path: Path_, mistakes: Mistakes) -> None:
    kinds = {info.kind for info in known}
    units = {info.unit for info in known}
    if len(kinds) > 1 and not kinds <= _NUMBERS:
        what = "Only values of one type can agree; these are "
        what += ", ".join(KIND_WORDS[info.kind] for info in known) + "."
        mistakes.add((*path, "values"), "agree-type", what)
    elif kinds and kinds <= _NUMBERS and len(units) > 1:
        what = f"Only values in one unit can agree; these are in {listed(sorted(units))}."
        mistakes.add((*path, "values"), "agree-type", what)
    elif rule.tolerance and kinds and not kinds <= _NUMBERS:
        what = "`tolerance` is how far numbers may lie apart; these values are no numbers."
        mistakes.add((*path, "tolerance"), "agree-type", what, at_key=True)
    if len(set(rule.values)) < len(rule.values):
        what = "A value stands here twice; it always agrees with itself."
        mistakes.add((*path, "values"), "agree-value", what)


def _value_at(recipe: Recipe, mistakes: Mistakes, text: str, path: Path_) -> ValueInfo | None:
    parts = text.split(".")
    if len(parts) != 3:
        what = f"{quoted(text)} is not of the form camera.step.value."
        mistakes.add(path, "agree-value", what)
        return None
    camera, name, value = parts
    if camera not in recipe.cameras:
        if not mistakes.in_file(("cameras", camera)):
            what = f"There is no camera {quoted(camera)}.{nearest(camera, recipe.cameras)}"
            mistakes.add(path, "agree-value", what)
        return None
    steps = recipe.cameras[camera].steps
    if name not in steps:
        if not mistakes.in_file(("cameras", camera, "steps", name)):
            what = f"The camera `{camera}` has no step {quoted(name)}.{nearest(name, steps)}"
            mistakes.add(path, "agree-value", what)
        return None
    try:
        step = load_step(steps[name].step)
    except NoSuchStep:
        return None
    if value not in step.values:
        what = f"`{step.name}` measures no {quoted(value)}.{nearest(value, step.values)}"
        mistakes.add(
            path, "agree-value", what + f"\nIt measures: {listed(step.values)}.{explained(step)}"
        )
    return step.values.get(value)
