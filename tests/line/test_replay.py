"""The whole way: a captured set through the command, on real pictures."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from engine.cli.main import main
from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import open_set
from engine.devices.clock import MachineClock
from engine.records.query import Records
from engine.records.results import read_results
from engine.replay.replay import canonical, prepare_job
from engine.report.score import score
from engine.report.truth import read_truth
from engine.result import to_json
from engine.run.loop import Inspector, run_loop
from tests.generators.frames import bomb

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_images"
RECIPE = ROOT / "recipes/demo"
TEA = ROOT.parent / "shared/data/captures/brindlemoor-tea"


@pytest.fixture(scope="module")
def replayed(tmp_path_factory):
    """Give the files of one replay of all demo cartons, and its exit status."""
    out = tmp_path_factory.mktemp("replay")
    arguments = ["replay", str(DEMO), "--recipe", str(RECIPE), "--jobs", "2"]
    arguments += ["--json", str(out / "a.jsonl"), "--report", str(out / "a.html")]
    arguments += ["--records", str(out / "a.sqlite"), "--reject-log", str(out / "a.csv")]
    status = main(arguments)
    return out, status


def small_set(tmp_path, triggers):
    """Copy some demo cartons to a set of their own, without truth."""
    for trigger in triggers:
        name = f"{trigger:06d}"
        shutil.copytree(DEMO / "frames" / name, tmp_path / "frames" / name)
    shutil.copy(DEMO / "set.yaml", tmp_path)
    return tmp_path


def rows_of(folder, *more):
    file = folder / "rows.jsonl"
    status = main(["replay", str(folder), "--recipe", str(RECIPE), "--json", str(file), *more])
    return {int(row["trigger"]): row for row in read_results(file)}, status


def test_every_demo_carton_gets_the_verdict_and_a_reason_that_its_truth_asks_for(replayed):
    out, status = replayed
    found = score(read_results(out / "a.jsonl"), read_truth(DEMO / "truth.csv"))
    assert status == 0
    assert (found.good, found.bad) == (26, 38)
    assert found.false_rejects.k == found.false_faults.k == found.bad_passed.k == 0
    assert found.right_reason.k == 38


def test_report_records_and_reject_log_tell_the_same(replayed):
    out, _ = replayed
    rows = read_results(out / "a.jsonl")
    bad = [row["trigger"] for row in rows if row["verdict"] != "pass"]
    with Records(out / "a.sqlite") as records:
        kept = records.verdicts(records.runs()[0].run)
    assert [canonical(row) for row in kept] == [canonical(row) for row in rows]
    log = (out / "a.csv").read_text("utf-8-sig").splitlines()
    assert [line.split(",")[0] for line in log[1:]] == bad
    page = (out / "a.html").read_text()
    assert all(trigger in page for trigger in bad)
    assert "http" not in page.replace("http://www.w3.org", "")


def test_two_replays_are_equal_whatever_the_number_of_jobs(replayed, tmp_path):
    out, _ = replayed
    earlier = {int(row["trigger"]): canonical(row) for row in read_results(out / "a.jsonl")}
    file = tmp_path / "b.jsonl"
    arguments = ["replay", str(DEMO), "--recipe", str(RECIPE), "--cartons", "15-40"]
    main([*arguments, "--jobs", "1", "--json", str(file)])
    again = {int(row["trigger"]): canonical(row) for row in read_results(file)}
    assert again
    assert all(earlier[trigger] == row for trigger, row in again.items())


def test_no_step_uses_a_function_whose_result_depends_on_where_arrays_lie():
    sources = [*(ROOT / "steps").rglob("*.py"), *(ROOT / "engine").rglob("*.py")]
    assert not [f.name for f in sources if "cv2.magnitude(" in f.read_text("utf-8")]


def test_shuffled_arrival_gives_equal_verdicts(replayed):
    out, _ = replayed
    earlier = {int(row["trigger"]): row["verdict"] for row in read_results(out / "a.jsonl")}
    job = prepare_job(open_set(DEMO), RECIPE, {})
    source = CapturedSource(job.captured, job.plan.cameras, range(21, 32))
    arrivals = list(source.arrivals())
    np.random.default_rng(3).shuffle(arrivals)
    source.arrivals = lambda: iter(arrivals)
    found = {}

    class Keep:
        def take(self, verdict, frames):
            found[verdict.trigger] = to_json(verdict, job.identity("0"))["verdict"]

    run_loop(Inspector(job.plan, job.captured.cameras, MachineClock()), source, [Keep()])
    assert all(earlier[t] == verdict for t, verdict in found.items() if t in earlier)
    assert len(found) == 11


BROKEN = {
    "cut": lambda file: file.write_bytes(file.read_bytes()[:3000]),
    "empty": lambda file: file.write_bytes(b""),
    "text": lambda file: file.write_text("front camera"),
    "bomb": lambda file: file.write_bytes(bomb()),
    "small": lambda file: file.write_bytes(
        cv2.imencode(".png", np.full((90, 120, 3), 90, np.uint8))[1].tobytes()
    ),
    "grey": lambda file: file.write_bytes(
        cv2.imencode(".jpg", cv2.imread(str(file), cv2.IMREAD_GRAYSCALE))[1].tobytes()
    ),
}


def test_frames_that_cannot_be_used_are_faults_of_their_carton_and_the_run_goes_on(tmp_path):
    folder = small_set(tmp_path, range(1, len(BROKEN) + 2))
    for trigger, spoil in enumerate(BROKEN.values(), start=1):
        spoil(folder / f"frames/{trigger:06d}/front.jpg")
    rows, status = rows_of(folder)
    assert status == 1
    assert [rows[t]["verdict"] for t in range(1, 8)] == ["fault"] * 6 + ["pass"]
    reasons = [rows[t]["reasons"][0] for t in range(1, 7)]
    words = ["torn", "empty", "not an image", "pixels", "120 x 90 px", "it is grey"]
    assert all(word in reason for word, reason in zip(words, reasons, strict=True))


def test_a_missing_order_value_refuses_to_start(tmp_path, capsys):
    folder = small_set(tmp_path, [1])
    (folder / "set.yaml").unlink()
    assert main(["replay", str(folder), "--recipe", str(RECIPE), "--order", "lot=K4471"]) == 2
    assert "needs the order field `expiry`" in capsys.readouterr().err
    rows, status = rows_of(folder, "--order", "lot=K4471", "--order", "expiry=2027-03-14")
    assert status == 0
    assert rows[1]["verdict"] == "pass"


def test_another_order_rejects_good_cartons_of_this_one(tmp_path):
    rows, _ = rows_of(small_set(tmp_path, [1]), "--order", "lot=K4477")
    assert rows[1]["verdict"] == "reject"
    assert rows[1]["reasons"][0].startswith("wrong lot")


def test_resume_goes_on_where_a_torn_file_ends(tmp_path):
    folder = small_set(tmp_path, range(1, 6))
    whole, _ = rows_of(folder)
    file = folder / "rows.jsonl"
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:2]) + lines[2][:40])
    resumed, status = rows_of(folder, "--resume")
    assert status == 0
    assert {t: canonical(r) for t, r in resumed.items()} == {
        t: canonical(r) for t, r in whole.items()
    }
    assert len({row["run"] for row in resumed.values()}) == 1


def test_interrupt_keeps_what_is_done(tmp_path):
    file = tmp_path / "rows.jsonl"
    command = [sys.executable, "-m", "engine.cli.main", "replay", str(DEMO)]
    command += ["--recipe", str(RECIPE), "--json", str(file)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        until = time.monotonic() + 60
        while time.monotonic() < until and not (file.exists() and file.stat().st_size > 20_000):
            time.sleep(0.05)
        os.kill(process.pid, signal.SIGINT)
        said, _ = process.communicate(timeout=30)
    rows = [json.loads(line) for line in file.read_text().splitlines()]
    assert 0 < len(rows) < 64
    assert process.returncode == 1
    assert "--resume" in said


def test_explain_draws_every_camera(tmp_path, capsys):
    assert main(["explain", str(DEMO), "94", "--recipe", str(RECIPE), "--out", str(tmp_path)]) == 0
    assert "flap open: gap_mm" in capsys.readouterr().out
    for camera, shape in (
        ("front", (720, 960, 3)),
        ("side", (720, 960, 3)),
        ("top", (600, 800, 3)),
    ):
        assert cv2.imread(str(tmp_path / f"000094-{camera}.png")).shape == shape


@pytest.mark.skipif(not TEA.is_dir(), reason="the shared captured set is not beside the checkout")
def test_the_tea_recipe_holds_on_cartons_it_was_not_made_from(tmp_path):
    file = tmp_path / "tea.jsonl"
    arguments = ["replay", str(TEA), "--recipe", str(ROOT / "recipes/brindlemoor-tea")]
    status = main([*arguments, "--cartons", "21-95", "--jobs", "2", "--json", str(file)])
    rows = read_results(file)
    truth = {t: said for t, said in read_truth(TEA / "truth.csv").items() if t > 20}
    found = score(rows, truth)
    assert status == 0
    assert found.false_rejects.k == found.false_faults.k == found.bad_passed.k == 0
    assert found.right_reason.k >= 49
