"""The page about a replay."""

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.faults import StoreFault
from engine.ports import Sink
from engine.report.replay_page import MOST_WITH_PICTURES, ReplayReport
from engine.report.score import score
from engine.report.strips import MOST_POINTS, histories, strip, tally
from engine.report.truth import Defect, Truth
from engine.result import Finding, to_json
from tests.generators.verdicts import IDENTITY, any_verdict, carton, faulted, frames

GOOD = Truth("pass")
OPEN = Truth("reject", (Defect("flap-open", "10"),))
VOID = {"meta", "img", "br", "path", "circle", "rect", "link", "input", "hr"}


class Page(HTMLParser):
    """What stands on a page: tags, texts, and whether every tag is closed in order."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.texts, self.sources = [], Counter(), [], []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.tags[tag] += 1
        self.sources += [v for n, v in attributes if n in ("src", "href", "srcset", "action")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.texts.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.texts))


def report_on(verdicts, truth=None, **named):
    report = ReplayReport(truth)
    assert isinstance(report, Sink)
    for verdict in verdicts:
        missing = next((r.camera for r in verdict.results if r.fault), None)
        report.take(verdict, frames(verdict.trigger, missing=missing))
    rows = [to_json(verdict, IDENTITY) for verdict in verdicts]
    found = None if truth is None else score(rows, truth)
    return report.page(IDENTITY, rows, found, **named)


def test_the_page_stands_by_itself():
    html = report_on([carton(1), carton(2, 3.1)], {1: OPEN, 2: GOOD})
    page = Page(html)
    assert page.tags["script"] == page.tags["link"] == 0
    assert page.sources
    assert all(source.startswith("data:image/jpeg;base64,") for source in page.sources)
    assert not re.search(r"url\(|@import|https?://", html)


def test_what_was_replayed_is_named():
    html = report_on(
        [carton(1)], {1: GOOD}, title="Harbour soap", set_name="sets/soap", made_at="x"
    )
    page = Page(html)
    for part in (IDENTITY.recipe, "K4471", "2027-03-14", IDENTITY.cameras, IDENTITY.run, "0.1.0"):
        assert part in page.text
    assert "sets/soap" in page.text
    assert "<title>Harbour soap: replay of sets/soap</title>" in html


def test_wrong_verdicts_have_pictures_of_every_camera_and_right_ones_have_none():
    truth = {1: GOOD, 2: OPEN, 3: OPEN, 4: GOOD, 5: Truth("reject", (Defect("code-wrong"),))}
    verdicts = [carton(1), carton(2, 3.1), carton(3), carton(4, 2.0), carton(5, 2.0)]
    page = Page(report_on(verdicts, truth))
    assert page.tags["article"] == 3
    assert page.tags["img"] == 6
    headings = (
        "000003 passed, though bad",
        "000004 rejected, though good",
        "000005 caught for another reason",
    )
    order = [page.text.index(heading) for heading in headings]
    assert order == sorted(order)


def test_a_missing_frame_is_said_in_place_of_its_picture():
    page = Page(report_on([faulted(1)], {1: GOOD}))
    assert page.tags["img"] == 1
    assert "000001 ended as a fault, though good" in page.text
    assert "no frame came" in page.text


def test_without_truth_rejects_and_faults_have_pictures():
    page = Page(report_on([carton(1), carton(2, 3.1), faulted(3)]))
    assert page.tags["article"] == 2
    assert page.tags["img"] == 3
    assert "Verdicts against truth" not in page.text


def test_the_findings_that_should_have_caught_a_missed_carton_stand_first():
    html = report_on([carton(1, 0.9)], {1: OPEN})
    card = html[html.index("<article") : html.index("</article>")]
    before, after = card.split("<details>")
    assert "top.flap.gap_mm" in before
    assert "side.code.text" in after
    assert "No finding of this carton is to catch that" not in card


def test_a_defect_that_no_limit_is_to_catch_is_said():
    page = Page(report_on([carton(1)], {1: Truth("reject", (Defect("crushed"),))}))
    assert "No finding of this carton is to catch that" in page.text


def test_the_number_of_pictures_is_bounded_and_the_rest_is_counted():
    most = MOST_WITH_PICTURES["false reject"]
    verdicts = [carton(i, 3.1) for i in range(1, most + 31)]
    page = Page(report_on(verdicts, {v.trigger: GOOD for v in verdicts}))
    assert page.tags["article"] == most + 30
    assert page.tags["img"] == 2 * most
    assert f"30 of {most + 30} cartons stand here without pictures" in page.text


def test_rows_from_before_a_resume_are_on_the_page_without_pictures():
    report = ReplayReport({1: GOOD, 2: GOOD})
    report.take(carton(2, 3.1), frames(2))
    rows = [to_json(carton(i, 3.1), IDENTITY) for i in (2, 1)]
    page = Page(report.page(IDENTITY, rows, score(rows, {1: GOOD, 2: GOOD})))
    assert page.tags["article"] == 2
    assert page.tags["img"] == 2
    assert "1 of 2 cartons stand here without pictures" in page.text


def test_an_empty_run_makes_a_page():
    page = Page(report_on([], {}))
    assert "No carton was judged" in page.text
    assert page.tags["article"] == 0


def test_a_perfect_run_says_so():
    page = Page(report_on([carton(1), carton(2, 3.1)], {1: GOOD, 2: OPEN}))
    assert "every verdict is the one that truth asks for" in page.text
    assert "000002" in page.text


def test_names_with_markup_are_shown_and_never_obeyed():
    evil = "<script>alert(1)</script>&\"'<img src=x onerror=y>"
    finding = Finding(
        evil, evil, evil, 3.0, evil, {"max": 1.0, evil: evil}, False, -2.0, evil, (evil,)
    )
    verdict = carton(2, 3.1, reason=evil, code=evil)
    verdict = replace(verdict, findings=(*verdict.findings, finding))
    identity = replace(IDENTITY, order={evil: evil}, recipe=evil, version=evil)
    report = ReplayReport({2: Truth("reject", (Defect(evil, evil),))})
    report.take(verdict, frames(2))
    rows = [to_json(verdict, identity)]
    found = score(rows, {2: Truth("reject", (Defect(evil, evil),))})
    page = Page(report.page(identity, rows, found, set_name=evil, title=evil, made_at=evil))
    assert page.tags["script"] == 0
    assert page.tags["img"] == 2
    assert evil in page.text


def test_what_the_page_is_not_is_said():
    text = Page(report_on([carton(1)])).text
    for caution in ("Not a safety device", "Not a calibrated verifier", "It releases no batch"):
        assert caution in text


def test_hundreds_of_cartons_stay_a_page_of_bearable_size():
    verdicts = [carton(i, 0.3 + i % 7 / 10, ms=10 + i % 5) for i in range(1, 601)]
    truth = {v.trigger: GOOD if v.verdict == "pass" else OPEN for v in verdicts}
    html = report_on(verdicts, truth)
    assert len(html) < 300_000
    assert "600" in Page(html).text


def test_the_page_replaces_an_older_one_whole(tmp_path):
    target = tmp_path / "out" / "report.html"
    report = ReplayReport({1: GOOD})
    rows = [to_json(carton(1, reason="größer ≤ 漢"), IDENTITY)]
    for _ in range(2):
        report.write(target, IDENTITY, rows, score(rows, {1: GOOD}), title="größer ≤ 漢")
    assert "größer ≤ 漢" in target.read_text(encoding="utf-8")
    assert [path.name for path in target.parent.iterdir()] == ["report.html"]


def test_a_folder_in_place_of_the_page_is_a_fault(tmp_path):
    with pytest.raises(StoreFault, match="writing the report failed: Is a directory"):
        ReplayReport().write(tmp_path, IDENTITY, [])


@settings(max_examples=40, deadline=None)
@given(
    verdicts=st.lists(any_verdict, max_size=5, unique_by=lambda v: v.trigger),
    truth=st.none() | st.dictionaries(st.integers(0, 9), st.sampled_from([GOOD, OPEN])),
)
def test_any_verdicts_make_a_sound_page(verdicts, truth):
    verdicts = [replace(v, trigger=i) for i, v in enumerate(verdicts)]
    page = Page(report_on(verdicts, truth))
    assert page.tags["html"] == 1


def gaps(*measured, limit=None, catches=("flap-open",)):
    """Make rows with one finding each; triggers count from 1."""
    limit = limit or {"max": 1.0}
    rows = []
    for trigger, value in enumerate(measured, start=1):
        good = value is not None and value <= limit.get("max", value)
        finding = Finding("top", "flap", "gap", value, "mm", limit, good, None, "open", catches)
        rows.append(to_json(replace(carton(trigger), findings=(finding,)), IDENTITY))
    return rows


def test_cartons_stand_in_the_strip_of_what_they_are():
    truth = {1: GOOD, 2: OPEN, 3: Truth("reject", (Defect("code-wrong"),))}
    (history,) = histories(gaps(0.2, 3.0, 0.3, 9.9), truth)
    assert history.triggers == {"good": [1], "meant": [2], "other": [3]}


def test_a_strip_names_the_cartons_on_the_wrong_side():
    truth = {1: GOOD, 2: GOOD, 3: OPEN, 4: OPEN, 5: GOOD}
    (history,) = histories(gaps(0.2, 1.7, 0.4, 3.0, None), truth)
    assert strip(history).said == (
        "good, yet outside: 000002, 000005",
        "to be caught, yet inside: 000003",
        "not measured: 1",
    )


def test_a_value_far_off_is_an_arrow_and_does_not_squeeze_the_others():
    truth = {1: GOOD, 2: GOOD, 3: OPEN}
    (history,) = histories(gaps(0.0, 0.8, 5000.0), truth)
    drawn = strip(history)
    assert "l6 4" in drawn.paths["meant"]
    first, last = re.findall(r"M([\d.]+) ", drawn.paths["good"])
    assert float(last) - float(first) > 80
    (bound,) = drawn.bounds
    assert float(last) < bound < 360


def test_only_so_many_points_are_drawn_and_the_outermost_are_among_them():
    measured = [i / 10_000 for i in range(4000)]
    (history,) = histories(gaps(*measured), dict.fromkeys(range(1, 4001), GOOD))
    drawn = strip(history)
    assert drawn.paths["good"].count("M") == MOST_POINTS
    assert drawn.said == (f"{MOST_POINTS} of each kind drawn",)


def test_counts_have_whole_ticks_and_one_value_for_all_still_has_a_strip():
    (history,) = histories(gaps(6, 6, 5, limit={"min": 6}), {1: GOOD, 2: GOOD, 3: OPEN})
    assert all("." not in text for _, text in strip(history).ticks)


def test_values_that_are_no_numbers_are_counted():
    rows = [to_json(carton(i), IDENTITY) for i in (1, 2)]
    codes = histories(rows, {1: GOOD, 2: Truth("reject", (Defect("code-wrong"),))})[1]
    assert not codes.is_numeric
    counted = tally(codes)
    assert (counted.good, counted.meant, counted.other) == ("1 of 1", "1 of 1", "-")
