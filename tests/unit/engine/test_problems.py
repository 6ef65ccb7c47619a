"""A mistake as people read it, and the list of all kinds."""

import ast
import re
from pathlib import Path

import pytest

from engine.problems import CODES, Problem, ProblemsFound, nearest, quoted

ENGINE = Path(__file__).parents[3] / "engine"
POSITIONS = {
    "Problem": (4,),
    "problem": (1,),
    "problem_at": (2,),
    "_problem": (2,),
    "add": (1, 2),
    "refuse": (1,),
}
"""Which arguments of the functions that make a problem may be its code."""


def codes_in_code() -> dict[str, str]:
    """Find every code that the engine's functions are called with, and one file that does."""
    found: dict[str, str] = {}
    for file in sorted(ENGINE.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or len(node.args) < 3:
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            for at in POSITIONS.get(name, ()):
                for text in texts(node.args[at : at + 1]):
                    found.setdefault(text, file.name)
    return {code: file for code, file in found.items() if re.fullmatch(r"[a-z][a-z0-9-]+", code)}


def texts(arguments: list[ast.expr]) -> list[str]:
    """Give the texts that arguments are, either branch of a choice included."""
    branches = [
        branch
        for argument in arguments
        for branch in (
            [argument.body, argument.orelse] if isinstance(argument, ast.IfExp) else [argument]
        )
    ]
    return [b.value for b in branches if isinstance(b, ast.Constant) and isinstance(b.value, str)]


def test_every_code_that_is_used_is_listed():
    unlisted = {code: file for code, file in codes_in_code().items() if code not in CODES}
    assert unlisted == {}
    assert len(codes_in_code()) > 30


def test_every_code_is_explained_in_one_sentence():
    for code, meaning in CODES.items():
        assert re.fullmatch(r"[a-z][a-z0-9-]+", code)
        assert meaning.endswith(".")
        assert len(meaning) < 100


def problem(line: int = 1, column: int = 1, source: str = "", what: str = "Wrong.") -> Problem:
    return Problem("recipe.yaml", line, column, "cameras.top", "value", what, source)


@pytest.mark.parametrize(
    ("source", "column", "before"),
    [
        ("min: 300", 6, "min: "),
        ("\tmin: 300", 7, " min: "),
        ("翻盖: 300", 5, "翻盖: "),
        ("e\u0301: 300", 5, "e\u0301: "),
        ("a" * 300 + ": 300", 303, ": "),
        ("min: 300" + " " * 300, 6, "min: "),
    ],
)
def test_the_mark_stands_under_the_place(source, column, before):
    lines = str(problem(column=column, source=source)).splitlines()
    wide = {"翻": 2, "盖": 2, "\u0301": 0}
    at = lines[2].index("^")
    shown, width = "", 0
    for character in lines[1]:
        if width >= at:
            break
        shown += character
        width += wide.get(character, 1)
    assert width == at
    assert shown.endswith(before)
    assert lines[1][len(shown) :].startswith("300")
    assert len(lines[1]) < 120


def test_a_problem_without_a_line_names_the_file_alone():
    assert str(problem(line=0)) == "recipe.yaml  cameras.top  [value]\n    Wrong."


def test_problems_are_sorted_by_place_and_said_once():
    found = ProblemsFound([problem(9), problem(2, 7), problem(2, 3), problem(9)])
    assert [(p.line, p.column) for p in found.problems] == [(2, 3), (2, 7), (9, 1)]


def test_the_nearest_word_is_named_and_a_far_one_is_not():
    assert nearest("PANEL", ["panel", "label"]) == " Did you mean `panel`?"
    assert nearest("flap", ["panel", "label"]) == ""


def test_a_users_text_cannot_break_the_line_it_is_shown_on():
    assert quoted("a\nb\x85\u2028\ud800") == "`a\\nb\\x85\\u2028\\ud800`"
    assert quoted("x" * 100, 5) == "`xxxxx...`"
