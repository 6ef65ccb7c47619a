"""New limits on recorded values: the same as a replay with them, without an image."""

import json
import shutil
from pathlib import Path

import pytest

from engine.cli.main import main
from engine.records.results import read_results
from engine.replay.replay import canonical

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_images"
RECIPES = ROOT / "recipes"
CARTONS = "1-6,22,31,33,42,50,75,79,80,94"


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """Give the results of a replay of some demo cartons, good, bad and without a frame."""
    file = tmp_path_factory.mktemp("results") / "before.jsonl"
    main(["replay", str(DEMO), "--recipe", str(RECIPES / "demo"), "--cartons", CARTONS,
          "--json", str(file)])  # fmt: skip
    return file


@pytest.fixture
def recipe(tmp_path):
    """Give a copy of the demo's recipe, and of the one it is based on."""
    for name in ("demo", "brindlemoor-tea"):
        shutil.copytree(RECIPES / name, tmp_path / name)
    return tmp_path / "demo"


def changed(recipe, old, new):
    file = recipe.parent / "brindlemoor-tea/recipe.yaml"
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new), "utf-8")


def test_the_same_recipe_changes_nothing(results, recipe, tmp_path, capsys):
    out = tmp_path / "after.jsonl"
    assert main(["rejudge", str(results), "--recipe", str(recipe), "--json", str(out)]) == 0
    said = capsys.readouterr().out
    assert "15 cartons; 0 verdicts change." in said
    assert "another than that of the results" not in said
    before, after = read_results(results), read_results(out)
    assert after == before


def test_other_limits_give_what_a_replay_with_them_gives(results, recipe, tmp_path, capsys):
    changed(recipe, "gap_mm: {max: 1.2, reject_as: flap open", "gap_mm: {max: 0.3, reject_as: ajar")
    changed(recipe, "shift_mm: {max: 2.5", "shift_mm: {max: 9.5")
    out, replayed = tmp_path / "after.jsonl", tmp_path / "replayed.jsonl"
    assert main(["rejudge", str(results), "--recipe", str(recipe), "--json", str(out)]) == 1
    said = capsys.readouterr().out
    assert "front.lid.gap_mm" in said
    assert "another than that of the results" in said
    main(["replay", str(DEMO), "--recipe", str(recipe), "--cartons", CARTONS,
          "--json", str(replayed)])  # fmt: skip
    anew, again = read_results(out), read_results(replayed)
    for row in (*anew, *again):  # formed of nine digits of the value, or of all
        row["findings"] = [{**f, "margin": f["margin"] and round(f["margin"], 6)}
                           for f in row["findings"]]  # fmt: skip
    assert [canonical(row) for row in anew] == [canonical(row) for row in again]
    capsys.readouterr()
    assert main(["compare", str(results), str(out)]) == 1
    verdicts = [{r["trigger"]: r["verdict"] for r in read_results(f)} for f in (results, out)]
    count = sum(a != b for a, b in zip(*(v.values() for v in verdicts), strict=True))
    assert count > 0
    assert f"15 cartons in both; {count} verdicts changed." in capsys.readouterr().out
    assert f"15 cartons; {count} verdicts change" in said


def test_a_limit_on_what_was_not_measured_then_is_refused(results, recipe, capsys):
    text = (recipe / "recipe.yaml").read_text("utf-8").rstrip()
    more = "\n      new_lid: {step: flap_edge, placed_by: panel, limits: {gap_mm: {max: 1}}}\n"
    (recipe / "recipe.yaml").write_text(text + more, "utf-8")
    status = main(["rejudge", str(results), "--recipe", str(recipe)])
    assert status == 2
    assert "The results hold nothing of front.new_lid" in capsys.readouterr().err


def test_limits_that_count_from_the_day_need_the_day(results, recipe, capsys):
    text = (
        "cameras: {front: {steps: {best_before: {limits: {date: {min: {days_from_today: 90}}}}}}}"
    )
    later = recipe.parent / "later"
    later.mkdir()
    (later / "recipe.yaml").write_text(f"based_on: ../demo\n{text}\n", "utf-8")
    ask = ["rejudge", str(results), "--recipe", str(later)]
    assert main(ask) == 2
    assert "counts from the day of the trigger" in capsys.readouterr().err
    assert main([*ask, "--day", "25.11.2026"]) == 2
    assert "is no date" in capsys.readouterr().err
    main([*ask, "--day", "2026-11-25"])
    few = capsys.readouterr().out
    assert main([*ask, "--day", "2027-03-01"]) == 1
    assert "front.best_before.date" not in few
    assert "front.best_before.date" in capsys.readouterr().out


def test_results_of_another_product_or_of_several_recipes_are_refused(
    results, recipe, tmp_path, capsys
):
    other = recipe.parent / "brindlemoor-tea"
    order = ["--order", "lot=K4471", "--order", "expiry=2027-03-14"]
    assert main(["rejudge", str(results), "--recipe", str(other), *order]) == 2
    assert "The results are of `demo-tea`" in capsys.readouterr().err
    rows = read_results(results)
    rows[-1]["recipe"] = "demo-tea@0"
    mixed = tmp_path / "mixed.jsonl"
    mixed.write_text("".join(json.dumps(row) + "\n" for row in rows), "utf-8")
    assert main(["rejudge", str(mixed), "--recipe", str(recipe)]) == 2
    assert "several recipes or orders" in capsys.readouterr().err
    assert main(["rejudge", str(tmp_path / "none.jsonl"), "--recipe", str(recipe), *order]) == 2
    assert "cannot be read" in capsys.readouterr().err
