from pathlib import Path

import pytest

from engine.devices.cameras.captured_set import CapturedSet
from engine.draft.ask import Interview
from engine.draft.given import Given, read_answers
from engine.frame import CameraTable
from engine.problems import ProblemsFound

SET = CapturedSet(Path("set"), {1: {"front": Path("a.png")}}, {}, CameraTable())


def interview(replies, given=None):
    """Complete answers with scripted replies; what is asked beyond them fails."""
    left = iter(replies)
    return Interview(given or Given(), SET, "Tea 6", lambda _: next(left), lambda _: None)


def test_replies_become_answers():
    replies = ["", "", "yes", "p.png", "150 x 110", "no", "", "lot", "LOT {lot}", "", "1,2,30,4",
               "3", "", "", "", "no"]  # fmt: skip
    answers = interview(replies).complete()
    camera = answers.cameras["front"]
    assert (answers.product, answers.cartons) == ("tea-6", "1-1")
    assert camera.panel.size_mm == (150, 110)
    assert camera.texts["lot"].on == "panel"
    assert camera.codes == {}


def test_what_is_answered_is_not_asked():
    given = read_answers(None, ["product=tea", "cartons=1-3"])
    given.put(("cameras", "front", "panel"), {"size_mm": [150, 110], "print": "p.png"})
    assert interview([], given).complete().product == "tea"


def test_an_unknown_answer_is_a_problem_with_the_nearest_right_word():
    given = read_answers(None, ["product=tea", "cartons=1", "cameras.front.panel.siz_mm=[1, 2]"])
    with pytest.raises(ProblemsFound, match="Did you mean `size_mm`"):
        interview([], given).complete()


def test_an_answer_without_a_value_is_a_problem():
    with pytest.raises(ProblemsFound, match="An answer is PATH=VALUE"):
        read_answers(None, ["product"])
