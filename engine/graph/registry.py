"""Step names to steps: files in `steps/` and installed packages, imported when named."""

from __future__ import annotations

import importlib
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, Literal, TypeAlias

from pydantic import BaseModel

from steps import contract
from steps.contract import Params, Pose, StepFunction, StepInfo, Values

Kind: TypeAlias = Literal["number", "whole", "truth", "text", "date"]
ENTRY_POINTS = "engine.steps"
_NOT_STEPS = {"__init__", "contract"}


@dataclass(frozen=True, slots=True)
class ValueInfo:
    """What a step measures under one name."""

    kind: Kind
    unit: str
    description: str


@dataclass(frozen=True, slots=True)
class Step:
    """A step with all that stands in its file."""

    name: str
    function: StepFunction
    params: type[Params]
    values: Mapping[str, ValueInfo]
    """Values that limits may use."""
    value_names: tuple[str, ...]
    pose_name: str | None
    """Name of the value that holds the pose, if the step finds one."""
    marks_name: str | None
    rgb: bool
    takes_prepared: bool
    prepare: Callable[[Any, contract.Given], Any] | None
    teach: contract.Teach | None
    document: str
    """The step's docstring."""


class NoSuchStep(LookupError):  # noqa: N818 - reads as a sentence
    """A recipe names a step that cannot be had; the text says why."""


@cache
def step_names() -> tuple[str, ...]:
    """List every step without importing one: files in `steps/` and entry points."""
    folder = Path(contract.__file__).parent
    own = {f.stem for f in folder.glob("*.py") if not f.stem.startswith("_")} - _NOT_STEPS
    return tuple(sorted(own | set(_installed())))


@cache
def load_step(name: str) -> Step:
    """Import one step.

    Raises
    ------
    NoSuchStep
        When there is none of that name, two packages offer it, or it cannot be imported.
    """
    if "." in name:
        function = _load_installed(name)
        module = importlib.import_module(function.__module__)
        return _describe(name, function, module)
    if name not in step_names():
        message = f"there is no step `{name}`"
        raise NoSuchStep(message)
    try:
        module = importlib.import_module(f"steps.{name}")
    except ImportError as error:
        message = f"the step `{name}` cannot be imported: {error}"
        raise NoSuchStep(message) from error
    function = getattr(module, name, None)
    if not callable(function):
        message = f"steps/{name}.py holds no function `{name}`"
        raise NoSuchStep(message)
    return _describe(name, function, module)


@cache
def _installed() -> Mapping[str, tuple[EntryPoint, ...]]:
    found: dict[str, list[EntryPoint]] = {}
    for point in entry_points(group=ENTRY_POINTS):
        found.setdefault(point.name, []).append(point)
    return {name: tuple(points) for name, points in found.items()}


def _load_installed(name: str) -> Any:
    points = _installed().get(name, ())
    if len(points) > 1:
        packages = " and ".join(sorted(p.dist.name if p.dist else p.value for p in points))
        message = f"the step `{name}` is offered by {packages}: uninstall all but one"
        raise NoSuchStep(message)
    if not points:
        message = f"there is no step `{name}`"
        raise NoSuchStep(message)
    try:
        return points[0].load()
    except (ImportError, AttributeError) as error:
        message = f"the step `{name}` cannot be imported: {error}"
        raise NoSuchStep(message) from error


def _describe(name: str, function: Any, module: types.ModuleType) -> Step:
    info: StepInfo | None = getattr(function, "step_info", None)
    if info is None:
        message = f"`{name}` is not declared with @step"
        raise NoSuchStep(message)
    kinds = {n: _kind(f.annotation) for n, f in info.values.model_fields.items()}
    limited = {
        n: ValueInfo(kind, unit_of(text), text)
        for n, kind in kinds.items()
        if kind is not None
        for text in [" ".join((info.values.model_fields[n].description or "").split())]
    }
    return Step(
        name=name,
        function=function,
        params=info.params,
        values=limited,
        value_names=tuple(limited),
        pose_name=_name_of(info.values, Pose),
        marks_name="marks" if "marks" in info.values.model_fields else None,
        rgb=info.rgb,
        takes_prepared=info.takes_prepared,
        prepare=getattr(module, "prepare", None) if info.takes_prepared else None,
        teach=getattr(module, "teach", None),
        document=(function.__doc__ or "").strip(),
    )


_KINDS: tuple[tuple[type, Kind], ...] = (
    (bool, "truth"),
    (int, "whole"),
    (float, "number"),
    (str, "text"),
    (date, "date"),
)


def _kind(annotation: Any) -> Kind | None:
    for part in _parts(annotation):
        if typing.get_origin(part) is Literal:
            return "text"
        for known, kind in _KINDS:
            if part is known:
                return kind
    return None


def _parts(annotation: Any) -> tuple[Any, ...]:
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return typing.get_args(annotation)
    return (annotation,)


def _name_of(values: type[Values], wanted: type) -> str | None:
    for name, field in values.model_fields.items():
        if wanted in _parts(field.annotation):
            return name
    return None


def unit_of(description: str) -> str:
    """Give the unit in the last [brackets] of a description; empty where there is none.

    Examples
    --------
    >>> unit_of("Area of the largest difference [mm2].")
    'mm2'
    """
    start, end = description.rfind("["), description.rfind("]")
    return description[start + 1 : end] if 0 <= start < end else ""


def reference_files(params: BaseModel) -> list[tuple[tuple[str | int, ...], str]]:
    """Find every reference that parameters name, with the path of its setting."""
    found: list[tuple[tuple[str | int, ...], str]] = []

    def search(value: Any, path: tuple[str | int, ...]) -> None:
        if isinstance(value, contract.ReferenceFile):
            found.append((path, str(value)))
        elif isinstance(value, BaseModel):
            for name in type(value).model_fields:
                search(getattr(value, name), (*path, name))
        elif isinstance(value, Mapping):
            for name, item in value.items():
                search(item, (*path, name))
        elif isinstance(value, (list, tuple)):
            for i, item in enumerate(value):
                search(item, (*path, i))

    search(params, ())
    return found
