"""A camera file beside set.yaml takes the lens out of frames, and its bytes are in the hash."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from engine.calibrate.boards import Board
from engine.calibrate.finding import Photograph, Sighting, find_boards
from engine.devices.cameras.captured import CapturedSource
from engine.devices.cameras.captured_set import open_set
from engine.devices.cameras.lens_correction import LensCorrection
from engine.frame import Frame, FrameFailure, Lens
from engine.problems import ProblemsFound
from tests.generators.boards import TrueCamera, board_before, photograph

CAMERA = TrueCamera(640, 480, 880.0, 876.0, 325.2, 234.9)
LENS = Lens(640, 480, (880.0, 876.0), (325.2, 234.9), CAMERA.distortion)
STRAIGHT = Lens(640, 480, (880.0, 876.0), (325.2, 234.9), (1e-4, 0, 0, 0, 0))
BOARD = Board("charuco", 7, 5, 12.0, 9.0)

FILE = """\
format: 1
camera: front
width_px: 640
height_px: 480
focal_px: [880, 876]
centre_px: [325.2, 234.9]
distortion: [-0.21, 0.12, 0.0011, -0.0008, 0]
gamma: 2.2
residual_px: 0.03
residual_mm: 0.01
"""


def a_set(folder: Path, cameras: str, camera_file: str | None = FILE) -> Path:
    frames = folder / "frames/000001"
    frames.mkdir(parents=True)
    placed = board_before(BOARD, (10, -14, 4), 125)
    gray = photograph(BOARD, placed, CAMERA, noise=1)
    (frames / "front.png").write_bytes(cv2.imencode(".png", gray)[1].tobytes())
    (folder / "set.yaml").write_text(f"cameras: {cameras}\n")
    if camera_file is not None:
        (folder / "front.camera.yaml").write_text(camera_file)
    return folder


def test_corners_lie_where_a_pinhole_sees_them(tmp_path):
    captured = open_set(a_set(tmp_path, "{front: {geometry: front.camera.yaml}}"))
    (frame,) = CapturedSource(captured, ["front"]).arrivals()
    assert isinstance(frame, Frame)
    assert not frame.pixels.flags.writeable
    (found,) = find_boards(BOARD, [Photograph("frame", frame.pixels)])
    assert isinstance(found, Sighting)
    straight = TrueCamera(640, 480, 880.0, 876.0, 325.2, 234.9, (0, 0, 0, 0, 0))
    truth = board_before(BOARD, (10, -14, 4), 125).pixels(straight, found.board_mm)
    bent = board_before(BOARD, (10, -14, 4), 125).pixels(CAMERA, found.board_mm)
    assert np.abs(bent - truth).max() > 3
    assert np.sqrt(np.mean(np.sum((found.pixels - truth) ** 2, axis=1))) < 0.1


def test_a_frame_of_another_size_is_unfit():
    arrival = LensCorrection(LENS)(Frame("front", 7, np.zeros((48, 64), np.uint8)))
    assert isinstance(arrival, FrameFailure)
    assert arrival.kind == "unfit"
    assert "64 x 48 px, but the camera was calibrated at 640 x 480" in arrival.why


def test_a_frame_that_the_lens_hardly_bends_is_left_alone():
    frame = Frame("front", 7, np.zeros((480, 640), np.uint8))
    assert LensCorrection(STRAIGHT)(frame) is frame


@pytest.mark.parametrize("bits", [12, 16])
@pytest.mark.parametrize("shape", [(480, 640), (480, 640, 3)])
def test_depth_and_colour_stay(shape, bits):
    highest = (1 << bits) - 1
    pixels = (np.random.default_rng(1).integers(0, 2, shape) * highest).astype(np.uint16)
    arrival = LensCorrection(LENS)(Frame("front", 7, pixels, bits))
    assert isinstance(arrival, Frame)
    assert arrival.pixels.shape == shape
    assert arrival.pixels.dtype == np.uint16
    assert arrival.pixels.max() == highest
    assert arrival.bits == bits


def test_the_hash_is_over_the_file_too(tmp_path):
    named = "{front: {geometry: front.camera.yaml}}"
    first = open_set(a_set(tmp_path / "a", named)).cameras
    same = open_set(a_set(tmp_path / "b", named)).cameras
    other = open_set(a_set(tmp_path / "c", named, FILE.replace("325.2", "325.3"))).cameras
    assert first.sha256 == same.sha256 != other.sha256
    without = open_set(a_set(tmp_path / "d", "{front: {gamma: 2.2}}")).cameras
    assert without.of("front").lens is None
    assert without.sha256 != first.sha256


def test_gamma_is_of_the_file_unless_the_set_says_its_own(tmp_path):
    named = open_set(a_set(tmp_path / "a", "{front: {geometry: front.camera.yaml}}")).cameras
    own = "{front: {geometry: front.camera.yaml, gamma: linear, mm_per_px: 0.1}}"
    said = open_set(a_set(tmp_path / "b", own)).cameras
    assert named.of("front").gamma == 2.2
    assert named.of("front").lens == LENS
    assert said.of("front").gamma == 1.0
    assert said.of("front").mm_per_px == 0.1


@pytest.mark.parametrize(
    ("cameras", "file", "what"),
    [
        ("{front: {geometry: none.yaml}}", FILE, r"set\.yaml:1:29(.*\n){3}.*no file `none\.yaml`"),
        ("{top: {geometry: front.camera.yaml}}", FILE, "of the camera `front`, not of `top`"),
        ("{front: {geometry: front.camera.yaml}}", "format: 1\n", "`focal_px` is missing here"),
        ("{front: {geometry: front.camera.yaml}}", "", "The file holds nothing"),
        ("{front: {geometry: ''}}", FILE, "The text is empty"),
    ],
)
def test_a_camera_file_that_cannot_be_used_is_named(tmp_path, cameras, file, what):
    with pytest.raises(ProblemsFound, match=what):
        open_set(a_set(tmp_path, cameras, file))
