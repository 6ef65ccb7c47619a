"""Reference pages of steps, made from their models and docstrings: nothing is written twice."""

from __future__ import annotations

import re
import textwrap
import types
import typing
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from engine.graph.example import example
from engine.graph.registry import Step, unit_of
from steps.contract import ReferenceFile

_KINDS = {
    "number": "number",
    "whole": "whole number",
    "truth": "true or false",
    "text": "text",
    "date": "date",
}
_TYPES: Mapping[Any, str] = {
    float: "number",
    int: "whole number",
    bool: "true or false",
    str: "text",
    ReferenceFile: "file",
}
_HEADING = re.compile(r"^(?P<name>[A-Z][A-Za-z ]+)\n-{3,}\n", re.MULTILINE)


def summary(step: Step) -> str:
    """Give what a step does in one line."""
    return " ".join(_sections(step.document)[""].split("\n\n")[0].split())


def reference_page(step: Step) -> str:
    """Give the reference page of a step, as Markdown."""
    sections = _sections(step.document)
    intro, _, more = sections[""].partition("\n\n")
    parts = [
        f"# {step.name}",
        " ".join(intro.split()),
        _text(more),
        _how(step),
        _section("What it needs, and where it fails", _text(sections.get("Notes", ""))),
        _section("Settings", _settings(step)),
        _section("Values", _values(step)),
        _section("Not measured", _text(_after_type(sections.get("Returns", "")))),
        _section("In a recipe", f"```yaml\n{example(step)}```"),
        _section("Sources", _sources(sections.get("References", ""))),
        "*Made from the code by `cartonverdict steps --write`.*",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _sections(document: str) -> dict[str, str]:
    """Cut a docstring at its headings; what stands before the first is under an empty name."""
    first, _, rest = document.partition("\n")
    text = first + "\n" + textwrap.dedent(rest)
    found = list(_HEADING.finditer(text))
    ends = [heading.start() for heading in found[1:]] + [len(text)]
    sections = {"": text[: found[0].start()] if found else text}
    for heading, end in zip(found, ends, strict=True) if found else ():
        sections[heading["name"]] = text[heading.end() : end]
    return {name: part.strip() for name, part in sections.items()}


def _section(title: str, text: str) -> str:
    return f"## {title}\n\n{text}" if text.strip() else ""


def _text(text: str) -> str:
    """Give docstring text as Markdown: double backticks become single ones."""
    return text.replace("``", "`").strip()


def _after_type(text: str) -> str:
    """Give what a `Returns` section says of its type."""
    return textwrap.dedent(text.partition("\n")[2])


def _sources(text: str) -> str:
    return re.sub(r"^\.\. \[(\w+)\] *", r"- ", text, flags=re.MULTILINE)


def _how(step: Step) -> str:
    said: list[str] = []
    if step.pose_name:
        said.append("It finds a pose: other steps may be `placed_by` it.")
    if step.teach is not None:
        said.append("Its reference is made from good cartons by `cartonverdict teach`.")
    if step.rgb:
        said.append("It uses colour where the camera gives it.")
    return " ".join(said)


def _values(step: Step) -> str:
    rows = [
        (f"`{name}`", _KINDS[info.kind], info.unit, _without_unit(info.description))
        for name, info in step.values.items()
    ]
    return _table(("value", "type", "unit", "meaning"), rows)


def _settings(step: Step) -> str:
    tables: list[str] = []
    for model, name in _models(step.params):
        rows = [_row(n, field) for n, field in model.model_fields.items()]
        title = f"`{name}`: {' '.join((model.__doc__ or '').split())}\n\n" if name else ""
        table = _table(("setting", "type", "default", "unit", "meaning"), rows)
        tables.append(title + table if rows else "There are none.")
    return "\n\n".join(tables)


def _models(params: type[BaseModel], name: str = "") -> Iterator[tuple[type[BaseModel], str]]:
    """Give the settings and the mappings inside them, each with the setting that holds it."""
    yield params, name
    for inner, field in params.model_fields.items():
        for part in _inside(field.annotation):
            if isinstance(part, type) and issubclass(part, BaseModel):
                yield from _models(part, f"{name}.{inner}" if name else inner)


def _inside(annotation: Any) -> Iterator[Any]:
    arguments = typing.get_args(annotation)
    if not arguments:
        yield annotation
    for argument in arguments:
        yield from _inside(argument)


def _row(name: str, field: FieldInfo) -> tuple[str, ...]:
    description = " ".join((field.description or "").split())
    kind = type_words(field.annotation) + _bounds(field)
    unit = unit_of(description)
    return f"`{name}`", kind, _default(field), unit, _without_unit(description)


def type_words(annotation: Any) -> str:
    """Give a type in words.

    Examples
    --------
    >>> type_words(tuple[float, float] | None)
    'list of 2 numbers'
    >>> type_words(list[str])
    'list of texts'
    """
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(type_words(a) for a in arguments if a is not type(None))
    if origin is typing.Literal:
        return ", ".join(f"`{word}`" for word in arguments)
    if origin is typing.Annotated:
        return type_words(arguments[0])
    if origin is tuple and arguments[-1] is not Ellipsis:
        return f"list of {len(arguments)} {_many(type_words(arguments[0]))}"
    if origin in (tuple, list):
        return f"list of {_many(type_words(arguments[0]))}"
    if origin is dict:
        return f"mapping of names to {_many(type_words(arguments[1]))}"
    return _TYPES.get(annotation, "mapping")


def _many(words: str) -> str:
    """Give words of a type in the plural."""
    if words.startswith("list of"):
        return words.replace("list", "lists", 1)
    return f"{words}s" if words in {"number", "whole number", "text", "file", "mapping"} else words


def _bounds(field: FieldInfo) -> str:
    """Give the bounds of a number."""
    found: dict[str, Any] = {}
    for part in field.metadata:
        for key in ("ge", "gt", "le", "lt"):
            if getattr(part, key, None) is not None:
                found[key] = getattr(part, key)
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    if {"ge", "le"} <= found.keys():
        return f", {found['ge']:g} to {found['le']:g}"
    return "".join(f", {words[key]} {bound:g}" for key, bound in found.items())


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "**needed**"
    value = field.get_default(call_default_factory=True, validated_data={})
    if value is None or value in ((), [], {}, ""):
        return "none"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, BaseModel):
        inner = ", ".join(f"{k}: {v}" for k, v in value.model_dump().items())
        return f"`{{{inner}}}`"
    return f"`{value:g}`" if isinstance(value, float) else f"`{value}`"


def _without_unit(description: str) -> str:
    unit = unit_of(description)
    return description.replace(f" [{unit}]", "") if unit else description


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    if not rows:
        return ""
    used = [i for i in range(len(head)) if any(row[i] for row in rows)]
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join(
        "| " + " | ".join(line[i].replace("|", "\\|") for i in used) + " |" for line in lines
    )
