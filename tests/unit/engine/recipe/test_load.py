"""Recipes from their folders: based on others, with their identity, whatever the text."""

import copy
import json
import random
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from engine.graph.compile import compile_recipe
from engine.problems import CODES, Problem, ProblemsFound
from engine.recipe.load import LoadedRecipe, identity, load_recipe
from engine.yamlfile import dotted
from tests.generators.toy_registry import toy_registry

RECIPES = Path(__file__).parents[3] / "recipes"
GOOD = (RECIPES / "good-toy.yaml").read_text("utf-8").replace("bad/references", "references")

DATA: dict[str, Any] = {
    "format": 1,
    "product": "toy-500g",
    "order": {"lot": "text", "expiry": "date"},
    "cameras": {
        "top": {
            "steps": {
                "panel": {
                    "step": "toy.find",
                    "settings": {"reference": "references/panel.png", "size_mm": [80, 60]},
                    "not_measured": {"reject_as": "carton not found", "catches": ["no-carton"]},
                },
                "flap": {
                    "step": "toy.gap",
                    "placed_by": "panel",
                    "region_mm": {"x": 0, "y": 0.5, "width": 80, "height": 10},
                    "leave_out": ["hole"],
                    "settings": {"gtin": "02001231450006", "dark": True},
                    "limits": {"gap_mm": {"max": 1.5}, "text": {"one_of": ["A", "B"]}},
                },
                "hole": {
                    "step": "toy.gap",
                    "placed_by": "panel",
                    "region_mm": {"x": 1, "y": 1, "width": 2, "height": 2},
                    "limits": {"holes": {"equals": 1}},
                },
            }
        }
    },
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A folder with the references that the recipes name."""
    place = tmp_path_factory.mktemp("recipes")
    shutil.copytree(RECIPES / "bad" / "references", place / "references")
    shutil.copytree(RECIPES / "bad" / "references", place / "base" / "references")
    return place


def written(folder: Path, text: str, name: str = "recipe.yaml") -> Path:
    file = folder / name
    file.write_text(text, "utf-8", newline="")
    return file


def load(folder: Path, data: Any, name: str = "recipe.yaml") -> LoadedRecipe:
    return load_recipe(written(folder, json.dumps(data), name))


def sha(folder: Path, data: Any) -> str:
    """Give the identity of a recipe with the reference it names."""
    loaded = load(folder, data)
    with toy_registry():
        return compile_recipe(loaded, None).sha256


# ---------------------------------------------------------------- whatever the text


def checked(file: Path) -> None:
    """Load and compile; nothing but problems, each with its place, may be raised."""
    problems: list[Problem] = []
    try:
        loaded = load_recipe(file, keep_going=True)
        for order in (None, {"lot": "K4471", "expiry": "2027-03-14"}):
            compile_recipe(loaded, order)
    except ProblemsFound as found:
        problems = found.problems
    for problem in problems:
        assert problem.code in CODES
        assert problem.line >= 0
        assert "\n" not in problem.path
        assert str(problem)


@pytest.fixture(autouse=True, scope="module")
def _toys():
    with toy_registry():
        yield


WORDS = [
    "format", "product", "order", "cameras", "steps", "step", "settings", "limits", "placed_by",
    "region_mm", "leave_out", "not_measured", "min", "max", "equals", "one_of", "matches", "top",
    "panel", "flap", "toy.find", "toy.gap", "toy.taught", "gap_mm", "text", "day", "seen", "holes",
    "reference", "references/panel.png", "size_mm", "x", "y", "width", "height", "verdict",
    "agree", "values", "top.flap.gap_mm", "reject_as", "explained_by", "top.panel", "based_on",
    "catches", "expects", "lot", "date", "days_from_today", "tolerance", "mm_per_px", "region_px",
]  # fmt: skip
words = st.sampled_from(WORDS)
anything = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 999) | st.floats() | words | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=5),
    max_leaves=20,
)
fuzz = settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow], deadline=None)


@fuzz
@given(st.text())
def test_any_text_is_a_recipe_or_problems(folder, text):
    checked(written(folder, text.encode("utf-8", "replace").decode("utf-8"), "any.yaml"))


@fuzz
@given(st.dictionaries(words, anything, max_size=6))
def test_any_data_is_a_recipe_or_problems(folder, data):
    text = json.dumps({**DATA, **data}, ensure_ascii=False)
    checked(written(folder, text, "any.yaml"))


@fuzz
@given(st.randoms(use_true_random=False), st.data())
def test_a_recipe_with_any_part_replaced_is_a_recipe_or_problems(folder, rng, data):
    changed = copy.deepcopy(DATA)
    for _ in range(data.draw(st.integers(1, 3))):
        parent, key = rng.choice(list(inner_places(changed)))
        parent[key] = data.draw(anything)
    checked(written(folder, json.dumps(changed, ensure_ascii=False), "any.yaml"))


@fuzz
@given(st.randoms(use_true_random=False), st.integers(1, 4))
def test_a_recipe_with_lines_lost_doubled_or_moved_is_a_recipe_or_problems(folder, rng, times):
    lines = GOOD.splitlines()
    for _ in range(times):
        i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
        change = rng.randrange(4)
        if change == 0:
            lines[i], lines[j] = lines[j], lines[i]
        elif change == 1:
            lines.insert(i, lines[j])
        elif change == 2:
            lines[i] = " " * rng.randrange(12) + lines[i].lstrip()
        elif len(lines) > 1:
            del lines[i]
    checked(written(folder, "\n".join(lines), "any.yaml"))


@fuzz
@given(st.randoms(use_true_random=False), st.integers(1, 6))
def test_a_recipe_with_characters_changed_is_a_recipe_or_problems(folder, rng, times):
    text = list(GOOD)
    for _ in range(times):
        i = rng.randrange(len(text))
        text[i : i + rng.randrange(2)] = rng.choice(":-[]{},&*!|>'\"%@ \n\t0123aé盒.~#\x07\ufeff")
    checked(written(folder, "".join(text), "any.yaml"))


def inner_places(data: Any):
    """Give every (mapping or list, key) in data."""
    items = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in list(items):
        yield data, key
        if isinstance(value, (dict, list)):
            yield from inner_places(value)


# ---------------------------------------------------------------- identity


def shuffled(data: Any, rng: random.Random) -> Any:
    """Give data with its keys in another order."""
    if isinstance(data, dict):
        items = [(key, shuffled(value, rng)) for key, value in data.items()]
        rng.shuffle(items)
        return dict(items)
    return data


def split(data: dict[str, Any], rng: random.Random) -> tuple[dict[str, Any], dict[str, Any]]:
    """Give two recipes that laid over each other are the given one."""
    base: dict[str, Any] = {}
    top: dict[str, Any] = {}
    for key, value in data.items():
        choice = rng.randrange(4)
        if isinstance(value, dict) and choice < 2:
            base[key], top[key] = split(value, rng)
        elif choice == 2:
            base[key] = value
        else:
            base[key] = rng.choice([value, "something else", ["else"]])
            top[key] = value
    return base, top


@fuzz
@given(st.randoms(use_true_random=False))
def test_identity_ignores_the_order_of_keys_and_comments(folder, rng):
    data = shuffled(DATA, rng)
    text = json.dumps(data, indent=rng.randrange(1, 4)).replace("{\n", "{  # a word\n")
    loaded = load_recipe(written(folder, "# another word\n" + text))
    assert compile_recipe(loaded, None).sha256 == sha(folder, DATA)


@fuzz
@given(st.randoms(use_true_random=False))
def test_identity_ignores_how_a_recipe_is_split_over_files(folder, rng):
    base, top = split(DATA, rng)
    written(folder / "base", json.dumps(base))
    assert sha(folder, {"based_on": "base", **top}) == sha(folder, DATA)


@fuzz
@given(st.randoms(use_true_random=False))
def test_identity_changes_with_every_value(folder, rng):
    changed = copy.deepcopy(DATA)
    parent, key = rng.choice([p for p in inner_places(changed) if not isinstance(p[0][p[1]], dict)])
    value = parent[key]
    if isinstance(value, bool):
        parent[key] = not value
    elif isinstance(value, (int, float)):
        parent[key] = value + 1
    elif isinstance(value, str):
        parent[key] = value + "x"
    else:
        parent[key] = value[:-1]
    try:
        loaded = load(folder, changed)
    except ProblemsFound:
        assume(False)
        return
    before = load(folder, DATA, "other.yaml")
    assert identity(loaded, {}) != identity(before, {})


def test_identity_changes_with_every_byte_of_a_reference_but_not_with_its_name(folder):
    before = sha(folder, DATA)
    picture = folder / "references" / "panel.png"
    raw = picture.read_bytes()
    try:
        shutil.copy(picture, folder / "references" / "same.png")
        renamed = copy.deepcopy(DATA)
        renamed["cameras"]["top"]["steps"]["panel"]["settings"]["reference"] = "references/same.png"
        assert sha(folder, renamed) == before
        picture.write_bytes(raw + b"\0")
        assert sha(folder, DATA) != before
    finally:
        picture.write_bytes(raw)


def test_identity_knows_a_number_from_its_source_text(folder):
    def of(text: str) -> str:
        setting = f"step: toy.gap\n        settings: {{gtin: {text}}}"
        changed = GOOD.replace("step: toy.gap", setting)
        return identity(load_recipe(written(folder, changed)), {})

    assert of("02001231450006") != of("2001231450006")
    assert of("1.10") != of("1.1")


# ---------------------------------------------------------------- based on another


def test_lists_are_replaced_and_null_removes(folder):
    written(folder / "base", json.dumps(DATA))
    steps = {"flap": {"leave_out": [], "settings": {"dark": None}}, "hole": None}
    loaded = load(folder, {"based_on": "base", "cameras": {"top": {"steps": steps}}})
    flap = loaded.recipe.cameras["top"].steps["flap"]
    assert flap.leave_out == []
    assert flap.settings == {"gtin": "02001231450006"}
    assert set(loaded.recipe.cameras["top"].steps) == {"panel", "flap"}
    stale = [
        p for p in loaded.document.places if "hole" in dotted(p) or "leave_out[0]" in dotted(p)
    ]
    assert stale == []


def test_every_value_keeps_the_place_where_it_is_written(folder):
    written(folder / "base", GOOD)
    loaded = load_recipe(
        written(folder, "based_on: base\nproduct: toy-250g\ncameras:\n  top:\n    steps:\n"
                        "      flap:\n        limits: {gap_mm: {max: 02}}\n")
    )  # fmt: skip
    places = {
        dotted(path): (Path(p.value.file).relative_to(folder).as_posix(), p.value.line)
        for path, p in loaded.document.places.items()
    }
    flap = "cameras.top.steps.flap"
    assert places["product"] == ("recipe.yaml", 2)
    assert places["format"] == ("base/recipe.yaml", 1)
    assert places[f"{flap}.limits.gap_mm.max"] == ("recipe.yaml", 7)
    assert places[f"{flap}.limits.gap_mm.reject_as"] == ("base/recipe.yaml", 16)
    assert places["cameras.top.steps.panel.settings.reference"] == ("base/recipe.yaml", 9)
    path = ("cameras", "top", "steps", "flap", "limits", "gap_mm", "max")
    assert loaded.document.sources[path] == "02"


def test_a_reference_lies_beside_the_file_that_names_it(folder):
    written(folder / "base", GOOD)
    panel = "cameras: {top: {steps: {panel: {settings: {reference: mine.png}}}}}"
    path = ("cameras", "top", "steps", "panel", "settings", "reference")
    inherited = load_recipe(written(folder, "based_on: base\n"))
    own = load_recipe(written(folder, f"based_on: base\n{panel}\n"))
    assert inherited.folder_of(path) == folder / "base"
    assert own.folder_of(path) == folder


def test_a_base_may_itself_be_based_on_another(folder):
    written(folder / "base", GOOD)
    written(folder, "based_on: base\ntitle: Middle\nproduct: middle\n", "middle.yaml")
    loaded = load_recipe(written(folder, "based_on: middle.yaml\nproduct: top\n", "top.yaml"))
    assert (loaded.recipe.product, loaded.recipe.title) == ("top", "Middle")


def test_too_many_bases_are_refused(folder):
    for i in range(12):
        written(folder, f"based_on: b{i + 1}.yaml\n", f"b{i}.yaml")
    written(folder, GOOD, "b12.yaml")
    with pytest.raises(ProblemsFound, match="More than 8 recipes"):
        load_recipe(folder / "b0.yaml")


@pytest.mark.parametrize("name", ["x" * 300, "a\\0b", "base/none", "references/panel.png"])
def test_a_base_that_cannot_be_is_a_problem(folder, name):
    with pytest.raises(ProblemsFound, match=r"based-on|character|not-utf8"):
        load_recipe(written(folder, f'based_on: "{name}"\n'))
