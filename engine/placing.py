"""Errors of pydantic models as problems with line and column."""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from engine.problems import Problem, listed, nearest
from engine.yamlfile import Document, Path_

M = TypeVar("M", bound=BaseModel)


def validate(
    model: type[M], data: Any, document: Document, prefix: Path_ = ()
) -> tuple[M | None, list[Problem]]:
    """Check plain data against a model; every mistake becomes a problem with its place.

    Types are strict, as in JSON: a text is no number, `1` is no truth value. Only where a text is
    asked and a plain scalar stands, its source text is taken, so that a number keeps its zeros.

    Parameters
    ----------
    model : type of BaseModel
        What the data must be.
    data : object
        Plain data, as `yamlfile` gives it.
    document : Document
        Where the data stands.
    prefix : tuple
        Path of the data in the document.

    Returns
    -------
    tuple
        The model and no problems, or None and all problems.
    """
    data = json.loads(_as_json(data))
    for _ in range(200):
        try:
            return model.model_validate_json(_as_json(data), strict=True), []
        except ValidationError as error:
            details = error.errors(include_url=False)
        if not any(_take_source_text(d, data, document, prefix) for d in details):
            kept = _without_other_members(details, data)
            return None, [_problem(model, d, data, document, prefix) for d in kept]
    return None, [document.problem(prefix, "value", "The value cannot be understood.")]


def _as_json(data: Any) -> str:
    return json.dumps(data, default=str)


def _take_source_text(detail: ErrorDetails, data: Any, document: Document, prefix: Path_) -> bool:
    if detail["type"] != "string_type":
        return False
    path, _ = _in_data(detail["loc"], data)
    source = document.sources.get((*prefix, *path))
    if source is None or not path:
        return False
    parent = data
    for part in path[:-1]:
        parent = parent[part]
    if parent[path[-1]] is None or isinstance(parent[path[-1]], str):
        return False
    parent[path[-1]] = source
    return True


_WRONG_KIND = {
    "string_type": "a text",
    "list_type": "a list",
    "tuple_type": "a list",
    "model_type": "a mapping of keys to values",
    "dict_type": "a mapping of keys to values",
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "`true` or `false`",
}


def _without_other_members(details: list[ErrorDetails], data: Any) -> list[ErrorDetails]:
    """Drop what pydantic says of union members that were not meant.

    Where one member fails for its kind and another for what it holds, the second was meant; where
    all fail for their kind, one problem names all kinds that are allowed.
    """
    by_path: dict[Path_, list[ErrorDetails]] = {}
    for detail in details:
        by_path.setdefault(_in_data(detail["loc"], data)[0], []).append(detail)
    kept: list[ErrorDetails] = []
    for path, here in by_path.items():
        kinds = [d for d in here if d["type"] in _WRONG_KIND]
        others = [d for d in here if d["type"] not in _WRONG_KIND]
        deeper = any(len(p) > len(path) and p[: len(path)] == path for p in by_path)
        kept += others
        if others or deeper or not kinds:
            continue
        wanted = list(dict.fromkeys(_WRONG_KIND[d["type"]] for d in kinds))
        if len(wanted) == 1:
            kept.append(kinds[0])
        else:
            kept.append({**kinds[0], "type": "kind", "ctx": {"wanted": " or ".join(wanted)}})
    return kept


def _in_data(loc: tuple[int | str, ...], data: Any) -> tuple[Path_, bool]:
    """Give the part of a pydantic location that is in the data, and whether that is all of it.

    Parts that pydantic adds for the member of a union are not in the data and are skipped.
    """
    path: list[str | int] = []
    here = data
    skipped = False
    for part in loc:
        if (isinstance(here, Mapping) and part in here) or (
            isinstance(here, list) and isinstance(part, int) and part < len(here)
        ):
            here = here[part]
            path.append(part)
            skipped = False
        else:
            skipped = True
    return tuple(path), not skipped


def _problem(
    model: type[BaseModel], detail: ErrorDetails, data: Any, document: Document, prefix: Path_
) -> Problem:
    kind = detail["type"]
    loc = detail["loc"]
    path, _ = _in_data(loc, data)
    code = kind.replace("_", "-")
    if kind == "missing":
        name = str(loc[-1])
        what = f"`{name}` is missing here{_meaning(model, loc)}."
        return document.problem((*prefix, *path), code, what, at_key=True)
    if kind == "extra_forbidden":
        allowed = _fields(model, loc[:-1])
        word = str(loc[-1])
        what = f"`{word}` is not a key here.{nearest(word, allowed)}"
        if allowed:
            what += f"\nAllowed: {listed(allowed)}."
        return document.problem((*prefix, *path), code, what, at_key=True)
    text = _TEXTS.get(kind)
    what = text(detail) if text else _sentence(detail["msg"])
    return document.problem((*prefix, *path), code, what)


def _given(detail: ErrorDetails) -> str:
    value = detail.get("input")
    if value is None:
        return "Nothing"
    if isinstance(value, bool):
        return f"`{str(value).lower()}` (a truth value)"
    if isinstance(value, str):
        return f"The text `{_short(value)}`"
    if isinstance(value, (int, float)):
        return f"{value:g}" if isinstance(value, float) else str(value)[:40]
    return "A mapping" if isinstance(value, Mapping) else "A list"


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."


def _needs(wanted: str) -> Callable[[ErrorDetails], str]:
    return lambda detail: f"{_given(detail)} stands here; {wanted} is needed."


def _bound(words: str, key: str) -> Callable[[ErrorDetails], str]:
    def sentence(detail: ErrorDetails) -> str:
        bound = detail.get("ctx", {}).get(key)
        shown = f"{bound:g}" if isinstance(bound, (int, float)) else str(bound)
        return f"{_given(detail)} is {words} {shown}."

    return sentence


def _literal(detail: ErrorDetails) -> str:
    allowed = [
        w.strip("'")
        for w in str(detail.get("ctx", {}).get("expected", "")).replace(" or ", ", ").split(", ")
    ]
    return (
        f"{_given(detail)} is not one of {listed(allowed)}.{nearest(str(detail['input']), allowed)}"
    )


def _own(detail: ErrorDetails) -> str:
    return _sentence(str(detail.get("ctx", {}).get("error", detail["msg"])))


def _length(word: str, key: str) -> Callable[[ErrorDetails], str]:
    def sentence(detail: ErrorDetails) -> str:
        ctx = detail.get("ctx", {})
        actual = ctx.get("actual_length")
        held = f"It holds {actual}; " if actual is not None else ""
        return f"{held}{word} {ctx.get(key)} is needed."

    return sentence


def _kind(detail: ErrorDetails) -> str:
    return f"{_given(detail)} stands here; {detail.get('ctx', {}).get('wanted')} is needed."


_TEXTS: dict[str, Callable[[ErrorDetails], str]] = {
    "string_type": _needs("a text"),
    "string_too_short": lambda _: "The text is empty; something must stand here.",
    "string_pattern_mismatch": lambda d: (
        f"{_given(d)} does not fit the form {d.get('ctx', {}).get('pattern')}."
    ),
    "int_type": _needs("a whole number"),
    "int_from_float": _needs("a whole number"),
    "int_parsing": _needs("a whole number"),
    "float_type": _needs("a number"),
    "float_parsing": _needs("a number"),
    "finite_number": _needs("a finite number"),
    "bool_type": _needs("`true` or `false`"),
    "date_from_datetime_parsing": _needs("a date as 2027-03-14"),
    "date_parsing": _needs("a date as 2027-03-14"),
    "date_type": _needs("a date as 2027-03-14"),
    "list_type": _needs("a list"),
    "tuple_type": _needs("a list"),
    "dict_type": _needs("a mapping of keys to values"),
    "model_type": _needs("a mapping of keys to values"),
    "model_attributes_type": _needs("a mapping of keys to values"),
    "none_required": _needs("nothing"),
    "greater_than": _bound("not above", "gt"),
    "greater_than_equal": _bound("below the smallest allowed value,", "ge"),
    "less_than": _bound("not below", "lt"),
    "less_than_equal": _bound("above the largest allowed value,", "le"),
    "literal_error": _literal,
    "enum": _literal,
    "value_error": _own,
    "kind": _kind,
    "too_short": _length("at least", "min_length"),
    "too_long": _length("at most", "max_length"),
}


def _sentence(text: str) -> str:
    text = text.strip()
    return (text[:1].upper() + text[1:]).rstrip(".") + "."


def _meaning(model: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    """Give the description of a missing field."""
    found = _models_at(model, loc[:-1])
    for candidate in found:
        field = candidate.model_fields.get(str(loc[-1]))
        if field is not None and field.description:
            return ": " + " ".join(field.description.split()).rstrip(".")
    return ""


def _fields(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    return [name for found in _models_at(model, loc) for name in found.model_fields]


def _models_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[type[BaseModel]]:
    """Give the models that may stand at a location."""
    here: list[Any] = [model]
    for part in loc:
        following: list[Any] = []
        for annotation in here:
            for plain in _members(annotation):
                if isinstance(plain, type) and issubclass(plain, BaseModel):
                    field = plain.model_fields.get(str(part))
                    if field is not None:
                        following.append(field.annotation)
                    elif plain.__name__ == part:
                        following.append(plain)
                elif typing.get_args(plain):
                    following.append(typing.get_args(plain)[-1])
        here = following or here
    return [
        plain
        for annotation in here
        for plain in _members(annotation)
        if isinstance(plain, type) and issubclass(plain, BaseModel)
    ]


def _members(annotation: Any) -> list[Any]:
    """Give the members of a union, without Annotated and None."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _members(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return [m for a in typing.get_args(annotation) if a is not type(None) for m in _members(a)]
    return [annotation]
