"""Bounds written into YAML: only the bound changes."""

from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from engine.problems import ProblemsFound
from engine.teach.bounds_edit import (
    Bound,
    difference,
    edited,
    limit_path,
    replace_text,
    shown,
    to_paste,
)
from engine.yamlfile import parse_yaml

GAP = limit_path("top.lid.gap_mm")

FLOW = """\
# the tea
cameras:
  top:   # from above
    steps:
      lid:
        limits:
          gap_mm: {max: 1.2, reject_as: flap open}  # mm, from the drawing
          turn_deg: {min: -3, max: 3}
"""
BLOCK = """\
cameras:
    top:
        steps:
            lid:
                limits:
                    gap_mm:
                        # from the drawing
                        max: 1.2   # mm
                        reject_as: 'flap: open'
"""


def put(text, *bounds):
    return edited(text, "recipe.yaml", bounds).text


@pytest.mark.parametrize("text", [FLOW, BLOCK])
def test_a_number_is_replaced_and_nothing_else(text):
    assert put(text, Bound(GAP, "max", 0.75)) == text.replace("1.2", "0.75")


def test_a_missing_bound_is_added_in_braces():
    wanted = FLOW.replace("{max: 1.2,", "{min: 0.1, max: 1.2,")
    assert put(FLOW, Bound(GAP, "min", 0.1)) == wanted


def test_a_missing_bound_is_added_as_a_line_of_its_own():
    before = "                        max: 1.2   # mm\n"
    wanted = BLOCK.replace(before, "                        min: 0.1\n" + before)
    assert put(BLOCK, Bound(GAP, "min", 0.1)) == wanted


def test_several_bounds_are_written_at_once():
    turn = limit_path("top.lid.turn_deg")
    text = put(FLOW, Bound(GAP, "max", 0.5), Bound(turn, "max", 2.5), Bound(turn, "min", -2.25))
    wanted = FLOW.replace("1.2", "0.5").replace("{min: -3, max: 3}", "{min: -2.25, max: 2.5}")
    assert text == wanted


def test_line_ends_and_a_byte_order_mark_stay():
    text = "\ufeff" + BLOCK.replace("\n", "\r\n")
    assert put(text, Bound(GAP, "max", 2)) == text.replace("1.2", "2")
    assert put(text, Bound(GAP, "min", 2)).count("\r\n") == text.count("\r\n") + 1


def test_an_inherited_limit_is_said_as_text_to_paste():
    bound = Bound(limit_path("side.code.print_contrast"), "min", 0.8)
    found = edited(FLOW, "recipe.yaml", [bound, Bound(GAP, "max", 2)])
    assert found.text == FLOW.replace("1.2", "2")
    assert found.elsewhere == (bound,)
    assert yaml.safe_load(to_paste(found.elsewhere)) == {
        "cameras": {"side": {"steps": {"code": {"limits": {"print_contrast": {"min": 0.8}}}}}}
    }


def test_a_bound_from_the_order_is_not_written_over():
    text = FLOW.replace("max: 1.2", "max: {order: gap}")
    with pytest.raises(ProblemsFound, match="no plain number"):
        put(text, Bound(GAP, "max", 2))


def test_a_text_that_cannot_be_edited_safely_is_left_alone():
    text = "cameras: {top: {steps: {lid: {limits: {gap_mm: {? max : 1.2}}}}}}\n"
    assert put(text, Bound(GAP, "max", 2)) == text.replace("1.2", "2")
    block = BLOCK.replace("max: 1.2   # mm", "? max\n                        : 1.2")
    with pytest.raises(ProblemsFound, match=r"by hand|not YAML"):
        put(block, Bound(GAP, "min", 0.5))


NUMBERS = st.floats(-1e6, 1e6, allow_nan=False).map(lambda v: float(f"{v:.12g}"))
COMMENTS = st.sampled_from(["", "  # a note: {max: 9}", " # max: 1.2, 'quoted'", "   #", " # ü"])


@st.composite
def recipes(draw):
    """A recipe's text in either style, with comments anywhere and other steps around."""
    lines = [f"# {draw(st.sampled_from(['max: 7', 'tea', '{}']))}", "cameras:"]
    for camera in ("front", "top"):
        lines += [f"  {camera}:{draw(COMMENTS)}", "    steps:"]
        for step in ("lid", "label"):
            lines += [f"      {step}:{draw(COMMENTS)}", f"        limits:{draw(COMMENTS)}"]
            for value in ("gap_mm", "turn_deg"):
                low, high = draw(NUMBERS), draw(NUMBERS)
                sides = draw(st.sampled_from([("min",), ("max",), ("max", "min")]))
                given = {"min": shown(low), "max": shown(high)}
                pairs = [f"{side}: {given[side]}" for side in sides]
                pairs.insert(draw(st.integers(0, len(pairs))), 'reject_as: "a {max: 3}, # b"')
                if draw(st.booleans()):
                    lines.append(f"          {value}: {{{', '.join(pairs)}}}{draw(COMMENTS)}")
                else:
                    lines.append(f"          {value}:{draw(COMMENTS)}")
                    lines += [f"            {pair}{draw(COMMENTS)}" for pair in pairs]
    return draw(st.sampled_from(["\n", "\r\n"])).join([*lines, ""])


@given(
    text=recipes(),
    camera=st.sampled_from(["front", "top"]),
    step=st.sampled_from(["lid", "label"]),
    value=st.sampled_from(["gap_mm", "turn_deg"]),
    side=st.sampled_from(["min", "max"]),
    number=NUMBERS,
)
def test_in_any_recipe_only_the_bound_changes(text, camera, step, value, side, number):
    bound = Bound(limit_path(f"{camera}.{step}.{value}"), side, number)
    after = put(text, bound)
    before_data, after_data = parse_yaml(text, "a").data, parse_yaml(after, "a").data
    limit = before_data["cameras"][camera]["steps"][step]["limits"][value]
    had = side in limit
    limit[side] = float(shown(number))
    assert after_data == before_data
    assert comments(after) == comments(text)
    if had:
        assert put(after, bound) == after
        changed = [(a, b) for a, b in zip(text.split("\n"), after.split("\n"), strict=True)
                   if a != b]  # fmt: skip
        assert len(changed) <= 1


def comments(text):
    """Everything from a comment's mark to the end of its line, as YAML's own scanner sees it."""
    found = []
    for line in text.splitlines():
        quoted = line.replace('"a {max: 3}, # b"', "")
        if "#" in quoted:
            found.append(quoted[quoted.index("#") :])
    return found


def test_a_file_is_replaced_only_when_the_check_passes(tmp_path):
    file = Path(tmp_path) / "recipe.yaml"
    file.write_bytes(b"a: 1\r\n")

    def refuse(part):
        assert part.read_bytes() == b"a: 2\r\n"
        assert part.parent == file.parent.resolve()
        message = "it does not compile"
        raise ValueError(message)

    with pytest.raises(ValueError, match="does not compile"):
        replace_text(file, "a: 2\r\n", refuse)
    assert file.read_bytes() == b"a: 1\r\n"
    replace_text(file, "a: 2\r\n", Path.read_bytes)
    assert file.read_bytes() == b"a: 2\r\n"
    assert list(Path(tmp_path).iterdir()) == [file]


def test_the_difference_shows_old_and_new_line():
    after = put(FLOW, Bound(GAP, "max", 0.75))
    lines = difference(FLOW, after, "recipe.yaml").splitlines()
    assert "-          gap_mm: {max: 1.2, reject_as: flap open}  # mm, from the drawing" in lines
    assert "+          gap_mm: {max: 0.75, reject_as: flap open}  # mm, from the drawing" in lines
