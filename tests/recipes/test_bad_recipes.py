"""Every broken recipe in `bad/` is answered with exactly the text that stands beside it."""

import re

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
    "gtin",
    # held by tests/unit/engine/devices, replay, records and report
    "option", "cartons", "no-frames", "no-camera", "frames-csv", "truth-header", "truth-row",
    "truth-trigger",
    "truth-verdict", "truth-defects", "repeated-trigger", "results-line", "torn-line",
}  # fmt: skip
"""Codes that `check` does not give, or gives for shapes that recipes do not have."""


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
    assert seen == CODES.keys() - ELSEWHERE


def test_no_text_speaks_of_the_machinery():
    texts = "\n".join(file.read_text(encoding="utf-8") for file in BAD.glob("*.txt"))
    assert not re.search(r"pydantic|Input should|Traceback|<class|\bNone\b", texts)
