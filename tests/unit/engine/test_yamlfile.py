"""YAML to plain data: types by YAML 1.2 core, the place of everything, and every refusal."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.problems import CODES, Problem, ProblemsFound
from engine.yamlfile import MAX_BYTES, core_scalar, dotted, parse_yaml, read_yaml


def refused(text: str) -> list[Problem]:
    """Parse a text that must be refused; gives the problems."""
    with pytest.raises(ProblemsFound, match=r"\[") as caught:
        parse_yaml(text, "recipe.yaml")
    return caught.value.problems


# The schema and its examples: YAML 1.2.2, chapter 10.3 (core schema).
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", None), ("~", None), ("null", None), ("NULL", None), ("nUll", "nUll"),
        ("true", True), ("FALSE", False), ("yes", "yes"), ("NO", "NO"), ("on", "on"),
        ("0", 0), ("0o7", 7), ("0x3A", 58), ("-19", -19), ("+12", 12), ("0o8", "0o8"),
        ("0.", 0.0), ("-0.0", -0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
        ("1_000", "1_000"), ("12:30", "12:30"), ("2027-03-14", "2027-03-14"), ("1e", "1e"),
        ("02001231450006", 2001231450006), ("0123", 123), ("٣", "٣"),
    ],
)  # fmt: skip
def test_plain_scalars_have_the_types_of_the_core_schema(text, value):
    assert core_scalar(text) == value
    assert type(core_scalar(text)) is type(value)


@pytest.mark.parametrize("text", [".inf", "-.INF", ".nan", "1e999", "9" * 301])
def test_no_number_is_infinite(text):
    assert core_scalar(text) == text


@given(st.text(alphabet="0123456789+-.eEoxinfaNTF_~: ", max_size=30))
def test_a_plain_scalar_is_a_finite_number_or_no_number(text):
    value = core_scalar(text)
    assert value is None or isinstance(value, (bool, str, int)) or math.isfinite(value)


def test_the_place_of_every_key_and_value_is_kept():
    document = parse_yaml("a:\n  b: [1, {c: 0x1F}]\n  'd e': x\n", "f.yaml")
    places = {
        dotted(path): (p.key.line, p.key.column, p.value.line, p.value.column)
        for path, p in document.places.items()
    }
    assert places == {
        "": (1, 1, 1, 1),
        "a": (1, 1, 2, 3),
        "a.b": (2, 3, 2, 6),
        "a.b[0]": (2, 7, 2, 7),
        "a.b[1]": (2, 10, 2, 10),
        "a.b[1].c": (2, 11, 2, 14),
        "a.`d e`": (3, 3, 3, 10),
    }
    assert document.sources == {("a", "b", 0): "1", ("a", "b", 1, "c"): "0x1F"}


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_lines_are_counted_as_editors_do(ending, start):
    text = start + ending.join(["a: 1", "b: '\u2028 \x85'", "c: 1", "c: 2"])
    (problem,) = refused(text)
    assert (problem.line, problem.column, problem.source) == (4, 1, "c: 2")


def test_quoted_and_block_texts_stay_text():
    document = parse_yaml("a: '012'\nb: \"true\"\nc: |\n  12\nd: >-\n  1\n  2\n", "f.yaml")
    assert document.data == {"a": "012", "b": "true", "c": "12\n", "d": "1 2"}
    assert document.sources == {}


def test_a_tag_on_a_key_or_a_mapping_is_refused_too():
    assert [p.code for p in refused("!!str a: 1\nb: !!set {c, d}\n")] == ["tag", "tag"]


def test_every_anchor_alias_tag_and_repeated_key_is_named_at_once():
    text = "a: &x 1\nb: *x\nc: !t 2\nc: 3\n<<: {}\n? [1]\n: 2\n"
    codes = [(p.line, p.code) for p in refused(text)]
    assert codes == [
        (1, "alias"), (2, "alias"), (3, "tag"), (4, "repeated-key"), (5, "alias"), (6, "key"),
    ]  # fmt: skip


def test_an_alias_bomb_never_unfolds():
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 30)]
    assert {p.code for p in refused("\n".join(lines))} == {"alias"}


@pytest.mark.parametrize("text", ["[" * 50_000, "{a: " * 50_000, "- " * 50_000, "? " * 50_000])
def test_deep_nesting_is_refused_before_it_costs_anything(text):
    (problem,) = refused(text)
    assert "nested deeper than 40 levels" in problem.what


@pytest.mark.parametrize(
    ("raw", "code", "match"),
    [
        (b"a: \xff\n", "not-utf8", r"f\.yaml:1:4 .* 0xff is not UTF-8"),
        (b"\xef\xbb\xbfa: 1\nb: \xe9\n", "not-utf8", r"f\.yaml:2:4"),
        ("a: 1".encode("utf-16"), "not-utf8", "UTF-16"),
        (b"a: \x00", "character", r"U\+0000"),
        (b'a: "\\ud800"', "character", r"U\+D800"),
        (b"a" * (MAX_BYTES + 1), "too-large", "larger than 500000 bytes"),
    ],
)
def test_bytes_that_are_no_text_are_refused(tmp_path, raw, code, match):
    file = tmp_path / "f.yaml"
    file.write_bytes(raw)
    with pytest.raises(ProblemsFound, match="(?s)" + match) as caught:
        read_yaml(file, "f.yaml")
    assert [p.code for p in caught.value.problems] == [code]


def test_a_file_that_is_not_there_or_is_a_folder_is_refused(tmp_path):
    for place in (tmp_path / "none.yaml", tmp_path, tmp_path / ("x" * 300), tmp_path / "a\0b"):
        with pytest.raises(ProblemsFound, match="cannot be read") as caught:
            read_yaml(place)
        assert [p.code for p in caught.value.problems] == ["unreadable"]


words = st.text(
    st.characters(max_codepoint=0xFFFF, exclude_categories=["Cs"], exclude_characters="\0")
)
plain_data = st.recursive(
    st.none() | st.booleans() | st.integers() | words,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words, inner, max_size=4),
    max_leaves=20,
)


@given(plain_data)
def test_json_is_read_as_what_it_is(data):
    assert parse_yaml(json.dumps(data), "f.json").data == data


@given(st.text() | st.text(alphabet="ab:-?[]{},#&*!|>'\"%@`~<=. \n\t\\0123ux\x85\u2028"))
def test_any_text_is_data_or_problems_with_a_place(text):
    try:
        document = parse_yaml(text, "f.yaml")
    except ProblemsFound as found:
        for problem in found.problems:
            assert problem.code in CODES
            assert 1 <= problem.line <= len(text) + 1
            assert "\n" not in problem.path
            assert str(problem).splitlines()[0].startswith("f.yaml:")
    else:
        assert set(document.sources) <= set(document.places)


@given(st.binary())
def test_any_bytes_are_data_or_problems(tmp_path_factory, raw):
    file = tmp_path_factory.getbasetemp() / "any.yaml"
    file.write_bytes(raw)
    try:
        lines = read_yaml(file, "any.yaml").lines
    except ProblemsFound as found:
        lines = {problem.file: [problem.source] for problem in found.problems}
    assert set(lines) == {"any.yaml"}
