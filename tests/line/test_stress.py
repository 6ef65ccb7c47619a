"""The whole way of `stress`, and whether what it predicts holds on real bad cartons."""

import json
import math
import re
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from engine.cli.main import main
from engine.devices.cameras.captured_set import open_set
from engine.devices.clock import MachineClock
from engine.replay.replay import prepare_job
from engine.report.truth import read_truth
from engine.run.loop import Inspector
from engine.study.stress import StressRun, Wanted

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_images"
RECIPE = ROOT / "recipes/demo"
TEA = ROOT.parent / "shared/data/captures/brindlemoor-tea"
FEW = ["--cartons", "1-4", "--per-defect", "6"]

LID_MM = 55.0
"""Depth of the lid, from its hinge to its near edge."""
GOOD_CONTRAST = 0.97
"""(light - dark) / light of a good code of the set."""

PRINT_MM = {"light": 4.5, "heavy": 21.0}
"""Side of a square as large as what is missing, measured on the frames."""

PREDICTIONS = {
    "flap-open": ("front.lid", "line-up", lambda deg: LID_MM * math.sin(math.radians(float(deg)))),
    "label-shifted": ("front.label", "shifted", float),
    "label-skewed": ("front.label", "turned", float),
    "low-contrast": ("side.code_print", "paler", lambda left: 100 - float(left) / GOOD_CONTRAST),
    "missing-print": ("front.print", "missing-print", PRINT_MM.get),
}
"""Of each defect word with a severity: step and made-up defect, and the severity as its size."""


def stress(folder, *more):
    arguments = ["stress", str(folder), "--recipe", str(RECIPE), *more]
    return main(arguments)


def test_stress_writes_page_and_figures_and_says_what_it_found(tmp_path, capsys):
    page, figures = tmp_path / "s.html", tmp_path / "s.json"
    more = ["--only", "shifted,blur,camera", "--report", str(page), "--json", str(figures)]
    assert stress(DEMO, *FEW, *more) == 0
    said = capsys.readouterr().out
    assert "front.label" in said
    assert "Frames late or missing: 6 of 6 did not pass." in said
    data = json.loads(figures.read_text())
    assert [d["defect"] for d in data["defects"]] == ["shifted"]
    assert all(0.02 < look["blur_px"] < 3 for look in data["cameras"].values())
    text = page.read_text()
    assert not re.search(r"(src|href)=.?(http|//)", text)
    assert "front.label: shifted" in text


def test_the_same_seed_gives_the_same_figures_whatever_the_threads(tmp_path):
    for name, jobs in (("a", "1"), ("b", "2")):
        more = ["--only", "shifted,line-up", "--json", str(tmp_path / name), "--jobs", jobs]
        assert stress(DEMO, *FEW, *more) == 0
    assert (tmp_path / "a").read_text() == (tmp_path / "b").read_text()


def test_only_bad_cartons_are_refused(capsys):
    assert stress(DEMO, "--cartons", "41-42") == 2
    said = capsys.readouterr().err
    assert "[no-good-carton]" in said
    assert "None of the 2 cartons chosen is good" in said


def test_a_recipe_that_fails_on_the_good_cartons_is_refused_with_reasons(tmp_path, capsys):
    for trigger in (1, 2):
        folder = tmp_path / f"frames/{trigger:06d}"
        shutil.copytree(DEMO / "frames" / f"{trigger:06d}", folder)
        for camera, size in (("front", (960, 720)), ("side", (960, 720)), ("top", (800, 600))):
            image = np.full((size[1], size[0], 3)[: 3 if camera == "front" else 2], 90, np.uint8)
            cv2.imwrite(str(folder / f"{camera}.jpg"), image)
    shutil.copy(DEMO / "set.yaml", tmp_path)
    assert stress(tmp_path) == 2
    said = capsys.readouterr().err
    assert "None of the 2 good cartons passes this recipe" in said
    assert "000001: carton not found" in said


def test_a_wrong_defect_is_named_with_the_right_ones(capsys):
    assert stress(DEMO, "--only", "smugde") == 2
    said = capsys.readouterr().err
    assert "Did you mean `smudge`?" in said
    assert "`missing-print`" in said


@pytest.mark.skipif(not TEA.is_dir(), reason="the captured set is not beside the checkout")
@pytest.mark.timeout(300)
def test_what_stress_predicts_holds_on_real_bad_cartons():
    captured = open_set(TEA)
    job = prepare_job(captured, ROOT / "recipes/brindlemoor-tea", {})
    kinds = tuple(dict.fromkeys(defect for _, defect, _ in PREDICTIONS.values()))
    ready = StressRun(job, range(1, 11), Wanted(per_defect=18, only=kinds, jobs=2))
    found = ready.run()
    inspector = Inspector(job.plan, captured.cameras, MachineClock(), captured.day)
    compared = 0
    for trigger, known in read_truth(captured.truth_file).items():
        for defect in known.defects:
            if defect.word not in PREDICTIONS or len(known.defects) > 1:
                continue
            place, kind, size = PREDICTIONS[defect.word]
            amount = size(defect.severity)
            if amount is None:
                continue
            predicted = found.curve(place, kind).detection(amount)
            if predicted is None:
                continue
            verdict = inspector.inspect(ready.frames_of(trigger))
            assert predicted > 0.9, (trigger, str(defect), predicted)
            assert verdict.verdict == "reject", (trigger, str(defect))
            compared += 1
    assert compared >= 12
