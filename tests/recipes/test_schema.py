"""The committed schema and reference pages are what the code says now."""

import json
from pathlib import Path
from typing import Any

import pytest

from engine.cli.main import main
from engine.cli.schema import recipe_schema_text
from engine.cli.steps import pages
from engine.graph.compile import compile_recipe
from engine.graph.example import example
from engine.graph.registry import Step, load_step, own_names
from engine.graph.schema import recipe_schema
from engine.problems import ProblemsFound
from engine.recipe.load import load_recipe
from engine.yamlfile import read_yaml
from tests.generators.toy_registry import toy_registry
from tests.recipes.golden import BAD, recipes

ROOT = Path(__file__).parents[2] / "recipes"
AGAIN = "write it anew: `make pages`"


def toys() -> list[Step]:
    with toy_registry():
        return [load_step(name) for name in ("toy.find", "toy.gap", "toy.taught")]


def test_the_committed_schema_is_the_one_of_the_models():
    committed = (ROOT / "schemas" / "recipe.schema.json").read_text("utf-8")
    assert committed == recipe_schema_text(installed=False), AGAIN


def test_the_committed_pages_are_those_of_the_steps():
    committed = {f.stem: f.read_text("utf-8") for f in (ROOT / "reference").glob("*.md")}
    assert committed == pages(), AGAIN


def test_the_schema_is_printed_with_every_step(capsys):
    assert main(["schema"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert {f"{name}-settings" for name in own_names()} <= set(printed["$defs"])


def inner(schema: Any):
    """Give every part of a schema."""
    yield schema
    parts = schema.values() if isinstance(schema, dict) else schema
    for part in parts:
        if isinstance(part, (dict, list)):
            yield from inner(part)


def test_every_part_that_is_referred_to_is_there():
    schema = json.loads(recipe_schema_text())
    named = {part["$ref"] for part in inner(schema) if isinstance(part, dict) and "$ref" in part}
    assert {name.removeprefix("#/$defs/") for name in named} <= set(schema["$defs"])


def test_settings_and_limits_are_described_with_their_units():
    parts = recipe_schema(toys())["$defs"]
    contrast = parts["toy.gap-settings"]["properties"]["min_contrast"]
    assert contrast["description"] == "Smallest change that counts [grey levels]."
    assert (contrast["minimum"], contrast["maximum"], contrast["default"]) == (0, 255, 12.0)
    assert parts["toy.gap-limits"]["properties"]["gap_mm"] == {
        "$ref": "#/$defs/Limit-number",
        "description": "Width of the gap [mm].",
    }
    assert "pose" not in parts["toy.find-limits"]["properties"]
    assert parts["toy.find-settings"]["required"] == ["reference", "size_mm"]


MEANING = {
    # what no schema can say: names that refer to each other, files, patterns, and orders
    "agree-names", "circle", "circle-of-one", "explained-by", "leave-out", "no-scale", "pattern",
    "leave-out-what-cannot-be", "limits-nothing-can-meet", "order-fields", "order-given-twice",
    "order-not-declared", "order-values", "placed-by-no-pose", "placed-by-nothing", "regions",
    "references-missing", "references-unusable", "unique", "view-too-large",
}  # fmt: skip


def test_the_schema_judges_as_check_does_as_far_as_shape_goes():
    # Independent reference: the public validator of JSON Schema draft 2020-12.
    jsonschema = pytest.importorskip("jsonschema", reason="the package jsonschema is not installed")
    schema = recipe_schema(toys())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    accepted: set[str] = set()
    for name in recipes():
        try:
            data = read_yaml(BAD / name).data
        except ProblemsFound:
            continue  # a folder, or no YAML
        if validator.is_valid(data):
            accepted.add(name.removesuffix(".yaml"))
    assert accepted == MEANING
    assert validator.is_valid(read_yaml(BAD.parent / "good-toy.yaml").data)
    every = jsonschema.Draft202012Validator(json.loads(recipe_schema_text()))
    for file in ROOT.glob("*/recipe.yaml"):
        assert [e.message for e in every.iter_errors(read_yaml(file).data)] == []


@pytest.mark.parametrize("name", sorted(own_names()))
def test_the_example_of_a_page_has_the_shape_of_a_recipe(name, tmp_path):
    step = load_step(name)
    indented = "".join(f"      {line}\n" for line in example(step).splitlines())
    panel = "      panel: {step: locate, settings: {reference: panel.png, size_mm: [9, 9]}}\n"
    file = tmp_path / "recipe.yaml"
    head = "format: 1\nproduct: example\norder: {lot: text, expiry: date}\n"
    file.write_text(f"{head}cameras:\n  top:\n    steps:\n{panel}{indented}")
    with pytest.raises(ProblemsFound, match="missing-reference") as caught:
        compile_recipe(load_recipe(file), None)
    assert {p.code for p in caught.value.problems} == {"missing-reference"}


def test_a_step_that_is_asked_for_by_a_wrong_name_is_a_problem(capsys):
    assert main(["steps", "flap_egde"]) == 2
    assert "Did you mean `flap_edge`?" in capsys.readouterr().err


def test_every_step_is_listed_with_one_line(capsys):
    assert main(["steps"]) == 0
    listed = capsys.readouterr().out
    for name in own_names():
        assert f"\n{name} " in f"\n{listed}"


def test_pages_and_schema_are_written_where_asked(tmp_path, capsys):
    (tmp_path / "gone.md").write_text("a step that is no more")
    assert main(["steps", "--write", str(tmp_path)]) == 0
    assert main(["schema", "--write", str(tmp_path / "new" / "s.json")]) == 0
    assert {f.stem for f in tmp_path.glob("*.md")} == own_names()
    assert (tmp_path / "new" / "s.json").read_text("utf-8").startswith("{")
    assert f"{len(own_names())} pages" in capsys.readouterr().out
