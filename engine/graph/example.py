"""A step as it stands in a recipe: an example made from its settings and values."""

from __future__ import annotations

import types
import typing
from typing import Any, cast

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from engine.graph.registry import Kind, Step
from steps.contract import ReferenceFile

_LIMITS: dict[Kind, str] = {
    "number": "{min: 0.0, max: 1.0, reject_as: words for the reject log}",
    "whole": "{equals: 1, reject_as: words for the reject log}",
    "truth": "{equals: true, reject_as: words for the reject log}",
    "text": "{equals: {order: lot}, reject_as: words for the reject log}",
    "date": "{equals: {order: expiry}, reject_as: words for the reject log}",
}
_FIRST: tuple[Kind, ...] = ("number", "whole", "date", "truth", "text")
"""Which kind of value the example shows a limit on, where a step has several."""
_SIZES = (70, 40, 20, 10)
_SIDES = {"x": 5, "y": 5, "width": 70, "height": 40}


def example(step: Step) -> str:
    """Give a step as it may stand under `steps:` of a camera.

    Needed settings and the reference are shown; a limit is shown on one value.
    """
    short = step.name.rpartition(".")[2]
    lines = [f"my_{short}:", f"  step: {step.name}", "  placed_by: panel"]
    if step.pose_name is None:
        lines.append("  region_mm: {x: 5, y: 5, width: 70, height: 40}")
    settings = {
        name: _value(field.annotation, name, field, taught=step.teach is not None)
        for name, field in step.params.model_fields.items()
        if field.is_required() or name == "reference"
    }
    if settings:
        lines.append("  settings:")
        lines += [f"    {name}: {_yaml(value)}" for name, value in settings.items()]
    judged = sorted(step.values.items(), key=lambda v: (v[0] != "text", _FIRST.index(v[1].kind)))
    for name, info in judged[:1]:
        lines += ["  limits:", f"    {name}: {_LIMITS[info.kind]}"]
    lines.append(f"  not_measured: {short.replace('_', ' ')} not measured")
    return "\n".join(lines) + "\n"


def _value(annotation: Any, name: str, field: FieldInfo | None, *, taught: bool) -> Any:
    """Give a value that a setting could have."""
    if field is not None and field.examples:
        return field.examples[0]
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin in (typing.Union, types.UnionType):
        plain = next(a for a in arguments if a is not type(None))
        return _value(plain, name, None, taught=taught)
    if origin is typing.Literal:
        return arguments[0]
    if origin is tuple and arguments[-1] is not Ellipsis:
        return list(_SIZES[: len(arguments)])
    if origin in (tuple, list):
        return [_value(arguments[0], name, None, taught=taught)]
    if annotation is ReferenceFile:
        return f"my-{name}.npz" if taught else f"my-{name}.png"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return {
            n: _value(f.annotation, n, f, taught=taught)
            for n, f in annotation.model_fields.items()
            if f.is_required()
        }
    plain_values: dict[Any, Any] = {float: _SIDES.get(name, 1.0), int: 1, bool: True, str: "text"}
    return plain_values.get(annotation, "...")


def _yaml(value: Any) -> str:
    """Give a value on one line."""
    if isinstance(value, dict):
        items = cast("dict[str, Any]", value).items()
        return "{" + ", ".join(f"{k}: {_yaml(v)}" for k, v in items) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_yaml(v) for v in cast("list[Any]", value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return (
        f'"{value}"'
        if isinstance(value, str) and set(value) & set("{}[]:,#&*!|>'%@`")
        else str(value)
    )
