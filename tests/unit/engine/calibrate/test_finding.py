"""Corners are found where they are, and another board is not taken for the one that was named."""

import re
from functools import lru_cache

import cv2
import numpy as np
import pytest

from engine.calibrate.boards import Board
from engine.calibrate.finding import Photograph, Sighting, Unseen, find_boards
from tests.generators.boards import TrueCamera, board_before, photograph

CAMERA = TrueCamera(640, 480, 900.0, 896.0, 322.4, 236.1)
CHARUCO = Board("charuco", 7, 5, 12.0, 9.0)
CHECKER = Board("checker", 7, 6, 12.0)
TILTED = (18.0, -24.0, 8.0)


@lru_cache(maxsize=16)
def seen(board: Board, turn=TILTED, family="5x5") -> np.ndarray:
    return photograph(board, board_before(board, turn, 170), CAMERA, family=family)


def find(board: Board, gray: np.ndarray) -> Sighting | Unseen:
    return find_boards(board, [Photograph("shot.png", gray)])[0]


@pytest.mark.parametrize("family", ["4x4", "5x5", "6x6", "aruco", "apriltag"])
def test_corners_are_found_whatever_the_family_of_markers(family):
    found = find(CHARUCO, seen(CHARUCO, family=family))
    assert isinstance(found, Sighting), found
    truth = board_before(CHARUCO, TILTED, 170).pixels(CAMERA, found.board_mm)
    off = np.linalg.norm(found.pixels - truth, axis=1)
    assert len(off) == 24
    assert np.sqrt(np.mean(off**2)) <= 0.1


@pytest.mark.parametrize("turn", [0.0, 80.0, 180.0, 260.0])
@pytest.mark.parametrize("board", [CHARUCO, CHECKER], ids=lambda b: b.kind)
def test_a_board_is_found_the_right_way_up(board, turn):
    tilt = (10.0, -12.0, turn)
    found = find(board, seen(board, tilt))
    assert isinstance(found, Sighting), found
    truth = board_before(board, tilt, 170).pixels(CAMERA, found.board_mm)
    assert np.abs(found.pixels - truth).max() < 0.3


def test_a_board_with_markers_may_be_partly_hidden():
    gray = seen(CHARUCO).copy()
    gray[:, :280] = 90
    found = find(CHARUCO, gray)
    assert isinstance(found, Sighting), found
    assert 6 <= len(found.pixels) < 20
    truth = board_before(CHARUCO, TILTED, 170).pixels(CAMERA, found.board_mm)
    assert np.abs(found.pixels - truth).max() < 0.3


def test_a_board_made_before_the_order_changed_is_found():
    """OpenCV up to 4.5 began boards of an even number of rows with a marker."""
    board = Board("charuco", 6, 4, 12.0, 9.0)
    made = cv2.aruco.CharucoBoard(
        (6, 4), 12.0, 9.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    )
    made.setLegacyPattern(True)
    gray = np.asarray(made.generateImage((600, 400), marginSize=40), np.uint8)
    found = find(board, gray)
    assert isinstance(found, Sighting), found
    assert len(found.pixels) == 15


@pytest.mark.parametrize(
    ("named", "shown", "what"),
    [
        (Board("charuco", 5, 4, 12.0, 9.0), CHARUCO, "markers 0 to 9, but 16 is seen"),
        (Board("charuco", 9, 6, 12.0, 9.0), CHARUCO, "do not lie as on charuco:9x6"),
        (Board("charuco", 5, 7, 12.0, 9.0), CHARUCO, "do not lie as on charuco:5x7"),
        (Board("charuco", 7, 5, 12.0, 6.0), CHARUCO, "markers are 0.7. of a square, but 6 of 12"),
        (Board("charuco", 7, 6, 12.0, 9.0), CHECKER, "carries no markers. Name it checker:7x6"),
        (Board("checker", 7, 5, 12.0), CHARUCO, "carries markers"),
        (Board("checker", 6, 5, 12.0), CHECKER, "squares are seen, not 6 x 5"),
        (Board("checker", 8, 7, 12.0), CHECKER, "No board of 8 x 7 squares is seen"),
    ],
    ids=lambda v: v.name if isinstance(v, Board) else None,
)
def test_another_board_is_named_as_such(named, shown, what):
    found = find(named, seen(shown))
    assert isinstance(found, Unseen), len(found.pixels)
    assert found.code == ("no-board" if "No board" in what else "wrong-board")
    assert re.search(what, found.why), found.why


@pytest.mark.parametrize("board", [CHARUCO, CHECKER], ids=lambda b: b.kind)
@pytest.mark.parametrize("kind", ["flat", "noise", "tiny", "line"])
def test_no_board_is_said_and_never_raised(board, kind):
    gray = {
        "flat": np.full((300, 400), 128, np.uint8),
        "noise": np.random.default_rng(3).integers(0, 256, (300, 400)).astype(np.uint8),
        "tiny": np.full((5, 7), 90, np.uint8),
        "line": np.full((1, 400), 90, np.uint8),
    }[kind]
    found = find(board, gray)
    assert isinstance(found, Unseen)
    assert found.code == "no-board"
