"""What every step keeps to, our own and installed ones alike."""

import doctest
import importlib
import inspect
import math
import re
import types
import typing
from datetime import date
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel

from engine.graph.describe import summary
from engine.graph.example import example
from engine.graph.registry import Step, load_step, own_names, step_names
from steps.contract import Marks, NotMeasured, Params, Pose, ReferenceFile, Values, View

UNIT = re.compile(r"\[[A-Za-z0-9/%* ]+\]")
ALLOWED = (float, int, bool, str, date)
EVERY = [load_step(name) for name in step_names()]
STEPS = pytest.mark.parametrize("step", EVERY, ids=lambda step: step.name)


def models(model: type[BaseModel]) -> list[type[BaseModel]]:
    """Give a model and the models inside it."""
    inside = [m for f in model.model_fields.values() for m in parts(f.annotation)]
    found = [m for m in inside if isinstance(m, type) and issubclass(m, BaseModel)]
    return [model, *(deeper for m in found for deeper in models(m))]


def parts(annotation: Any) -> list[Any]:
    """Give the plain types that an annotation is made of."""
    arguments = typing.get_args(annotation)
    if typing.get_origin(annotation) is typing.Literal:
        return [type(word) for word in arguments]
    return [p for a in arguments for p in parts(a)] if arguments else [annotation]


def values_model(step: Step) -> type[Values]:
    return step.function.step_info.values


@STEPS
def test_file_function_and_name_are_one_word(step):
    module = inspect.getmodule(step.function)
    assert module is not None
    short = step.name.rpartition(".")[2]
    assert step.function.__name__ == short
    assert step.function.step_info.name == short
    if step.name in own_names():
        assert module.__name__ == f"steps.{step.name}"
        camel = short.replace("_", " ").title().replace(" ", "")
        assert step.params.__name__ == f"{camel}Params"
        assert values_model(step).__name__ == f"{camel}Values"


@STEPS
def test_settings_and_values_are_frozen_models_that_know_their_keys(step):
    assert issubclass(step.params, Params)
    for model in models(step.params):
        assert model.model_config.get("extra") == "forbid"
        assert model.model_config.get("frozen") is True


@STEPS
def test_each_setting_is_described_and_each_number_has_its_unit(step):
    for model in models(step.params):
        for name, field in model.model_fields.items():
            said = " ".join((field.description or "").split())
            assert said, f"{model.__name__}.{name} is not described"
            plain = set(parts(field.annotation)) - {type(None)}
            if plain & {float, int}:
                assert UNIT.search(said), f"{model.__name__}.{name}: no unit in [brackets]"
            assert said.endswith("."), f"{model.__name__}.{name}: a description is a sentence"


@STEPS
def test_each_value_is_described_has_its_unit_and_a_kind_that_can_be_limited(step):
    for name, field in values_model(step).model_fields.items():
        said = " ".join((field.description or "").split())
        assert said.endswith("."), f"{name}: a description is a sentence"
        if field.annotation is Pose or name == "marks":
            continue
        plain = [p for p in parts(field.annotation) if p is not type(None)]
        assert len(set(plain)) == 1, f"{name} has one type, or None"
        assert plain[0] in ALLOWED, f"{name}: {plain[0]} cannot be limited"
        if plain[0] in (float, int):
            assert UNIT.search(said), f"{name}: no unit in [brackets]"
            assert step.values[name].unit


@STEPS
def test_a_value_named_after_a_unit_is_in_that_unit(step):
    units = {"mm": "mm", "mm2": "mm2", "deg": "deg", "px": "px"}
    for name, info in step.values.items():
        ending = name.rpartition("_")[2]
        if ending in units and info.kind == "number":
            assert info.unit == units[ending], name


def section(step: Step, name: str) -> str:
    """Give one section of a step's docstring."""
    found = re.search(rf"{name}\n +-+\n(.*?)(?=\n\s*\n +\w+\n +-+\n|$)", step.document, re.DOTALL)
    assert found is not None, f"{step.name}: no section {name}"
    return found[1]


@STEPS
def test_the_docstring_says_what_the_step_needs_and_where_it_fails(step):
    notes = section(step, "Notes")
    assert len(notes) > 200
    assert re.search(r"\b(px|pixels?|grey levels?|mm)\b", notes), "what of the image does it need?"
    assert len(summary(step)) < 100


@STEPS
def test_the_docstring_holds_a_doctest_that_runs_by_itself(step):
    module = importlib.import_module(step.function.__module__)
    finder = doctest.DocTestFinder(recurse=False)
    tests = finder.find(step.function, step.function.__name__, globs=dict(vars(module)))
    assert sum(len(test.examples) for test in tests) >= 2
    runner = doctest.DocTestRunner(verbose=False, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert sum(runner.run(test).failed for test in tests) == 0


@STEPS
def test_prepare_and_teach_stand_in_the_file_where_they_are_needed(step):
    module = importlib.import_module(step.function.__module__)
    assert step.takes_prepared == (step.prepare is not None)
    references = [
        name
        for name, field in step.params.model_fields.items()
        if ReferenceFile in parts(field.annotation)
    ]
    if step.teach is not None:
        assert "reference" in references
        assert step.takes_prepared
    if references:
        assert step.prepare is not None
    assert isinstance(module, types.ModuleType)


def noise(seed: int, shape: tuple[int, int]) -> View:
    """A view of structured noise, read-only as the engine's are."""
    random = np.random.default_rng(seed)
    coarse = random.integers(0, 256, (shape[0] // 8 + 1, shape[1] // 8 + 1), np.uint8)
    gray = np.kron(coarse, np.ones((8, 8), np.uint8))[: shape[0], : shape[1]].copy()
    rgb = np.stack([gray, gray // 2, 255 - gray], axis=2)
    for array in (gray, rgb):
        array.setflags(write=False)
    return View(gray, mm_per_px=0.2, rgb=rgb, frame=rgb, gamma="srgb")


def same(a: Any, b: Any) -> bool:
    """Say whether two results are equal, arrays in them included."""
    if isinstance(a, (Values, Pose)) or hasattr(a, "__dataclass_fields__"):
        names = type(a).model_fields if isinstance(a, Values) else a.__dataclass_fields__
        return type(a) is type(b) and all(same(getattr(a, n), getattr(b, n)) for n in names)
    if isinstance(a, np.ndarray):
        return np.array_equal(a, b, equal_nan=True)
    if isinstance(a, (tuple, list)):
        return len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, float) and math.isnan(a):
        return isinstance(b, float) and math.isnan(b)
    return type(a) is type(b) and a == b


ALONE = [step for step in EVERY if not step.takes_prepared]


def smallest_params(step: Step) -> Params:
    """Give settings as the step's page shows them."""
    import yaml

    shown = next(iter(yaml.safe_load(example(step)).values()))
    return step.params.model_validate(shown.get("settings", {}))


@pytest.mark.parametrize("step", ALONE, ids=lambda step: step.name)
@pytest.mark.parametrize("shape", [(120, 180), (17, 90), (1, 1), (3, 400)], ids=str)
def test_a_step_gives_the_same_twice_and_leaves_its_input_as_it_was(step, shape):
    params = smallest_params(step)
    view = noise(7, shape)
    before = view.gray.copy(), None if view.rgb is None else view.rgb.copy()
    first, second = step.function(view, params), step.function(view, params)
    assert same(first, second)
    assert isinstance(first, (values_model(step), NotMeasured))
    assert np.array_equal(view.gray, before[0])
    assert view.rgb is None or np.array_equal(view.rgb, before[1])


@pytest.mark.parametrize("step", ALONE, ids=lambda step: step.name)
@pytest.mark.parametrize("grey", [0, 128, 255])
def test_a_step_says_something_of_a_view_without_anything(step, grey):
    gray = np.full((64, 64), grey, np.uint8)
    masked = np.zeros_like(gray)
    params = smallest_params(step)
    for view in (View(gray), View(gray, mm_per_px=0.1, mask=masked), View(gray[:0])):
        said = step.function(view, params)
        assert isinstance(said, (values_model(step), NotMeasured))
        if isinstance(said, NotMeasured):
            assert said.why
        elif "marks" in values_model(step).model_fields:
            marks: Marks = said.marks
            assert all(np.isfinite(mark.points).all() for mark in marks)
