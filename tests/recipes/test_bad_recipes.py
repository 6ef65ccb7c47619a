"""Every broken recipe in `bad/` is answered with exactly the text that stands beside it."""

import re
from pathlib import Path

import pytest

from engine.problems import CODES
from tests.recipes.golden import BAD, expected_file, recipes, said_of

ELSEWHERE = {
    # held by tests/unit/engine/test_yamlfile.py
    "too-large", "unreadable",
    # held by tests/unit/engine/test_placing.py
    "date-type", "dict-type", "enum", "less-than", "multiple-of", "string-pattern-mismatch",
    "tuple-type", "value",
    # held by tests/unit/engine/graph/test_gtin_limits.py
    "limit-form",
}  # fmt: skip
"""Codes of recipes that need no broken recipe, and where they are held."""

ENGINE = Path(__file__).parents[2] / "engine"
OF_RECIPES = ("yamlfile.py", "placing.py", "recipe", "graph")
"""What answers a broken recipe; problems of other files have tests of their own."""


@pytest.mark.parametrize("name", recipes())
def test_a_broken_recipe_is_answered_as_written_beside_it(name):
    status, said = said_of(name)
    assert said == expected_file(name).read_text(encoding="utf-8")
    assert status == 2


def test_there_are_many_broken_recipes_and_none_lacks_its_text():
    texts = {file.name for file in BAD.glob("*.txt")}
    assert texts == {expected_file(name).name for name in recipes()}
    assert len(texts) >= 60


def test_the_broken_recipes_cover_every_code():
    texts = "\n".join(file.read_text(encoding="utf-8") for file in BAD.glob("*.txt"))
    seen = set(re.findall(r"^\S.*\[([a-z0-9-]+)\]$", texts, re.MULTILINE))
    files = [f for part in OF_RECIPES for f in (ENGINE / part, *(ENGINE / part).glob("*.py"))]
    source = "\n".join(file.read_text("utf-8") for file in files if file.is_file())
    given = {code for code in CODES if f'"{code}"' in source}
    assert len(given) > 30
    assert given - seen - ELSEWHERE == set()
    assert seen <= CODES.keys()
