"""Errors of pydantic models as problems with line and column."""

from __future__ import annotations

import json
import re
import types
import typing
from collections.abc import Callable, Mapping
from typing import Any, TypeAlias, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from engine.problems import CODES, Problem, listed, nearest, quoted, sentence
from engine.yamlfile import Document, Path_, core_scalar

M = TypeVar("M", bound=BaseModel)
Sentence: TypeAlias = Callable[[ErrorDetails], str]

_WRONG_KIND: Mapping[str, str] = {
    "string_type": "a text",
    "list_type": "a list",
    "tuple_type": "a list",
    "model_type": "a mapping of keys to values",
    "dict_type": "a mapping of keys to values",
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "`true` or `false`",
}
"""Errors that say that a value is of another kind, and the kind that is needed."""

_DATE = "a date as 2027-03-14"
_NOT_FINITE = re.compile(r"[-+]?\.inf|\.nan|[-+]?[0-9]+(\.[0-9]*)?(e\+?[0-9]{3,})?", re.IGNORECASE)
"""Texts that would be numbers if they were finite; `yamlfile` leaves them as text."""

_AS_TEXT = ("string_type", "literal_error", "enum")


def validate(
    model: type[M], data: Any, document: Document, prefix: Path_ = (), noun: str = "a key here"
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
    noun : str
        What the model's keys are called in problems.

    Returns
    -------
    tuple
        The model and no problems, or None and all problems.
    """
    found, mistakes = check(model, data, document, prefix, noun)
    return found, [problem for problem, _ in mistakes]


def check(
    model: type[M], data: Any, document: Document, prefix: Path_ = (), noun: str = "a key here"
) -> tuple[M | None, list[tuple[Problem, Path_]]]:
    """Do as `validate`; beside each problem stands the path in the data that has to go.

    That is the value or key at fault, or what lacks a key.
    """
    data = json.loads(json.dumps(data))
    details: list[ErrorDetails] = []
    for _ in range(100):  # each round settles at least one member of a union
        try:
            return model.model_validate_json(json.dumps(data), strict=True), []
        except ValidationError as error:
            details = error.errors(include_url=False)
        taken = [_take_source_text(d, data, document, prefix) for d in details]
        if not any(taken):
            break
    kept = _meant(details, data)
    placer = _Placer(model, data, document, prefix, noun)
    return None, [placer.problem(detail) for detail in kept]


def _take_source_text(detail: ErrorDetails, data: Any, document: Document, prefix: Path_) -> bool:
    """Put the source text where a text is asked; says whether it did."""
    path = _in_data(detail["loc"], data)
    if detail["type"] not in _AS_TEXT or not path:
        return False
    source = document.sources.get((*prefix, *path))
    parent: Any = data
    for part in path[:-1]:
        inner: Any = parent[part]
        parent = inner
    last: Any = path[-1]
    if source is None or parent[last] is None or isinstance(parent[last], str):
        return False
    if detail["type"] != "string_type" and source not in _expected_words(detail):
        return False
    parent[last] = source
    return True


def _in_data(loc: tuple[int | str, ...], data: Any) -> Path_:
    """Give the part of a pydantic location that is in the data.

    Parts that pydantic adds for the member of a union are not in the data and are skipped.
    """
    path: list[str | int] = []
    here = data
    for part in loc:
        if (isinstance(here, Mapping) and part in here) or (
            isinstance(here, list) and isinstance(part, int) and part < len(here)
        ):
            inner: Any = here[part]  # pyright: ignore[reportCallIssue, reportArgumentType]
            here = inner
            path.append(part)
    return tuple(path)


def _meant(details: list[ErrorDetails], data: Any) -> list[ErrorDetails]:
    """Drop what pydantic says of union members that were not meant.

    Where one member fails for its kind and another for what it holds, the second was meant; where
    all fail for their kind, one problem names all kinds that are allowed.
    """
    by_path: dict[Path_, list[ErrorDetails]] = {}
    for detail in details:
        by_path.setdefault(_in_data(detail["loc"], data), []).append(detail)
    holding = {path[:i] for path in by_path for i in range(len(path))}
    kept: list[ErrorDetails] = []
    for path, here in by_path.items():
        kinds = [d for d in here if d["type"] in _WRONG_KIND]
        others = [d for d in here if d["type"] not in _WRONG_KIND]
        kept += others
        if others or path in holding or not kinds:
            continue
        wanted = list(dict.fromkeys(_WRONG_KIND[d["type"]] for d in kinds))
        if len(wanted) == 1:
            kept.append(kinds[0])
        else:
            kept.append({**kinds[0], "type": "kind", "ctx": {"wanted": " or ".join(wanted)}})
    return kept


class _Placer:
    """Turns pydantic's errors into problems."""

    def __init__(
        self, model: type[BaseModel], data: Any, document: Document, prefix: Path_, noun: str
    ) -> None:
        self.model = model
        self.data = data
        self.document = document
        self.prefix = prefix
        self.noun = noun

    def problem(self, detail: ErrorDetails) -> tuple[Problem, Path_]:
        """Give the problem, and the path that has to go for the rest to stand."""
        kind, loc = detail["type"], detail["loc"]
        path = (*self.prefix, *_in_data(loc, self.data))
        if kind == "missing":
            what = self.missing(detail)
            at_key = not isinstance(loc[-1], int)
            return self.document.problem(path, "missing", what, at_key=at_key), path
        if kind == "extra_forbidden":
            what = self.unknown(str(loc[-1]), loc[:-1])
            return self.document.problem(path, "extra-forbidden", what, at_key=True), path
        at_key = bool(loc) and loc[-1] == "[key]"
        return self.document.problem(path, _code_of(kind), _say(detail), at_key=at_key), path

    def missing(self, detail: ErrorDetails) -> str:
        loc = detail["loc"]
        if isinstance(loc[-1], int):
            held = len(detail["input"]) if isinstance(detail["input"], list) else loc[-1]
            return f"The list holds {held}; it needs more."
        said = _meaning(self.model, loc)
        return f"{quoted(loc[-1])} is missing here{': ' + said if said else ''}."

    def unknown(self, word: str, loc: tuple[int | str, ...]) -> str:
        allowed = _field_names(self.model, loc)
        what = f"{quoted(word)} is not {self.noun}.{nearest(word, allowed)}"
        return f"{what}\nAllowed: {listed(allowed)}." if allowed else what


def _say(detail: ErrorDetails) -> str:
    """Give an error as sentences."""
    words = _SENTENCES.get(detail["type"])
    return words(detail) if words else sentence(detail["msg"])


def _code_of(kind: str) -> str:
    """Give the code of a pydantic error type; `value` for those that are not listed."""
    code = kind.replace("_", "-")
    return code if code in CODES else "value"


def _expected_words(detail: ErrorDetails) -> list[str]:
    """Give the words that an error about a fixed choice lists."""
    text = str(detail.get("ctx", {}).get("expected", ""))
    found = re.findall(r"'((?:[^'\\]|\\.)*)'|([^\s,']+)", text)
    return [word or other for word, other in found if word or other != "or"]


def _given(detail: ErrorDetails) -> str:
    """Give what stands in the file."""
    value: Any = detail.get("input")
    if value is None:
        return "Nothing"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, str):
        return f"The text {quoted(value, 40)}"
    if isinstance(value, (int, float)):
        return number(value)
    return "A mapping" if isinstance(value, Mapping) else "A list"


def number(value: float) -> str:
    """Give a number as people write it.

    Examples
    --------
    >>> number(255.0), number(0.25)
    ('255', '0.25')
    """
    return str(value)[:40] if isinstance(value, int) else f"{value:.12g}"


def _unquote(detail: ErrorDetails) -> str:
    """Give the hint for a number or truth value that stands in quotes."""
    value: Any = detail.get("input")
    if isinstance(value, str) and value and not isinstance(core_scalar(value), str):
        return " Write it without quotes."
    return ""


def _needs(wanted: str) -> Sentence:
    return lambda d: f"{_given(d)} stands here; {wanted} is needed."


def _number(wanted: str) -> Sentence:
    def words(detail: ErrorDetails) -> str:
        value: Any = detail.get("input")
        if isinstance(value, str) and not _unquote(detail) and _NOT_FINITE.fullmatch(value):
            return f"{quoted(value, 40)} stands here; {wanted} that is finite is needed."
        return f"{_given(detail)} stands here; {wanted} is needed.{_unquote(detail)}"

    return words


def _bound(words: str, key: str) -> Sentence:
    return lambda d: f"{_given(d)} is {words} {_ctx_number(d, key)}."


def _ctx_number(detail: ErrorDetails, key: str) -> str:
    bound: Any = detail.get("ctx", {}).get(key)
    return number(bound) if isinstance(bound, (int, float)) else str(bound)


def _beyond(words: str, key: str) -> Sentence:
    return lambda d: f"{_given(d)} stands here; a number {words} {_ctx_number(d, key)} is needed."


def _choice(detail: ErrorDetails) -> str:
    allowed = _expected_words(detail)
    if len(allowed) == 1:
        return f"{_given(detail)} stands here; only {listed(allowed)} may.{_unquote(detail)}"
    value: Any = detail.get("input")
    near = nearest(value, allowed) if isinstance(value, str) else ""
    return f"{_given(detail)} is not one of {listed(allowed)}.{near}"


def _own(detail: ErrorDetails) -> str:
    return sentence(str(detail.get("ctx", {}).get("error", detail["msg"])))


def _length(word: str, key: str, verb: str) -> Sentence:
    def said(detail: ErrorDetails) -> str:
        ctx = detail.get("ctx", {})
        held = ctx.get("actual_length")
        start = f"It holds {held}; " if held is not None else ""
        needed: Any = ctx.get(key)
        return sentence(f"{start}{word} {needed} {'is' if needed == 1 else 'are'} {verb}")

    return said


def _kind(detail: ErrorDetails) -> str:
    return f"{_given(detail)} stands here; {detail.get('ctx', {}).get('wanted')} is needed."


def _short_text(detail: ErrorDetails) -> str:
    if detail.get("input") == "":
        return "The text is empty; something must stand here."
    least = detail.get("ctx", {}).get("min_length")
    return f"{_given(detail)} is too short; at least {least} characters are needed."


def _long_text(detail: ErrorDetails) -> str:
    most = detail.get("ctx", {}).get("max_length")
    held = len(str(detail.get("input", "")))
    return f"The text holds {held} characters; at most {most} are allowed."


_SENTENCES: Mapping[str, Sentence] = {
    **{kind: _needs(words) for kind, words in _WRONG_KIND.items()},
    "string_too_short": _short_text,
    "string_too_long": _long_text,
    "string_pattern_mismatch": lambda d: (
        f"{_given(d)} does not fit the form {d.get('ctx', {}).get('pattern')}."
    ),
    "int_type": _number("a whole number"),
    "float_type": _number("a number"),
    "bool_type": _number("`true` or `false`"),
    "date_parsing": _needs(_DATE),
    "date_type": _needs(_DATE),
    "greater_than": _beyond("above", "gt"),
    "greater_than_equal": _bound("below the smallest allowed value,", "ge"),
    "less_than": _beyond("below", "lt"),
    "less_than_equal": _bound("above the largest allowed value,", "le"),
    "literal_error": _choice,
    "enum": _choice,
    "value_error": _own,
    "kind": _kind,
    "too_short": _length("at least", "min_length", "needed"),
    "too_long": _length("at most", "max_length", "allowed"),
}


def _field_names(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """Give the keys that may stand at a location, as pydantic gives locations."""
    return [name for found in _models_at(model, loc) for name in found.model_fields]


def _meaning(model: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    """Give the description of the field at a location; empty where there is none."""
    for found in _models_at(model, loc[:-1]):
        field = found.model_fields.get(str(loc[-1]))
        if field is not None and field.description:
            return " ".join(field.description.split()).rstrip(".")
    return ""


def _models_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[type[BaseModel]]:
    """Give the models that may stand at a location; parts for union members are skipped."""
    here: list[Any] = [model]
    for part in loc:
        named = [m for m in _models(here) if m.__name__ == part]
        following = named or [inner for annotation in here for inner in _inner(annotation, part)]
        here = following or here
    return _models(here)


def _members(annotation: Any) -> list[Any]:
    """Give the members of a union, without Annotated and None; of another type, itself."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _members(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return [m for a in typing.get_args(annotation) if a is not type(None) for m in _members(a)]
    return [annotation]


def _models(annotations: list[Any]) -> list[type[BaseModel]]:
    return [
        plain
        for annotation in annotations
        for plain in _members(annotation)
        if isinstance(plain, type) and issubclass(plain, BaseModel)
    ]


def _inner(annotation: Any, part: int | str) -> list[Any]:
    """Give what stands under a key or list position of a type."""
    found: list[Any] = []
    for plain in _members(annotation):
        arguments = typing.get_args(plain)
        if isinstance(plain, type) and issubclass(plain, BaseModel):
            field = plain.model_fields.get(str(part))
            if field is not None:
                found.append(field.annotation)
        elif typing.get_origin(plain) is tuple and isinstance(part, int):
            item = arguments[0] if arguments[-1] is Ellipsis else arguments[part % len(arguments)]
            found.append(item)
        elif arguments:
            found.append(arguments[-1])
    return found
