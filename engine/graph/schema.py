"""The JSON Schema of recipes, for editors: built from the models, with each step's settings."""

from __future__ import annotations

import copy
from collections.abc import Iterable
from typing import Any, cast

from engine.graph.registry import Kind, Step
from engine.recipe.model import Recipe

Schema = dict[str, Any]

_TEXT_TYPES = ["string", "number", "boolean"]
"""A text field takes the source text of whatever stands there, so that a number keeps its zeros."""

_BOUNDS: dict[Kind, Schema] = {
    "number": {"type": "number"},
    "whole": {"type": "integer"},
    "truth": {"type": "boolean"},
    "text": {"type": _TEXT_TYPES},
    "date": {"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"},
}


def recipe_schema(steps: Iterable[Step]) -> Schema:
    """Give the JSON Schema (draft 2020-12) of a recipe.

    Parameters
    ----------
    steps : iterable of Step
        The steps whose settings and limits are described; a recipe may name installed others.
    """
    described = list(steps)
    schema = _plain(Recipe.model_json_schema(ref_template="#/$defs/{model}"))
    parts: Schema = schema.pop("$defs")
    parts["Recipe"] = schema
    parts["StepSpec"] = _step_schema(parts["StepSpec"], described)
    for kind in _BOUNDS:
        parts[f"Limit-{kind}"] = _limit_schema(parts["Limit"], kind)
    for step in described:
        parts |= _settings_schema(step)
        parts[f"{step.name}-limits"] = _limits_schema(step)
    base = {"type": "string", "description": "Folder or file of the recipe that this one changes."}
    names = dict.fromkeys(schema["properties"], True)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Recipe",
        "description": "What a good carton of one product is.",
        "type": "object",
        "if": {"required": ["based_on"]},
        "then": {"properties": {"based_on": base, **names}, "additionalProperties": False},
        "else": {"$ref": "#/$defs/Recipe"},
        "$defs": parts,
    }


def _step_schema(schema: Schema, steps: list[Step]) -> Schema:
    """Say for each step what its settings and limits may be."""
    own = [step.name for step in steps]
    schema["properties"]["step"] = {
        "description": schema["properties"]["step"]["description"],
        "anyOf": [{"enum": own}, {"type": "string", "pattern": "^[^.]+(\\.[^.]+)+$"}],
    }
    schema["allOf"] = [
        {
            "if": {"properties": {"step": {"const": step.name}}, "required": ["step"]},
            "then": {
                "properties": {
                    "settings": {"$ref": f"#/$defs/{step.name}-settings"},
                    "limits": {"$ref": f"#/$defs/{step.name}-limits"},
                },
                **({"required": ["settings"]} if _needs_settings(step) else {}),
            },
        }
        for step in steps
    ]
    return schema


def _needs_settings(step: Step) -> bool:
    return any(field.is_required() for field in step.params.model_fields.values())


def _settings_schema(step: Step) -> Schema:
    """Give the settings of a step, and the parts they are made of."""
    template = f"#/$defs/{step.name}-{{model}}"
    schema = _plain(step.params.model_json_schema(ref_template=template))
    parts: Schema = schema.pop("$defs", {})
    named = {f"{step.name}-{name}": part for name, part in parts.items()}
    return {f"{step.name}-settings": schema, **named}


def _limits_schema(step: Step) -> Schema:
    return {
        "type": "object",
        "description": f"What the values of `{step.name}` must be.",
        "properties": {
            name: {"$ref": f"#/$defs/Limit-{info.kind}", "description": info.description}
            for name, info in step.values.items()
        },
        "additionalProperties": False,
    }


def _limit_schema(limit: Schema, kind: Kind) -> Schema:
    """Give the schema of a limit on a value of one kind."""
    schema = copy.deepcopy(limit)
    fields: Schema = schema["properties"]
    order = _mapping({"order": {"type": "string"}})
    days = _mapping({"days_from_today": {"type": "integer"}})
    named = {"anyOf": [_BOUNDS[kind], order]}
    ends = {"anyOf": [_BOUNDS[kind], order, days]} if kind == "date" else named
    fields["one_of"] = {**fields["one_of"], "type": "array", "minItems": 1, "items": named}
    fields["one_of"].pop("anyOf", None)
    for name, allowed in (("min", ends), ("max", ends), ("equals", named)):
        fields[name] = {"description": fields[name]["description"], **allowed}
    unfit = {"text": ("min", "max"), "truth": ("min", "max", "matches")}.get(kind, ("matches",))
    for name in unfit:
        del fields[name]
    judging = [n for n in ("min", "max", "equals", "one_of", "matches") if n in fields]
    schema["anyOf"] = [{"required": [name]} for name in judging]
    return schema


def _mapping(fields: Schema) -> Schema:
    return {
        "type": "object",
        "properties": fields,
        "required": list(fields),
        "additionalProperties": False,
    }


def _plain(schema: Any) -> Any:
    """Drop what pydantic adds for programs, and let text fields take what our files may hold."""
    if isinstance(schema, list):
        return [_plain(item) for item in cast("list[Any]", schema)]
    if not isinstance(schema, dict):
        return schema
    fields = cast("Schema", schema)
    plain = {k: _plain(v) for k, v in fields.items() if k != "title" or isinstance(v, dict)}
    if plain.get("type") == "string" and not plain.keys() & {"enum", "const", "pattern", "format"}:
        plain["type"] = _TEXT_TYPES
    if "patternProperties" in plain:  # names of cameras, steps and order fields
        plain["additionalProperties"] = False
    if isinstance(plain.get("description"), str):
        plain["description"] = " ".join(plain["description"].split())
    return plain
