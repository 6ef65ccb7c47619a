"""A camera file is read with every mistake named, and places go to pixels as OpenCV has them."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from engine.calibrate.camera_file import camera_text
from engine.frame import CameraGeometry, CameraPose, Lens
from engine.problems import ProblemsFound
from engine.station.geometry import (
    bend_px,
    carton_to_pixels,
    directions_to_pixels,
    load_camera,
    pixels_to_directions,
    pixels_to_plane,
)

LENS = Lens(960, 720, (1310.0, 1304.0), (487.3, 351.8), (-0.21, 0.12, 0.0011, -0.0008, 0.03))

FILE = """\
format: 1
camera: front
width_px: 960
height_px: 720
focal_px: [1310, 1304.5]
centre_px: [487.25, 351.75]
distortion: [-0.21, 0.12, 0.001, -0.001, 0]
gamma: srgb
residual_px: 0.035
residual_mm: 0.006
pose:
  position_mm: [10.5, 15.25, -138]
  axes: [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
  tilt_deg: 0.5
  boards_at: [[20, 15, 0, 0, 0, 0]]
board: charuco:7x5
square_mm: 12
marker_mm: 9
made: 2026-11-25
images: [a.png, "b: c.png"]
"""


def camera(turns: tuple[float, float, float], away: float) -> tuple[CameraGeometry, np.ndarray]:
    """A camera that looks at the carton from a distance; also its axes."""
    axes = Rotation.from_euler("xyz", turns, degrees=True).as_matrix()
    position = np.array([60.0, 40, 0]) - axes[2] * away
    x, y, z = (tuple(row) for row in axes.tolist())
    pose = CameraPose(tuple(position.tolist()), (x, y, z))
    return CameraGeometry(lens=LENS, pose=pose), axes


TURNS = st.tuples(st.floats(-40, 40), st.floats(-40, 40), st.floats(-180, 180))


@given(turns=TURNS, away=st.floats(250, 900), seed=st.integers(0, 99))
def test_places_fall_on_the_pixels_of_opencv(turns, away, seed):
    """Against `cv2.projectPoints`, an independent implementation of the same model."""
    geometry, axes = camera(turns, away)
    assert geometry.pose is not None
    places = np.random.default_rng(seed).uniform([0, 0, -10], [120, 80, 60], (20, 3))
    turn = Rotation.from_matrix(axes).as_rotvec()  # cv2.Rodrigues loses turns of 1e-5 degrees
    shift = -axes @ np.array(geometry.pose.position_mm)
    matrix = np.array([[1310, 0, 487.3], [0, 1304, 351.8], [0, 0, 1.0]])
    for corrected, bent in ((False, np.array(LENS.distortion)), (True, np.zeros(5))):
        truth, _ = cv2.projectPoints(places, turn, shift, matrix, bent)
        seen = carton_to_pixels(geometry, places, corrected=corrected)
        np.testing.assert_allclose(seen, truth.reshape(-1, 2), atol=1e-6)


@given(turns=TURNS, away=st.floats(250, 900), corrected=st.booleans())
def test_a_place_on_the_panel_comes_back_from_its_pixel(turns, away, corrected):
    geometry, _ = camera(turns, away)
    places = np.array([[0, 0, 0], [120, 0, 0], [120, 80, 0], [0, 80, 0], [61.5, 38.25, 0]])
    pixels = carton_to_pixels(geometry, places, corrected=corrected)
    back = pixels_to_plane(geometry, pixels, corrected=corrected)
    np.testing.assert_allclose(back, places, atol=1e-6)


def test_the_distortion_is_inverted_all_over_the_frame():
    pixels = np.stack(np.meshgrid(np.linspace(0, 959, 30), np.linspace(0, 719, 20)), -1).reshape(
        -1, 2
    )
    back = directions_to_pixels(LENS, pixels_to_directions(LENS, pixels))
    np.testing.assert_allclose(back, pixels, atol=1e-8)


def test_what_a_camera_cannot_see_is_not_a_number():
    geometry, _ = camera((0, 0, 0), 300)
    assert np.isnan(carton_to_pixels(geometry, [[60, 40, -301]])).all()
    sideways = pixels_to_plane(geometry, [[480.0, 350.0]], (0, 0, 0), (0, 0, 0))
    assert np.isnan(sideways).all()
    assert np.isnan(pixels_to_plane(geometry, [[480.0, 350.0]], (0, 0, -400))).all()


def test_a_camera_without_a_place_says_what_it_needs():
    with pytest.raises(ValueError, match="it needs a lens and a pose"):
        carton_to_pixels(CameraGeometry(lens=LENS), [[0, 0, 0]])


def test_the_bend_is_that_of_the_corner_that_moves_most():
    """A quarter of the frame off the centre, k1 = 0.1: r2 = 0.5, so it moves by 0.05 of 500 px."""
    lens = Lens(1001, 1001, (1000.0, 1000.0), (500.0, 500.0), (0.1, 0, 0, 0, 0))
    assert bend_px(lens) == pytest.approx(0.1 * 0.5 * np.hypot(500, 500))


def test_a_camera_file_is_read_and_written_without_loss(tmp_path):
    file = tmp_path / "front.camera.yaml"
    file.write_text(FILE)
    first = load_camera(file)
    assert first.camera == "front"
    assert first.geometry.lens == Lens(
        960, 720, (1310.0, 1304.5), (487.25, 351.75), (-0.21, 0.12, 0.001, -0.001, 0.0)
    )
    assert first.shape.images == ("a.png", "b: c.png")
    file.write_text(camera_text(first.shape))
    assert load_camera(file) == first


@pytest.mark.parametrize(
    ("old", "new", "place", "what"),
    [
        ("format: 1", "format: 2", "1:9", "2 is above the largest allowed value, 1"),
        ("focal_px: [1310, 1304.5]", "focal_px: [1310]", "5:11", "it needs more"),
        ("focal_px: [1310, 1304.5]", "focal_px: [0, 9]", "5:12", "a number above 0 is needed"),
        ("focal_px: [1310, 1304.5]", "focal_px: [.inf, 9]", "5:12", "finite"),
        ("gamma: srgb", "gamma: 99", "8:8", "`gamma` is `srgb`, `linear` or a number"),
        ("gamma: srgb", "gama: srgb", "8:1", "Did you mean `gamma`?"),
        ("[0, 0, 1]]", "[0, 0, 2]]", "13:9", "Three directions of length 1"),
        ("[0, 0, 1]]", "[0, 0, -1]]", "13:9", "right-handed"),
        ("width_px: 960", "width_px: 3", "3:11", "3 is below the smallest allowed value, 16"),
        ("centre_px: [487.25, 351.75]\n", "", "1:1", "`centre_px` is missing here"),
    ],
)
def test_a_mistake_in_a_camera_file_is_shown_at_its_place(tmp_path, old, new, place, what):
    file = tmp_path / "front.camera.yaml"
    assert old in FILE
    file.write_text(FILE.replace(old, new, 1))
    with pytest.raises(ProblemsFound) as found:
        load_camera(file)
    said = str(found.value)
    assert f"front.camera.yaml:{place} " in said
    assert what in said


def test_all_mistakes_are_shown_at_once(tmp_path):
    file = tmp_path / "front.camera.yaml"
    file.write_text(
        FILE.replace("camera: front", "camera: ''").replace("made: 2026-11-25", "made: soon")
    )
    with pytest.raises(ProblemsFound, match="text is empty") as found:
        load_camera(file)
    assert len(found.value.problems) == 2


@pytest.mark.parametrize("text", ["", "# nothing\n"])
def test_an_empty_camera_file_is_said(tmp_path, text):
    (tmp_path / "a.camera.yaml").write_text(text)
    with pytest.raises(ProblemsFound, match="The file holds nothing"):
        load_camera(tmp_path / "a.camera.yaml")
