"""Every recipe of ours compiles, and `check` says so."""

import contextlib
from pathlib import Path

import pytest

from engine.cli.main import main
from engine.graph.compile import compile_recipe
from engine.recipe.load import load_recipe
from tests.generators.toy_registry import toy_registry

HERE = Path(__file__).parent
RECIPES = sorted(file.parent for file in (HERE.parents[1] / "recipes").glob("*/recipe.yaml"))


@pytest.mark.parametrize("folder", RECIPES, ids=lambda folder: folder.name)
def test_a_recipe_of_ours_compiles(folder):
    loaded = load_recipe(folder)
    assert compile_recipe(loaded, None).product == loaded.recipe.product


def test_a_good_recipe_is_said_to_be_one(capsys):
    with toy_registry(), contextlib.chdir(HERE):
        status = main(
            ["check", "good-toy.yaml", "--order", "lot=0447", "--order", "expiry=2027-03-14"]
        )
    said = capsys.readouterr().out
    assert status == 0
    assert said.startswith("toy-500g: no mistake found. Cameras: top (2 steps).\nrecipe toy-500g@")


def test_without_an_order_check_says_what_it_could_not_try(capsys):
    with toy_registry(), contextlib.chdir(HERE):
        assert main(["check", "good-toy.yaml"]) == 0
    assert "note: the recipe needs lot, expiry from the order" in capsys.readouterr().out
