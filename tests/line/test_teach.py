"""The whole way of teaching: good cartons through the command to references and limits."""

import shutil
from pathlib import Path

import cv2
import pytest

from engine.cli.main import main
from engine.records.results import read_results
from engine.yamlfile import read_yaml

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_images"
TEA = ROOT / "recipes/brindlemoor-tea"

RECIPE = """\
# A small tea, for tests.
format: 1
product: small-tea
order: {lot: text, expiry: date}
cameras:
  front:   # the label
    expects: {width_px: 960, height_px: 720}
    steps:
      panel:
        step: locate
        settings:
          reference: front-board.png
          size_mm: [150, 110]
          corners_px: [[87, 84], [865, 79], [861, 649], [92, 646]]
          leave_out_mm: [[5, 7, 84, 96], [92, 11, 52, 90]]
      label:
        step: locate
        placed_by: panel
        settings:
          reference: label.png
          size_mm: [78, 90]
          at_mm: [8, 10]
          search_deg: 12
          leave_out_mm: [[29, 70, 48, 17]]
        limits:
          turn_deg: {min: -3, max: 3, reject_as: label turned}   # from the drawing
      band:
        step: colour
        placed_by: label
        region_mm: {x: 2, y: 2, width: 74, height: 80}
        settings:
          reference: band.npz   # taught
          patch_mm: {x: 2, y: 2, width: 70, height: 12}
          white_mm: [{x: 30, y: 70, width: 40, height: 2}]
        limits:
          difference: {max: 20, reject_as: wrong label}
      lid:
        step: flap_edge
        placed_by: panel
        region_mm: {x: 15, y: -20, width: 120, height: 26}
        settings: {pick: first, expected_mm: 19.55, below: brighter}
        limits:
          gap_mm:
            # what the closer allows
            max: 9.5   # mm
            reject_as: flap open
  side:
    expects: {width_px: 960, height_px: 720}
    steps:
      panel:
        step: locate
        settings:
          reference: side-panel.png
          size_mm: [55, 110]
          corners_px: [[233, -179], [746, -174], [736, 830], [242, 855]]
          leave_out_mm: [[0, 0, 55, 20], [6, 47, 43, 30], [0, 95, 55, 15]]
"""
TWELVE = "1-12"


@pytest.fixture
def recipe(tmp_path):
    """Give a recipe's folder whose taught reference is still to be made."""
    folder = tmp_path / "recipe"
    folder.mkdir()
    for name in ("front-board.png", "label.png", "side-panel.png"):
        shutil.copy(TEA / name, folder)
    (folder / "recipe.yaml").write_text(RECIPE, "utf-8")
    return folder


@pytest.fixture
def cartons(tmp_path):
    """Give a captured set of the first twelve demo cartons, all good."""
    folder = tmp_path / "set"
    for trigger in range(1, 13):
        name = f"{trigger:06d}"
        shutil.copytree(DEMO / "frames" / name, folder / "frames" / name)
    shutil.copy(DEMO / "set.yaml", folder)
    return folder


def teach(cartons, recipe, *more, good=TWELVE):
    return main(["teach", str(cartons), "--recipe", str(recipe), "--cartons", good, *more])


def frame(cartons, trigger, camera):
    return next((cartons / f"frames/{trigger:06d}").glob(f"{camera}.*"))


def test_good_cartons_give_references_and_limits_and_only_the_bounds_change(
    cartons, recipe, capsys
):
    bad = ["--check", str(DEMO), "--check-cartons", "26,42,79,94"]
    named = ["--write", "--limit", "front.lid.gap_mm", "--limit", "all-taught", "--yes"]
    assert teach(cartons, recipe, *bad, *named) == 0
    said = capsys.readouterr().out
    assert "front.band: " in said
    assert "The largest of 12 cartons holds 77 % of all good ones" in said
    assert "they are 1 to 12, one after the other" in said
    assert "bad cartons pass: 2 of 3 by the recipe's limits, 0 of 3 by the suggested" in said
    assert "good cartons do not pass: 0 of 1 by the recipe's limits, 0 of 1 by the" in said
    assert "-            max: 9.5   # mm" in said
    before = RECIPE.splitlines()
    after = (recipe / "recipe.yaml").read_text("utf-8").splitlines()
    changed = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert [a.strip() for a, _ in changed] == [
        "difference: {max: 20, reject_as: wrong label}", "max: 9.5   # mm"
    ]  # fmt: skip
    assert changed[0][1].strip() == "difference: {max: 8, reject_as: wrong label}"
    steps = read_yaml(recipe / "recipe.yaml").data["cameras"]["front"]["steps"]
    assert 0.3 < steps["lid"]["limits"]["gap_mm"]["max"] < 3
    assert sorted(f.name for f in recipe.iterdir() if f.name.startswith("band")) == [
        "band.npz", "band.taught.png"
    ]  # fmt: skip
    assert not list(recipe.glob("*.part*"))
    results = recipe / "results.jsonl"
    replayed = ["--cartons", "24,26,27,42,79,94", "--json", str(results)]
    assert main(["replay", str(DEMO), "--recipe", str(recipe), *replayed]) == 0
    verdicts = {row["trigger"]: row["verdict"] for row in read_results(results)}
    assert [t for t, said in verdicts.items() if said == "reject"] == ["000042", "000079", "000094"]


def test_without_a_yes_nothing_is_written(cartons, recipe, capsys, monkeypatch):
    (recipe / "band.npz").write_bytes((ROOT / "recipes/demo/band.npz").read_bytes())
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert teach(cartons, recipe, "--write", "--limit", "front.lid.gap_mm") == 1
    assert "The recipe stays as it is." in capsys.readouterr().out
    assert (recipe / "recipe.yaml").read_text("utf-8") == RECIPE


def test_a_reference_that_these_cartons_may_have_made_is_no_ground_for_a_limit(
    cartons, recipe, capsys
):
    (recipe / "band.npz").write_bytes((ROOT / "recipes/demo/band.npz").read_bytes())
    assert teach(cartons, recipe, "--write", "--limit", "front.band.difference", "--yes") == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "not written: front.band.difference" in said
    assert "--step front.band teaches it anew" in said
    assert (recipe / "recipe.yaml").read_text("utf-8") == RECIPE


def test_an_inherited_limit_is_given_as_text_to_paste(cartons, recipe, tmp_path, capsys):
    (recipe / "band.npz").write_bytes((ROOT / "recipes/demo/band.npz").read_bytes())
    other = tmp_path / "other"
    other.mkdir()
    text = "based_on: ../recipe\nproduct: other-tea\n"
    (other / "recipe.yaml").write_text(text, "utf-8")
    assert teach(cartons, other, "--write", "--limit", "front.lid.gap_mm", "--yes") == 1
    said = capsys.readouterr().out
    paste = said[said.index("cameras:") : said.index("The recipe stays")]
    (other / "recipe.yaml").write_text(text + paste, "utf-8")
    assert main(["check", str(other)]) == 0
    assert (recipe / "recipe.yaml").read_text("utf-8") == RECIPE


def test_a_bad_carton_among_the_taught_is_named_and_left_out_on_demand(cartons, recipe, capsys):
    shutil.rmtree(cartons / "frames/000007")
    shutil.copytree(DEMO / "frames/000042", cartons / "frames/000007")  # flap open
    (recipe / "band.npz").write_bytes((ROOT / "recipes/demo/band.npz").read_bytes())
    asked = ["--write", "--limit", "front.lid.gap_mm", "--yes"]
    assert teach(cartons, recipe, *asked) == 1
    said = capsys.readouterr().out
    assert "000007: front.lid.gap_mm" in said
    assert "`--leave-out 7`" in said
    assert "Nothing is written" in said
    assert (recipe / "recipe.yaml").read_text("utf-8") == RECIPE
    assert teach(cartons, recipe, "--keep", "7", "--write", "--limit", "front.lid.gap_mm") == 1
    said = capsys.readouterr().out
    assert "stand out" not in said
    assert "not written: front.lid.gap_mm: not normal" in said
    assert teach(cartons, recipe, "--leave-out-named", *asked) == 0
    assert "values of 11 good cartons" in capsys.readouterr().out
    assert (recipe / "recipe.yaml").read_text("utf-8") != RECIPE


def test_frames_of_another_size_are_named_and_nothing_is_written(cartons, recipe, capsys):
    file = frame(cartons, 3, "front")
    cv2.imwrite(str(file), cv2.resize(cv2.imread(str(file)), (640, 480)))
    assert teach(cartons, recipe) == 2
    said = capsys.readouterr().err
    assert "000003" in said
    assert "The frame is 640 x 480 px, the others of front are 960 x 720 px." in said
    assert not (recipe / "band.npz").exists()


def test_swapped_cameras_are_named_and_nothing_is_written(cartons, recipe, capsys):
    front, side = frame(cartons, 5, "front"), frame(cartons, 5, "side")
    aside = front.with_name("aside")
    front.rename(aside)
    side.rename(front)
    aside.rename(side)
    assert teach(cartons, recipe) == 2
    said = capsys.readouterr().err
    assert "000005" in said
    assert "The frame of front shows what side should see" in said
    assert not (recipe / "band.npz").exists()


def test_a_set_without_one_good_frame_is_said_and_nothing_is_written(cartons, recipe, capsys):
    for trigger in range(1, 13):
        frame(cartons, trigger, "front").write_bytes(b"no picture")
    assert teach(cartons, recipe) == 2
    assert "Not one of the 12 good cartons gave a frame of front" in capsys.readouterr().err
    assert not (recipe / "band.npz").exists()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--write"], "`--write` needs `--limit"),
        (["--limit", "front.lid.gap_mm"], "`--write` needs `--limit"),
        (["--write", "--limit", "front.lid.gap"], "Did you mean `front.lid.gap_mm`?"),
        (["--check-cartons", "3"], "goes with `--check SET`"),
        (["--leave-out", "99"], "holds none of these cartons"),
        (["--step", "front.bant"], "Did you mean `front.band`?"),
    ],
)
def test_a_request_that_makes_no_sense_is_refused_before_any_work(
    cartons, recipe, capsys, more, words
):
    assert teach(cartons, recipe, *more) == 2
    assert words in capsys.readouterr().err
    assert not (recipe / "band.npz").exists()
