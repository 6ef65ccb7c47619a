"""Captured sets from disk: what is whole is read, what is not is named."""

from contextlib import suppress
from datetime import UTC, datetime, timedelta

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import open_set
from engine.devices.cameras.decode import Undecodable, decode_image
from engine.frame import Frame, FrameFailure
from engine.problems import ProblemsFound
from tests.generators.frames import bomb


def encoded(suffix=".png", shape=(40, 60, 3), seed=1):
    pixels = np.random.default_rng(seed).integers(0, 256, shape).astype(np.uint8)
    return pixels, cv2.imencode(suffix, pixels)[1].tobytes()


@pytest.mark.parametrize("suffix", [".png", ".bmp", ".tif"])
def test_colour_comes_as_red_green_blue(suffix):
    pixels, raw = encoded(suffix)
    decoded, bits = decode_image(raw)
    np.testing.assert_array_equal(decoded, pixels[:, :, ::-1])
    assert bits == 8


def test_sixteen_bits_stay_sixteen():
    deep = np.arange(2400, dtype=np.uint16).reshape(40, 60)
    decoded, bits = decode_image(cv2.imencode(".png", deep)[1].tobytes())
    np.testing.assert_array_equal(decoded, deep)
    assert bits == 16


PNG, JPEG = encoded()[1], encoded(".jpg")[1]


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (b"", "empty"),
        (PNG[:-4], "torn"),
        (PNG[: len(PNG) // 2], "torn"),
        (PNG[:2000] + b"xxxx" + PNG[2004:], "check sum"),
        (JPEG[: len(JPEG) // 2], "torn"),
        (b"front camera, carton 41", "not an image"),
        (bomb(), "pixels"),
        (bomb(12_000), "12000 x 12000"),
    ],
)
def test_what_is_not_whole_is_refused_with_the_reason(raw, why):
    with pytest.raises(Undecodable, match=why):
        decode_image(raw)


@settings(max_examples=60, deadline=None)
@given(cut=st.integers(0, len(PNG) - 1))
def test_a_png_cut_anywhere_is_refused(cut):
    with pytest.raises(Undecodable):
        decode_image(PNG[:cut])


@settings(max_examples=60, deadline=None)
@given(raw=st.binary(max_size=400))
def test_any_bytes_give_pixels_or_a_reason(raw):
    with suppress(Undecodable):
        pixels, bits = decode_image(raw)
        assert pixels.size
        assert bits in (8, 16)


@pytest.fixture
def captured(tmp_path):
    for trigger in (1, 2):
        folder = tmp_path / "frames" / f"{trigger:06d}"
        folder.mkdir(parents=True)
        for camera in ("front", "side"):
            (folder / f"{camera}.png").write_bytes(PNG)
    return tmp_path


def test_a_set_tells_its_triggers_cameras_order_and_times(captured):
    (captured / "set.yaml").write_text(
        "order: {lot: 0471, expiry: 2027-03-14}\nutc_offset_min: 60\n"
        "cameras: {front: {gamma: 2.2}, side: {gamma: linear, mm_per_px: 0.2}}\n"
    )
    (captured / "frames.csv").write_text(
        "trigger,camera,time_utc,frame_id,exposure_us\n000001,front,2026-11-25T08:30:00,7,200\n"
    )
    found = open_set(captured)
    assert list(found.files) == [1, 2]
    assert found.order == {"lot": "0471", "expiry": "2027-03-14"}
    assert found.cameras.of("front").gamma == 2.2
    assert (found.cameras.of("side").gamma, found.cameras.of("side").mm_per_px) == (1.0, 0.2)
    frame = CapturedSource(found, ["front"]).read(1, "front")
    assert isinstance(frame, Frame)
    assert frame.taken_at == datetime(2026, 11, 25, 8, 30, tzinfo=UTC)
    assert frame.taken_at.utcoffset() == timedelta(hours=1)
    assert frame.frame_id == 7


def test_every_camera_answers_each_trigger_with_a_frame_or_a_failure(captured):
    (captured / "frames/000001/side.png").unlink()
    (captured / "frames/000002/front.png").write_bytes(PNG[:50])
    arrivals = list(CapturedSource(open_set(captured), ["front", "side"], readers=2).arrivals())
    assert [(a.trigger, a.camera) for a in arrivals] == [
        (1, "front"), (1, "side"), (2, "front"), (2, "side"),
    ]  # fmt: skip
    kinds = [a.kind if isinstance(a, FrameFailure) else "frame" for a in arrivals]
    assert kinds == ["frame", "missing", "undecodable", "frame"]
    assert arrivals[2].why == "front.png: the PNG file is torn: its end is missing"


def test_frames_are_read_only(captured):
    frame = CapturedSource(open_set(captured), ["front"]).read(1, "front")
    with pytest.raises(ValueError, match="read-only"):
        frame.pixels[0, 0] = 1


def test_what_is_no_frame_is_named_and_left_alone(captured):
    (captured / "frames/notes.txt").write_text("x")
    (captured / "frames/000001/front.txt").write_text("x")
    (captured / "frames/000001/front.jpg").write_bytes(JPEG)
    assert open_set(captured).left_out == ("000001/front.png", "000001/front.txt", "notes.txt")


@pytest.mark.parametrize(
    ("file", "text", "match"),
    [
        ("set.yaml", "cameras: {front: {gamma: bright}}", "`srgb`, `linear` or a number"),
        ("set.yaml", "colour: yes", "not a key here"),
        ("set.yaml", "[1, 2", "not YAML"),
        ("frames.csv", "trigger,camera,time_utc\nx,front,\n", "frames.csv:2:1"),
    ],
)
def test_mistakes_in_a_set_are_problems_with_their_place(captured, file, text, match):
    (captured / file).write_text(text)
    with pytest.raises(ProblemsFound, match=match):
        open_set(captured)


def test_a_folder_without_frames_is_a_problem(tmp_path):
    with pytest.raises(ProblemsFound, match="no folder `frames`"):
        open_set(tmp_path)
    (tmp_path / "frames").mkdir()
    with pytest.raises(ProblemsFound, match="no frame here"):
        open_set(tmp_path)
