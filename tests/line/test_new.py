"""A recipe from answers and good cartons: a second product, and what is refused."""

import shutil

import cv2
import numpy as np
import pytest
import yaml

from engine.cli.main import main
from engine.records.results import read_results
from engine.report.score import score
from engine.report.truth import read_truth
from tests.generators.pralines import write_set

SLANT = {
    "panel": {"size_mm": [160, 100], "carton": 4, "search_mm": 8, "leave_out_mm": []},
    "labels": {"label": {"size_mm": [90, 44], "at_mm": [62, 40]}},
    "texts": {
        "lot": {"on": "label", "text": "LOT {lot}", "region_mm": [3, 25, 40, 7.5],
                "height_mm": 3.4},
        "expiry": {"on": "label", "text": "EXP {expiry:dd.mm.yyyy}",
                   "region_mm": [3, 33, 45, 7.5], "height_mm": 3.4},
    },
    "edges": {"lid": {"region_mm": [20, -12, 120, 16], "pick": "first"}},
}  # fmt: skip
ABOVE = {
    "panel": {"size_mm": [170, 104], "carton": 4, "search_mm": 8},
    "codes": {},
    "contents": {"pralines": {"region_mm": [5, 14, 160, 86], "diameter_mm": 22}},
}


@pytest.fixture(scope="module")
def captured(tmp_path_factory):
    """Give a set of pralines, and answers with the corners read off carton 4."""
    folder = tmp_path_factory.mktemp("pralines") / "set"
    corners = write_set(folder, good=32, of_each=1)[4]
    slant = {**SLANT, "panel": {**SLANT["panel"], "corners_px": corners["slant"]}}
    above = {**ABOVE, "panel": {**ABOVE["panel"], "corners_px": corners["above"]}}
    return folder, {"product": "halden-12", "cameras": {"slant": slant, "above": above}}


def make(tmp_path, folder, answers, *more):
    """Run the command on answers; gives its exit status."""
    file = tmp_path / "answers.yaml"
    file.write_text(yaml.safe_dump(answers, sort_keys=False))
    arguments = ["new", str(tmp_path / "recipe"), "--captures", str(folder)]
    return main([*arguments, "--answers", str(file), "--yes", *more])


def left_behind(tmp_path):
    return sorted(p.name for p in tmp_path.iterdir() if p.name not in ("answers.yaml", "set"))


@pytest.mark.timeout(400)
def test_answers_become_a_recipe_that_tells_good_from_bad(captured, tmp_path, capsys):
    folder, answers = captured
    assert make(tmp_path, folder, answers) == 0
    said = capsys.readouterr().out
    assert "20 of 20 good cartons pass" in said
    assert "datamatrix on label, read on 20 of 20" in said
    recipe = tmp_path / "recipe"
    assert {"recipe.yaml", "good-cartons.png", "slant.png", "above.png", "label.png"} <= {
        p.name for p in recipe.iterdir()
    }
    text = (recipe / "recipe.yaml").read_text()
    assert "equals: 12     # CHECK: as on the good cartons" in text
    assert "# No colour was named" in text
    results = tmp_path / "rows.jsonl"
    replay = ["replay", str(folder), "--recipe", str(recipe), "--cartons", "21-"]
    main([*replay, "--jobs", "2", "--json", str(results)])
    truth = {t: said for t, said in read_truth(folder / "truth.csv").items() if t > 20}
    found = score(read_results(results), truth)
    assert (found.good, found.bad) == (12, 12)
    assert found.false_rejects.k == found.bad_passed.k == 0


def test_corners_the_wrong_way_round_are_refused(captured, tmp_path, capsys):
    folder, answers = captured
    wrong = "[[110, 548], [870, 560], [880, 100], [120, 90]]"
    more = ["--answer", f"cameras.above.panel.corners_px={wrong}", "--cartons", "1-5"]
    assert make(tmp_path, folder, answers, *more) == 2
    said = capsys.readouterr().err
    assert "cameras.above.panel.corners_px" in said
    assert "clockwise" in said
    assert left_behind(tmp_path) == []


def test_a_carton_on_which_the_panel_is_not_found_is_named(captured, tmp_path, capsys):
    folder, answers = captured
    blind = tmp_path / "set"
    for trigger in ("000003", "000004", "000005"):
        shutil.copytree(folder / "frames" / trigger, blind / "frames" / trigger)
    shutil.copy(folder / "set.yaml", blind)
    flat = np.full((650, 1000), 90, np.uint8)
    cv2.imwrite(str(blind / "frames/000003/above.png"), flat)
    assert make(tmp_path, blind, answers) == 2
    said = capsys.readouterr().err
    assert "000003  [not-located]" in said
    assert "It is found on 2 of 3" in said
    assert left_behind(tmp_path) == []


def test_frames_of_another_size_are_named_and_nothing_is_written(captured, tmp_path, capsys):
    folder, answers = captured
    mixed = tmp_path / "set"
    for trigger in ("000003", "000004", "000005"):
        shutil.copytree(folder / "frames" / trigger, mixed / "frames" / trigger)
    shutil.copy(folder / "set.yaml", mixed)
    shutil.copy(folder / "frames/000003/above.png", mixed / "frames/000003/slant.png")
    assert make(tmp_path, mixed, answers) == 2
    said = capsys.readouterr().err
    assert "000003/slant.png" in said
    assert "were cameras swapped?" in said
    assert left_behind(tmp_path) == []


def test_a_good_carton_without_a_frame_is_named(captured, tmp_path, capsys):
    folder, answers = captured
    thin = tmp_path / "set"
    for trigger in ("000003", "000004"):
        shutil.copytree(folder / "frames" / trigger, thin / "frames" / trigger)
    shutil.copy(folder / "set.yaml", thin)
    (thin / "frames/000003/above.png").unlink()
    assert make(tmp_path, thin, answers) == 2
    assert "000003  [cartons]" in capsys.readouterr().err
    assert left_behind(tmp_path) == []


def test_a_set_without_any_of_the_good_cartons_is_refused(captured, tmp_path, capsys):
    folder, answers = captured
    assert make(tmp_path, folder, answers, "--cartons", "900-910") == 2
    assert "The set holds none of these cartons" in capsys.readouterr().err


def test_a_print_file_that_shows_something_else_is_said(captured, tmp_path, capsys):
    folder, answers = captured
    shutil.copy(folder / "frames/000004/slant.png", tmp_path / "set.png")
    answers = {**answers, "cameras": {"above": {"panel": {"print": "set.png",
                                                          "size_mm": [160, 100]}}}}  # fmt: skip
    assert make(tmp_path, folder, answers, "--cartons", "1-4") == 2
    assert "[print-not-found]" in capsys.readouterr().err


def test_a_page_file_is_refused_with_the_reason(captured, tmp_path, capsys):
    folder, answers = captured
    panel = {"print": "panel.pdf", "size_mm": [160, 100]}
    answers = {**answers, "cameras": {"slant": {"panel": panel}}}
    assert make(tmp_path, folder, answers) == 2
    assert "Export it as PNG" in capsys.readouterr().err


def test_a_folder_that_is_there_is_left_alone(captured, tmp_path, capsys):
    folder, answers = captured
    (tmp_path / "recipe").mkdir()
    assert make(tmp_path, folder, answers) == 2
    assert "This is there already" in capsys.readouterr().err
    assert list((tmp_path / "recipe").iterdir()) == []
