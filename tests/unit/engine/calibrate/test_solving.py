"""A known lens is told from photographs, and a camera's place from boards on a carton.

Floors: 0.1 px and 0.1 %. Truth is the generator's; where it puts places in pictures is OpenCV's
`projectPoints`, and lengths are compared by numpy's `lstsq`.
"""

from functools import lru_cache

import numpy as np
import pytest

from engine.calibrate.boards import Board
from engine.calibrate.finding import Photograph, Sighting, find_boards
from engine.calibrate.places import Placing, parse_place, placing_of
from engine.calibrate.solving import Solution, place_camera, solve_lens
from engine.frame import CameraGeometry
from engine.problems import ProblemsFound
from engine.station.geometry import bend_px, carton_to_pixels, pixels_to_plane
from tests.generators.boards import Placed, TrueCamera, board_before, photograph, poses

CHARUCO = Board("charuco", 7, 5, 12.0, 9.0)
CHECKER = Board("checker", 9, 6, 12.0)
BARREL = TrueCamera(640, 480, 872.0, 868.0, 325.1, 234.6, (-0.21, 0.12, 0.0011, -0.0008, 0.0))
CUSHION = TrueCamera(640, 480, 720.0, 722.4, 312.8, 243.2, (0.15, -0.08, -0.0012, 0.0015, 0.05))
STRAIGHT = TrueCamera(640, 480, 1680.0, 1680.0, 319.5, 239.5, (0.0, 0.0, 0.0, 0.0, 0.0))
CAMERAS = {"barrel": BARREL, "cushion": CUSHION, "straight": STRAIGHT}

CARTON = Placed(board_before(CHARUCO, (9, -14, 4), 0).rotation, np.array([-62.0, -45.0, 172.0]))
"""The carton before the front camera."""


@lru_cache(maxsize=8)
def sightings(board: Board, camera: TrueCamera, count: int = 9) -> tuple[Sighting, ...]:
    shots = [
        Photograph(f"{i}.png", photograph(board, placed, camera, seed=i))
        for i, placed in enumerate(poses(board, camera, count, seed=4))
    ]
    found = find_boards(board, shots)
    assert all(isinstance(one, Sighting) for one in found)
    return tuple(one for one in found if isinstance(one, Sighting))


@lru_cache(maxsize=8)
def solved(board: Board, camera: TrueCamera) -> Solution:
    return solve_lens(sightings(board, camera), (camera.width, camera.height))


def on_carton(
    board: Board, camera: TrueCamera, carton: Placed, place: str
) -> tuple[Sighting, Placing]:
    """Photograph a board at a place of the carton."""
    placing = placing_of(parse_place(place))
    placed = carton.after(Placed(placing.rotation, placing.shift_mm))
    (found,) = find_boards(board, [Photograph(place, photograph(board, placed, camera, seed=77))])
    assert isinstance(found, Sighting), found
    return found, placing


@pytest.mark.parametrize("board", [CHARUCO, CHECKER], ids=lambda b: b.kind)
@pytest.mark.parametrize("name", CAMERAS)
def test_a_known_lens_is_told_to_a_tenth_of_a_pixel(board, name):
    camera, solution = CAMERAS[name], solved(board, CAMERAS[name])
    lens = solution.lens
    assert solution.residual_px <= 0.1
    for seen in solution.seen:
        assert seen.residual_px <= 0.1
    for placed in poses(board, camera, 6, seed=91):  # held back, and exact
        places = board.corners_mm()
        exact = Sighting("held back", places, placed.pixels(camera, places))
        here = Placing(np.eye(3), np.zeros(3))
        assert place_camera(lens, [(exact, here)]).residual_px <= 0.1
    assert abs(lens.focal_px[0] / camera.fx - 1) < 0.002
    assert abs(lens.focal_px[1] / camera.fy - 1) < 0.002


@pytest.mark.parametrize("board", [CHARUCO, CHECKER], ids=lambda b: b.kind)
@pytest.mark.parametrize("name", ["barrel", "cushion"])
def test_millimetres_on_the_panel_are_right_to_a_thousandth(board, name):
    camera = CAMERAS[name]
    solution = solved(board, camera)
    placed = place_camera(solution.lens, [on_carton(board, camera, CARTON, "20,15,0")])
    geometry = CameraGeometry(lens=solution.lens, pose=placed.pose)
    x, y = np.meshgrid(np.linspace(5, 115, 12), np.linspace(5, 85, 9))
    panel = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    found = pixels_to_plane(geometry, CARTON.pixels(camera, panel), corrected=False)
    design = np.column_stack([panel[:, :2], np.ones(len(panel))])
    fit, *_ = np.linalg.lstsq(design, found[:, :2], rcond=None)
    stretch = np.linalg.svd(fit[:2], compute_uv=False)
    np.testing.assert_allclose(stretch, 1, atol=0.001)
    assert np.abs(found - panel).max() <= 0.001 * np.hypot(110, 80)


def test_two_cameras_share_the_coordinates_of_the_carton():
    """A corner of the carton is one place, seen from the front and from above."""
    lid_above = Placed(
        np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]), np.zeros(3)
    )  # carton before a camera that looks down: its x stays, its z runs up in the picture
    off = board_before(CHECKER, (6, 8, -5), 0).rotation
    above = Placed(off @ lid_above.rotation, np.array([-55.0, 25.0, 190.0]))
    seen = {
        "front": (BARREL, CARTON, CHARUCO, ["20,15,0", "10,8,0,0,0,10"]),
        "top": (CUSHION, above, CHECKER, ["8,0,66,-90,0,0", "0,0,72,-90,0,0"]),
    }
    places = np.array([[0, 0, 0], [110, 0, 0], [60, 0, 5], [30, 0, 0], [55, 10, 3.0]])
    for camera, carton, board, at in seen.values():
        lens = solved(board, camera).lens
        placed = place_camera(lens, [on_carton(board, camera, carton, place) for place in at])
        assert placed.residual_px <= 0.1
        geometry = CameraGeometry(lens=lens, pose=placed.pose)
        truth = carton.pixels(camera, places)
        seen_at = carton_to_pixels(geometry, places, corrected=False)
        assert np.abs(seen_at - truth).max() <= 0.5
        np.testing.assert_allclose(
            placed.pose.position_mm, -carton.rotation.T @ carton.shift, atol=0.5
        )


def test_terms_that_the_photographs_do_not_support_are_not_made_up():
    solution = solved(CHARUCO, STRAIGHT)
    assert bend_px(solution.lens) < 0.5
    assert solution.terms <= 1


def test_a_corner_far_from_all_others_is_left_out():
    found = list(sightings(CHARUCO, BARREL))
    wrong = found[2].pixels.copy()
    wrong[7] += [3.0, -2.0]
    found[2] = Sighting(found[2].name, found[2].board_mm, wrong)
    solution = solve_lens(found, (640, 480))
    assert solution.left_out == 1
    assert solution.lens.focal_px == pytest.approx(solved(CHARUCO, BARREL).lens.focal_px, rel=5e-4)


def test_too_few_photographs_are_said():
    with pytest.raises(ProblemsFound, match="4 usable images; at least 5 are needed"):
        solve_lens(sightings(CHARUCO, BARREL)[:4], (640, 480))


def shifted(seed: int, turn: float = 0.0, spread: float = 0.0) -> Sighting:
    """A board square to the camera, with noise of a twentieth of a pixel."""
    rng = np.random.default_rng(seed)
    off = tuple(rng.uniform(-spread, spread, 2))
    tilt = (*rng.uniform(-turn, turn, 2), 0.0)
    pixels = board_before(CHARUCO, tilt, 200, (off[0], off[1])).pixels(BARREL, CHARUCO.corners_mm())
    return Sighting(f"{seed}.png", CHARUCO.corners_mm(), pixels + rng.normal(0, 0.05, pixels.shape))


@pytest.mark.parametrize(
    ("turn", "spread", "what"),
    [
        (0.0, 0.0, "All images show the board in the same pose"),
        (0.5, 20.0, r"tilted by no more than \d+ degrees"),
        (3.0, 10.0, "tilted by no more than|tell the focal length only to"),
    ],
    ids=["one pose", "only shifted", "hardly tilted"],
)
def test_poses_that_tell_no_lens_are_said(turn, spread, what):
    with pytest.raises(ProblemsFound, match=what) as found:
        solve_lens([shifted(seed, turn, spread) for seed in range(8)], (640, 480))
    assert found.value.problems[0].code == "same-pose"


def test_boards_that_do_not_lie_where_it_is_said_are_named():
    lens = solved(CHARUCO, BARREL).lens
    first, placing = on_carton(CHARUCO, BARREL, CARTON, "20,15,0")
    second, _ = on_carton(CHARUCO, BARREL, CARTON, "10,8,0,0,0,10")
    with pytest.raises(ProblemsFound, match="do not fit one place of the camera") as found:
        place_camera(lens, [(first, placing), (second, placing)])
    assert found.value.problems[0].code == "board-places"
