"""What was measured, drawn into frames."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from engine.report.drawing import contact_sheet, draw_camera, to_picture
from engine.report.lettering import Lettering
from engine.result import CameraResult, Finding, PlacedMark, StepResult
from tests.generators.verdicts import carton

GROUND = 128


def corners(x, y, width, height):
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def frame(rows=240, columns=320):
    return np.full((rows, columns), GROUND, np.uint8)


def one_step(outline=(), marks=(), **said):
    step = StepResult("top", "flap", said.pop("values", {}), outline=outline, marks=marks, **said)
    return CameraResult("top", (step,))


def broken_gap(text="flap open"):
    return replace(carton(1, 3.1).findings[0], reason=text)


def drawn_at(picture):
    return (picture != GROUND).any(axis=2)


def test_a_grey_frame_becomes_rgb_and_stays_as_it_is():
    pixels = np.arange(12, dtype=np.uint8).reshape(3, 4)
    pixels.setflags(write=False)
    picture = draw_camera(pixels, CameraResult("top"), ())
    np.testing.assert_array_equal(picture, np.stack([pixels] * 3, axis=2))


def test_twelve_bits_become_eight():
    pixels = np.array([[0, 16, 4095]], np.uint16)
    assert to_picture(pixels, bits=12)[0, :, 0].tolist() == [0, 1, 255]


def test_a_colour_frame_keeps_its_colours_where_nothing_is_drawn():
    pixels = np.zeros((200, 300, 3), np.uint8)
    pixels[..., 0] = 200
    picture = draw_camera(pixels, one_step(corners(100, 80, 60, 40)), ())
    assert picture[190, 5].tolist() == [200, 0, 0]


def test_an_outline_is_drawn_where_the_view_lies():
    picture = draw_camera(frame(), one_step(corners(100, 80, 120, 90)), ())
    seen = drawn_at(picture)
    assert seen[125, 100]
    assert seen[125, 220]
    assert seen[170, 160]
    assert not seen[125, 140:180].any()


def test_a_smaller_picture_is_drawn_in_its_own_scale():
    picture = draw_camera(frame(480, 640), one_step(corners(200, 160, 240, 180)), (), max_width=320)
    assert picture.shape == (240, 320, 3)
    seen = drawn_at(picture)
    assert seen[125, 100]
    assert seen[125, 220]


def test_a_picture_is_never_made_larger():
    assert draw_camera(frame(), CameraResult("top"), (), max_width=9000).shape == (240, 320, 3)


def test_a_broken_step_is_told_by_thickness_and_dashes_not_by_colour_alone():
    outline = corners(60, 60, 200, 120)
    good = drawn_at(draw_camera(frame(), one_step(outline), ()))
    broken = drawn_at(draw_camera(frame(), one_step(outline), [broken_gap()]))
    left_side = np.s_[110:175, 50:70]
    assert broken[left_side].sum(axis=1).max() > good[left_side].sum(axis=1).max()
    assert good[110:175, 260].all()
    assert not broken[110:175, 260].all()


def test_a_broken_finding_of_another_camera_changes_nothing():
    result = one_step(corners(60, 60, 200, 120))
    other = replace(broken_gap(), camera="side")
    np.testing.assert_array_equal(
        draw_camera(frame(), result, [other]), draw_camera(frame(), result, [])
    )


@pytest.mark.parametrize(
    "said",
    [
        {"values": None, "not_measured": "no edge is seen"},
        {"values": None, "fault": "ValueError: bad"},
    ],
)
def test_a_step_that_said_nothing_says_why(said):
    outline = corners(60, 100, 200, 120)
    plain = drawn_at(draw_camera(frame(), one_step(outline), ()))
    amiss = drawn_at(draw_camera(frame(), one_step(outline, **said), ()))
    assert amiss.sum() > plain.sum() + 500


def test_a_camera_fault_is_written_into_the_frame():
    picture = draw_camera(frame(), CameraResult("top", fault="grey for colour"), ())
    assert drawn_at(picture)[:30].any()
    assert not drawn_at(picture)[60:].any()


@pytest.mark.parametrize("kind", ["line", "shape", "points", "something new"])
@pytest.mark.parametrize("tone", ["measured", "difference", "expected", "something new"])
def test_marks_of_every_kind_and_tone_are_drawn(kind, tone):
    mark = PlacedMark(((60, 60), (200, 60), (200, 180)), kind, "", tone)
    seen = drawn_at(draw_camera(frame(), one_step(marks=(mark,)), ()))
    assert seen[57:64, 57:64].any()
    assert seen[177:184, 197:204].any()
    assert seen[115:135, 100:160].any() == (kind == "shape")


def test_texts_of_marks_can_be_kept_to_steps_where_something_is_amiss():
    mark = PlacedMark(((60, 100), (200, 100)), "line", "edge", "measured")
    result = one_step(corners(40, 60, 200, 120), (mark,))
    every, few = (draw_camera(frame(), result, (), name_all=name_all) for name_all in (True, False))
    assert drawn_at(every).sum() > drawn_at(few).sum()
    broken = [
        draw_camera(frame(), result, [broken_gap()], name_all=name_all)
        for name_all in (True, False)
    ]
    np.testing.assert_array_equal(*broken)


def test_the_same_picture_is_drawn_every_time():
    mark = PlacedMark(((60, 60), (200, 60)), "line", "edge ≤ 2 µm", "measured")
    result = one_step(corners(40, 40, 200, 120), (mark,))
    first, again = (draw_camera(frame(), result, [broken_gap()]) for _ in range(2))
    np.testing.assert_array_equal(first, again)


points = st.lists(
    st.tuples(st.floats(width=32), st.floats(width=32)) | st.tuples(st.just(1e30), st.just(-1e30)),
    max_size=6,
).map(tuple)


@settings(max_examples=60, deadline=None)
@given(
    pixels=arrays(np.uint8, st.tuples(st.integers(1, 60), st.integers(1, 60))),
    outline=points,
    marks=st.lists(
        st.builds(
            PlacedMark,
            points,
            st.sampled_from(["line", "shape", "points"]),
            st.text(max_size=30),
            st.sampled_from(["measured", "difference", "expected"]),
        ),
        max_size=4,
    ).map(tuple),
    reason=st.text(max_size=30),
)
def test_any_marks_on_any_frame_give_a_picture_of_its_size(pixels, outline, marks, reason):
    findings = [broken_gap(reason)]
    picture = draw_camera(pixels, one_step(outline, marks), findings)
    assert picture.shape == (*pixels.shape, 3)
    assert picture.dtype == np.uint8


def test_labels_keep_off_each_other_where_there_is_room():
    lettering = Lettering(14)
    picture = np.full((300, 400, 3), GROUND, np.uint8)
    for i in range(12):
        lettering.label(picture, f"label {i}", (150, 140), (255, 255, 255), (90, 0, 0))
    boxes = lettering._taken
    assert len(boxes) == 12
    for i, a in enumerate(boxes):
        assert 0 <= a[0] < a[2] <= 400
        assert 0 <= a[1] < a[3] <= 300
        for b in boxes[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_a_label_that_may_be_left_out_is_left_out_where_it_would_cover_another():
    lettering = Lettering(14)
    picture = np.full((22, 60, 3), GROUND, np.uint8)
    lettering.label(picture, "first", (0, 0), (255, 255, 255), (0, 0, 0))
    before = picture.copy()
    lettering.label(picture, "second", (0, 0), (255, 255, 255), (0, 0, 0), optional=True)
    np.testing.assert_array_equal(picture, before)


def test_letters_stand_out_from_their_ground_on_any_picture():
    for ground in (0, 128, 255):
        picture = np.full((60, 300, 3), ground, np.uint8)
        Lettering(20).label(picture, "flap open", (10, 30), (255, 255, 255), (150, 35, 0))
        light = picture.astype(float).mean(axis=2)
        changed = (picture != ground).any(axis=2)
        assert light[changed].max() > 240
        assert np.median(light[changed]) < 110


def test_characters_beyond_ascii_are_written_as_themselves():
    lettering = Lettering(20)
    pictures = []
    for text in ("é", "?", "≤", "漢"):
        picture = np.full((30, 30, 3), 255, np.uint8)
        lettering.write(picture, text, (2, 2), (0, 0, 0))
        pictures.append(picture)
    assert all((pictures[1] != picture).any() for picture in (pictures[0], *pictures[2:]))


def test_long_text_is_cut_to_its_width():
    lettering = Lettering(14)
    text = lettering.shortened("a very long caption " * 5, 120)
    assert text.endswith("...")
    assert lettering.width(text) <= 120
    assert lettering.shortened("short", 120) == "short"


def test_a_sheet_holds_every_picture_with_its_caption_below():
    images = [np.full((60, 100), level, np.uint8) for level in (10, 60, 110, 160, 210)]
    sheet = contact_sheet(images, [f"carton {i}" for i in range(5)], columns=2, cell_width=50)
    assert sheet.shape[1] == 2 * 58 + 8
    for i, level in enumerate((10, 60, 110, 160, 210)):
        down = (sheet.shape[0] - 8) // 3
        y, x = 8 + i // 2 * down, 8 + i % 2 * 58
        assert (sheet[y + 2 : y + 28, x + 2 : x + 48] == level).all()
        assert (sheet[y + 31 : y + 52, x : x + 50] < 100).any()


def test_an_empty_sheet_is_white():
    assert (contact_sheet([], []) == 255).all()


def test_a_sheet_needs_a_caption_for_each_picture():
    with pytest.raises(ValueError, match="1 images have 0 captions"):
        contact_sheet([frame()], [])


def test_a_finding_that_was_not_measured_is_drawn_too():
    finding = Finding("top", "flap", "gap_mm", None, "mm", {"max": 1}, False, None, "no edge")
    assert drawn_at(draw_camera(frame(), one_step(corners(60, 60, 90, 90)), [finding])).any()
