"""The command `study`, from results files to words and pages."""

import argparse
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from engine.cli import study
from engine.problems import ProblemsFound
from engine.result import dumps, to_json
from tests.generators.verdicts import IDENTITY, carton

VOID = {"meta", "path", "br"}


def run(*words):
    parser = argparse.ArgumentParser()
    study.arguments(parser)
    return study.run(parser.parse_args([str(word) for word in words]))


def results(path, gaps):
    """A results file; cartons with a gap above 1 mm are rejected."""
    rows = [to_json(carton(i, gap), IDENTITY) for i, gap in enumerate(gaps, start=1)]
    path.write_text("".join(dumps(row) + "\n" for row in rows), "utf-8")
    return path


def truth(path, bad):
    lines = [f"{i:06d},{'reject,flap-open' if b else 'pass,'}" for i, b in enumerate(bad, start=1)]
    path.write_text("trigger,verdict,defects\n" + "\n".join(lines) + "\n", "utf-8")
    return path


class Page(HTMLParser):
    """What stands on a page, and whether every tag is closed in order."""

    def __init__(self, html):
        super().__init__()
        self.open, self.texts = [], []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.texts.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.texts))


def test_a_claim_says_how_many_more(capsys):
    assert run("claim", "--misses", 0, "--pod", 0.9, "--confidence", 0.95, "--done", 20) == 0
    said = capsys.readouterr().out
    assert "no failure: 29 cartons." in said
    assert "9 more are needed" in said
    assert re.search(r"1 +46 +26", said)


def test_a_claim_that_stands_says_so(capsys):
    run("claim", "--done", 60)
    assert "the claim stands" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--pod", 2), "--pod must lie between 0 and 1"),
        (("--confidence", 0), "Confidence must lie between 0 and 1"),
        (("--misses", 3, "--done", 2), "--misses must be at most --done = 2"),
    ],
)
def test_a_claim_that_is_none_is_refused(words, why):
    with pytest.raises(ProblemsFound, match=why):
        run("claim", *words)


def test_agreement_of_two_setups(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    bad = [False] * 6 + [True] * 4
    gaps = [3.0 if b else 0.2 for b in bad]
    first, again = results(tmp_path / "a.jsonl", gaps), results(tmp_path / "b.jsonl", gaps)
    other = results(tmp_path / "c.jsonl", [*gaps[:-1], 0.2])
    reference, page = truth(tmp_path / "truth.csv", bad), tmp_path / "page.html"
    words = (
        f"day={first}",
        f"day={again}",
        f"night={other}",
        "--truth",
        reference,
        "--report",
        page,
    )
    assert run("agreement", *words) == 0
    said = capsys.readouterr().out
    assert re.search(r"day +effectiveness +10 of 10 \(100.0 %\).*acceptable", said)
    assert re.search(r"night +miss rate +1 of 4 \(25.0 %\).*unacceptable", said)
    assert re.search(r"day and night +kappa, the two +0.783", said)
    assert "Not right in every trial: 000010." in said
    assert "from memory" in said
    shown = Page(page.read_text("utf-8"))
    assert "day (2 trials), night (1 trial)" in shown.text
    assert "1 of 4 (25.0 %)" in shown.text
    assert not re.search(r"url\(|@import|https?://|<script", page.read_text("utf-8"))


def test_each_file_without_a_name_is_a_setup_of_its_own(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    gaps = [0.2, 3.0]
    files = [results(tmp_path / name, gaps) for name in ("monday.jsonl", "friday.jsonl")]
    run("agreement", *files, "--truth", truth(tmp_path / "truth.csv", [False, True]))
    assert "monday and friday" in capsys.readouterr().out


def test_results_and_a_reference_without_a_common_carton_are_refused(tmp_path):
    file = results(tmp_path / "a.jsonl", [0.2])
    reference = tmp_path / "truth.csv"
    reference.write_text("trigger,verdict,defects\n000009,pass,\n", "utf-8")
    with pytest.raises(ProblemsFound, match="No carton is in all of the trials"):
        run("agreement", file, "--truth", reference)


def test_capability_of_the_values_with_limits(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    gaps = np.random.default_rng(1).normal(0.4, 0.1, 60).clip(0.01).tolist()
    gaps[30] = 0.95
    file, page = results(tmp_path / "a.jsonl", gaps), tmp_path / "page.html"
    assert run("capability", file, "--report", page) == 0
    said = capsys.readouterr().out
    assert "at most 1 mm" in said
    assert re.search(r"top.flap.gap_mm: single values beyond their limits: 000031", said)
    shown = Page(page.read_text("utf-8"))
    assert "top.flap.gap_mm" in shown.text
    assert "moving average (EWMA)" in shown.text
    assert "000031: 0.95" in shown.text
    assert not re.search(r"url\(|@import|https?://|<script", page.read_text("utf-8"))


def test_limits_given_by_hand_stand_in_place_of_those_recorded(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    file = results(tmp_path / "a.jsonl", [0.1, 0.2, 0.3, 0.2])
    run("capability", file, "--value", "top.flap.gap_mm", "--lsl", 0, "--usl", 0.8)
    assert "0 to 0.8" in capsys.readouterr().out


def test_only_good_cartons_and_only_those_chosen_are_looked_at(tmp_path, capsys):
    file = results(tmp_path / "a.jsonl", [0.1, 0.2, 5.0, 0.3, 0.2])
    reference = truth(tmp_path / "truth.csv", [False, False, True, False, False])
    run("capability", file, "--truth", reference, "--cartons", "1-4")
    assert "3 cartons." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--value", "top.flap.gab_mm"), "Did you mean `top.flap.gap_mm`"),
        (("--lsl", "0"), "name it with --value"),
        (("--value", "top.flap.gap_mm", "--lsl", "2", "--usl", "1"), "must lie below"),
        (("--weight", "0"), "must lie above 0 and be at most 1; got 0"),
        (("--cartons", "90-"), "holds none of these cartons"),
    ],
)
def test_capability_of_what_is_not_there_is_refused(tmp_path, words, why):
    file = results(tmp_path / "a.jsonl", [0.1, 0.2, 0.3])
    with pytest.raises(ProblemsFound, match=why):
        run("capability", file, *words)


def test_results_without_a_carton_are_refused(tmp_path):
    (tmp_path / "a.jsonl").write_text("", "utf-8")
    with pytest.raises(ProblemsFound, match="holds no carton"):
        run("capability", tmp_path / "a.jsonl")


def test_a_long_run_is_drawn_with_its_extremes_and_stays_small(tmp_path):
    x = np.random.default_rng(3).normal(0.4, 0.05, 6000).clip(0.01)
    x[4321] = 0.99
    lines = []
    base = to_json(carton(1, 0.2), IDENTITY)
    for i, value in enumerate(x.tolist(), start=1):
        row = json.loads(json.dumps(base))
        row["trigger"] = f"{i:06d}"
        row["values"]["top.flap.gap_mm"] = value
        lines.append(dumps(row))
    (tmp_path / "a.jsonl").write_text("\n".join(lines) + "\n", "utf-8")
    page = tmp_path / "page.html"
    run("capability", tmp_path / "a.jsonl", "--value", "top.flap.gap_mm", "--report", page)
    html = page.read_text("utf-8")
    assert "004322: 0.99" in html
    assert len(html) < 150_000
