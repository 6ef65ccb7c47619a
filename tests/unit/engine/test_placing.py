"""Errors of models as problems: the right place, plain words, and text where text is asked."""

import enum
import json
from datetime import date
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from engine.placing import validate
from engine.problems import CODES, Problem, ProblemsFound
from engine.yamlfile import parse_yaml


class Tone(enum.Enum):
    """A fixed choice."""

    DARK = "dark"
    LIGHT = "light"


class Inner(BaseModel):
    """Something in something."""

    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)

    width: float = Field(gt=0, lt=9)
    """How wide it is [mm]."""
    names: list[str] = []


class Outer(BaseModel):
    """Everything that a file may be asked for."""

    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)

    text: str = ""
    number: float = 0
    whole: int = Field(0, multiple_of=2)
    truth: bool = False
    day: date | None = None
    days: frozenset[int] = frozenset()
    tone: Tone = Tone.DARK
    word: Literal["1", "two"] = "two"
    code: str = Field("K1", pattern="^K[0-9]$")
    pair: tuple[float, float] = (0, 0)
    either: str | Inner = ""
    many: list[str | Inner] = []
    by_name: dict[str, Inner] = {}


def problems(text: str) -> list[Problem]:
    document = parse_yaml(text, "f.yaml")
    model, found = validate(Outer, document.data, document)
    assert (model is None) == bool(found)
    return found


def read(text: str) -> Outer:
    document = parse_yaml(text, "f.yaml")
    model, found = validate(Outer, document.data, document)
    assert found == []
    assert model is not None
    return model


def test_a_text_field_takes_the_source_text_wherever_it_stands():
    # The GTIN is made up; its leading zeros are what has to stay.
    read_back = read(
        "{text: 02001231450006, many: [007, 1.50, true], by_name: {012: {width: 1, names: [0x1F]}}}"
    )
    assert read_back.text == "02001231450006"
    assert read_back.many == ["007", "1.50", "true"]
    assert list(read_back.by_name) == ["012"]
    assert read_back.by_name["012"].names == ["0x1F"]
    assert read("either: 010").either == "010"
    assert read("word: 1").word == "1"


def test_only_a_text_field_does_so():
    assert read("number: 010").number == 10
    assert [p.code for p in problems("number: '10'")] == ["float-type"]
    assert [p.code for p in problems("text: ~")] == ["string-type"]
    assert [p.code for p in problems("word: 2")] == ["literal-error"]


@pytest.mark.parametrize(
    ("text", "place", "code", "words"),
    [
        ("number: true", "1:9", "float-type", "`true` stands here; a number is needed."),
        ("number: '1'", "1:9", "float-type", "Write it without quotes."),
        ("whole: 1.0", "1:8", "int-type", "1 stands here; a whole number is needed."),
        ("whole: 3", "1:8", "multiple-of", "multiple of 2"),
        ("truth: 1", "1:8", "bool-type", "1 stands here; `true` or `false` is needed."),
        ("day: 14.3.2027", "1:6", "date-parsing", "a date as 2027-03-14 is needed"),
        ("day: [1]", "1:6", "date-type", "A list stands here; a date as"),
        ("days: 3", "1:7", "value", "valid array"),
        ("tone: drak", "1:7", "enum", "Did you mean `dark`?"),
        ("code: X1", "1:7", "string-pattern-mismatch", "does not fit the form"),
        ("pair: {a: 1}", "1:7", "tuple-type", "A mapping stands here; a list is needed."),
        ("pair: [1]", "1:7", "missing", "The list holds 1; it needs more."),
        ("pair: [1, 2, 3]", "1:7", "too-long", "It holds 3; at most 2 are allowed."),
        ("either: [1]", "1:9", "kind", "a text or a mapping of keys to values is needed"),
        ("either: {width: 9}", "1:17", "less-than", "a number below 9 is needed"),
        ("either: {width: 0}", "1:17", "greater-than", "a number above 0 is needed"),
        ("by_name: 3", "1:10", "dict-type", "3 stands here; a mapping of keys to values is needed"),
        ("either: {}", "1:1", "missing", "`width` is missing here: How wide it is [mm]."),
        ("many: [a, {width: 1, wdth: 2}]", "1:22", "extra-forbidden", "Did you mean `width`?"),
        ("by_name: {a: {width: x}}", "1:22", "float-type", "The text `x` stands here"),
        ("txet: a", "1:1", "extra-forbidden", "Did you mean `text`?\nAllowed: `text`, `number`"),
        ("number: 1e999", "1:9", "float-type", "a number that is finite is needed"),
    ],
)
def test_each_mistake_has_its_place_and_says_what_is_needed(text, place, code, words):
    (problem,) = problems(text)
    assert f"{problem.line}:{problem.column}" == place
    assert problem.code == code
    assert words in problem.what


def test_all_mistakes_are_given_at_once():
    found = problems("text: [1]\nnumber: x\ntruth: 3\nmany: [{width: x, a: 1}, [1]]\n")
    assert [p.path for p in found] == [
        "text", "number", "truth", "many[0].width", "many[0].a", "many[1]",
    ]  # fmt: skip


keys = st.sampled_from([*Outer.model_fields, *Inner.model_fields, "other"])
leaves = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)
anything = st.recursive(
    leaves,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=5),
    max_leaves=25,
)


@given(st.dictionaries(keys, anything, max_size=8))
def test_any_data_is_a_model_or_problems_in_plain_words(data):
    try:
        document = parse_yaml(json.dumps(data, ensure_ascii=False), "f.yaml")
    except ProblemsFound:
        return  # characters that YAML does not allow
    model, found = validate(Outer, document.data, document)
    assert (model is None) == bool(found)
    for problem in found:
        assert problem.line == 1
        assert problem.code in CODES
        assert problem.what.endswith((".", "?"))
