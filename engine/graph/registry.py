"""Step names to steps: files in `steps/` and installed packages, imported when named."""

from __future__ import annotations

import importlib
import types
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, Literal, TypeAlias, cast

from pydantic import BaseModel

from engine.problems import quoted
from engine.yamlfile import Path_
from steps import contract
from steps.contract import Params, Pose, StepFunction, StepInfo, Values

Surveyor: TypeAlias = Callable[
    [contract.View, Any], tuple[Values, Mapping[str, Any]] | contract.NotMeasured
]
Kind: TypeAlias = Literal["number", "whole", "truth", "text", "date"]
ENTRY_POINTS = "engine.steps"
_NOT_STEPS = {"__init__", "contract"}


@dataclass(frozen=True, slots=True)
class ValueInfo:
    """What a step measures under one name."""

    kind: Kind
    unit: str
    description: str


AsMeasured: TypeAlias = Callable[[str, str], str]
"""From the name of a value and the text of a limit on it to the text as values hold it."""


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
    survey: Surveyor | None = None
    """Measures as the step does and gives what draws it, for a page about one picture."""
    as_measured: AsMeasured | None = None
    """Writes the text of a limit as the step's values hold it."""


class NoSuchStep(LookupError):  # noqa: N818 - reads as a sentence
    """A recipe names a step that cannot be had; the text says why."""

    code = "unknown-step"
    unknown = True
    """Whether there is no step of this name at all."""


class BrokenStep(NoSuchStep):
    """The step is there, but cannot be used."""

    code = "broken-step"
    unknown = False


def step_names() -> tuple[str, ...]:
    """List every step without importing one: files in `steps/` and entry points."""
    return tuple(sorted({*own_names(), *(name for name in installed() if "." in name)}))


@cache
def own_names() -> frozenset[str]:
    """List the files in `steps/` that hold a step."""
    folder = Path(contract.__file__).parent
    return frozenset(f.stem for f in folder.glob("*.py") if not f.stem.startswith("_")) - _NOT_STEPS


@cache
def installed() -> Mapping[str, tuple[EntryPoint, ...]]:
    """List the steps of installed packages, with each package that offers a name."""
    found: dict[str, list[EntryPoint]] = {}
    for point in entry_points(group=ENTRY_POINTS):
        found.setdefault(point.name, []).append(point)
    return {name: tuple(points) for name, points in found.items()}


@cache
def load_step(name: str) -> Step:
    """Import one step.

    Raises
    ------
    NoSuchStep
        When there is none of that name.
    BrokenStep
        When two packages offer it, it cannot be imported, or it is not declared rightly.
    """
    if name in own_names():
        module = _imported(name, lambda: importlib.import_module(f"steps.{name}"))
        function = getattr(module, name, None)
        if not callable(function):
            message = f"steps/{name}.py holds no function `{name}`"
            raise BrokenStep(message)
        return _describe(name, function, module)
    function = _imported(name, _entry_point(name).load)
    module = importlib.import_module(function.__module__)
    return _describe(name, function, module)


def _imported(name: str, load: Callable[[], Any]) -> Any:
    try:
        return load()
    except Exception as error:  # whatever a broken library raises stops this step only
        message = f"the step `{name}` cannot be imported: {type(error).__name__}: {error}"
        raise BrokenStep(message) from error


def _entry_point(name: str) -> EntryPoint:
    points = list(installed().get(name, ()))
    if not points:
        message = f"there is no step {quoted(name)}"
        raise NoSuchStep(message)
    packages = sorted(p.dist.name if p.dist else p.value for p in points)
    if len(points) > 1:
        message = f"the step `{name}` is offered by {' and '.join(packages)}: uninstall all but one"
        raise BrokenStep(message)
    if "." not in name:
        message = f"the package {packages[0]} offers `{name}`, but the name of an installed step "
        message += f"is dotted, as `orchard.{name}`"
        raise BrokenStep(message)
    return points[0]


def _describe(name: str, function: Any, module: types.ModuleType) -> Step:
    info: StepInfo | None = getattr(function, "step_info", None)
    if info is None:
        message = f"`{name}` is not declared with @step"
        raise BrokenStep(message)
    prepare = getattr(module, "prepare", None)
    if info.takes_prepared and prepare is None:
        message = f"`{name}` takes a prepared object, but its file holds no `prepare`"
        raise BrokenStep(message)
    limited = dict(_limited_values(info.values))
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
        prepare=prepare if info.takes_prepared else None,
        teach=getattr(module, "teach", None),
        survey=getattr(module, "survey", None),
        as_measured=getattr(module, "as_measured", None),
        document=(function.__doc__ or "").strip(),
    )


def _limited_values(values: type[Values]) -> Iterator[tuple[str, ValueInfo]]:
    for name, field in values.model_fields.items():
        kind = _kind(field.annotation)
        if kind is not None:
            text = " ".join((field.description or "").split())
            yield name, ValueInfo(kind, unit_of(text), text)


_KINDS: tuple[tuple[type, Kind], ...] = (
    (bool, "truth"),
    (int, "whole"),
    (float, "number"),
    (str, "text"),
    (date, "date"),
)


def _kind(annotation: Any) -> Kind | None:
    for part in _parts(annotation):
        words: tuple[Any, ...] = typing.get_args(part) if typing.get_origin(part) is Literal else ()
        plain: Any = cast("Any", type(words[0])) if words else part
        for known, kind in _KINDS:
            if plain is known:
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


def explained(step: Step) -> str:
    """Give the sentence that says where a step's settings and values are explained."""
    return f" See `cartonverdict steps {step.name}`."


def reference_files(params: BaseModel) -> list[tuple[Path_, str]]:
    """Find every reference that parameters name, with the path of its setting."""
    return list(_references_in(params, ()))


def _references_in(value: Any, path: Path_) -> Iterator[tuple[Path_, str]]:
    if isinstance(value, contract.ReferenceFile):
        yield path, str(value)
    for name, item in _items(value):
        yield from _references_in(item, (*path, name))


def _items(value: Any) -> Iterable[tuple[Any, Any]]:
    if isinstance(value, BaseModel):
        return [(name, getattr(value, name)) for name in type(value).model_fields]
    if isinstance(value, Mapping):
        return cast("Mapping[Any, Any]", value).items()
    if isinstance(value, (list, tuple)):
        return enumerate(cast("list[Any]", value))
    return ()
