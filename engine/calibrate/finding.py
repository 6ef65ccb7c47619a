"""The corners of a board in photographs, or why a photograph does not show the board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.calibrate.boards import FAMILIES, MIN_CORNERS, Board, Points, marker_board

Gray = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Photograph:
    """One picture, as grey values."""

    name: str
    gray: Gray


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """The corners of a board that one picture shows."""

    name: str
    board_mm: Points
    """(K, 3) places on the board [mm]."""
    pixels: Points
    """(K, 2) where they are seen [px]."""


@dataclass(frozen=True, slots=True)
class Unseen:
    """Why a picture cannot be used."""

    name: str
    code: str
    """`no-board` or `wrong-board`."""
    why: str


def find_boards(board: Board, photographs: Sequence[Photograph]) -> list[Sighting | Unseen]:
    """Find one board in each picture.

    Parameters
    ----------
    board : Board
        The board that all of them show. The family of its markers is found out.
    photographs : sequence of Photograph
        (R, C) uint8 each.

    Returns
    -------
    list of Sighting or Unseen
        One for each picture. A board with markers may be partly hidden; a plain one may not.

    Notes
    -----
    A corner is refined where the grey-level gradients around it are square to the lines to it
    (`cv2.cornerSubPix`), over a window that stays clear of the markers.
    """
    if board.kind == "checker":
        return [_find_checker(board, photograph) for photograph in photographs]
    best: list[Sighting | Unseen] = []
    most = -1
    for family in FAMILIES:
        for old_order in (False, True) if board.rows % 2 == 0 else (False,):
            detector = _detector(marker_board(board, family, old_order=old_order))
            found = [_find_markers(board, detector, p) for p in photographs]
            score = sum(isinstance(r, Unseen) and r.code == "wrong-board" for r in found)
            if score > most:
                best, most = found, score
            if any(isinstance(result, Sighting) for result in found):
                return found  # all photographs are of one board, so its family is known
    if all(isinstance(r, Unseen) and r.code == "no-board" for r in best):
        best = [_hinted(board, r, p) for r, p in zip(best, photographs, strict=True)]
    return best


def _detector(made: Any) -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return cv2.aruco.CharucoDetector(made, cv2.aruco.CharucoParameters(), parameters)


def _find_markers(board: Board, detector: Any, photograph: Photograph) -> Sighting | Unseen:
    name = photograph.name
    corners, ids, marker_corners, marker_ids = detector.detectBoard(photograph.gray)
    count = 0 if marker_ids is None else len(marker_ids)
    if marker_ids is None or count < 3:
        return Unseen(name, "no-board", f"No board is found: {count} of its markers are seen.")
    outlines = np.array([np.asarray(c).reshape(4, 2) for c in marker_corners], np.float64)
    wrong = _wrong_markers(board, detector.getBoard(), np.ravel(marker_ids), outlines)
    if wrong is not None:
        return Unseen(name, "wrong-board", wrong)
    held = 0 if ids is None else len(ids)
    if ids is None or held < MIN_CORNERS:
        return Unseen(
            name, "no-board",
            f"The board is seen too badly: {held} of its {len(board.corners_mm())} inner corners "
            f"({MIN_CORNERS} are needed) and {count} of {board.markers} markers.",
        )  # fmt: skip
    places = board.corners_mm()[np.ravel(ids)]
    pixels = np.asarray(corners, np.float64).reshape(-1, 2)
    if np.linalg.matrix_rank(places[:, :2] - places[:, :2].mean(axis=0)) < 2:
        return Unseen(name, "no-board", "Only one row of the board is seen.")
    clear = (board.square_mm - board.marker_mm) / 2 / board.square_mm
    return _refined(photograph, places, pixels, board.square_mm, clear)


def _wrong_markers(
    board: Board, made: Any, ids: NDArray[Any], outlines: NDArray[np.float64]
) -> str | None:
    """Say how the markers differ from those of the board, or give None."""
    beyond = sorted(int(i) for i in ids if i >= board.markers)
    if len(beyond) >= max(2, len(ids) // 10):
        return (
            f"This is another board: {board.name} carries the markers 0 to {board.markers - 1}, "
            f"but {beyond[-1]} is seen."
        )
    known = ids < board.markers
    ids, outlines = ids[known], outlines[known]
    if len(ids) < 4:
        return None
    middles = np.array([np.asarray(o)[:, :2].mean(axis=0) for o in made.getObjPoints()])[ids]
    near = 0.3 * board.square_mm
    matrix, fits = cv2.findHomography(outlines.mean(axis=1), middles, cv2.RANSAC, near)
    share = 0.0 if matrix is None or fits is None else float(np.mean(fits))
    if share < 0.7:
        return (
            f"This is another board: its markers do not lie as on {board.name}. Squares are "
            "counted across and down, not inner corners."
        )
    flat = cv2.perspectiveTransform(outlines.reshape(-1, 1, 2), matrix).reshape(-1, 4, 2)
    sides = np.linalg.norm(flat - np.roll(flat, 1, axis=1), axis=2)
    side = float(np.median(sides[np.ravel(fits) > 0]))
    if abs(side / board.marker_mm - 1) > 0.08:
        return (
            f"This is another board: its markers are {side / board.square_mm:.2f} of a square, "
            f"but {board.marker_mm:g} of {board.square_mm:g} mm are "
            f"{board.marker_mm / board.square_mm:.2f}."
        )
    return None


def _refined(
    photograph: Photograph, places: Points, pixels: Points, square_mm: float, clear: float
) -> Sighting:
    """Refine corners within `clear` of a square, as seen in the picture."""
    gaps = np.linalg.norm(places[:, None] - places[None], axis=2)
    sides = np.linalg.norm(pixels[:, None] - pixels[None], axis=2)
    near = np.isclose(gaps, square_mm)
    side_px = float(np.min(sides[near])) if near.any() else 20.0
    half = int(np.clip(0.75 * clear * side_px, 2, 15))
    end = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 0.001)
    start = pixels.astype(np.float32).reshape(-1, 1, 2).copy()
    found = cv2.cornerSubPix(photograph.gray, start, (half, half), (-1, -1), end)
    refined = np.asarray(found, np.float64).reshape(-1, 2)
    moved = np.linalg.norm(refined - pixels, axis=1)
    return Sighting(photograph.name, places, np.where((moved < half)[:, None], refined, pixels))


def _find_checker(board: Board, photograph: Photograph) -> Sighting | Unseen:
    name, inner = photograph.name, (board.columns - 1, board.rows - 1)
    found = _checker_corners(photograph.gray, inner)
    if found is None:
        other = (inner[0] + 1, inner[1] + 1)
        if _checker_corners(photograph.gray, other) is not None:
            return Unseen(name, "wrong-board", _other_checker(board, other))
        if _markers_seen(photograph.gray):
            why = "This is another board: it carries markers. Name it charuco:COLUMNSxROWS."
            return Unseen(name, "wrong-board", why)
        why = f"No board of {board.columns} x {board.rows} squares is seen as a whole."
        return Unseen(name, "no-board", why)
    pixels, shape = found
    if shape == (inner[1], inner[0]) != inner:
        pixels = pixels.reshape(shape[1], shape[0], 2).transpose(1, 0, 2).reshape(-1, 2)
    elif shape != inner:
        return Unseen(name, "wrong-board", _other_checker(board, shape))
    places = board.corners_mm()
    pixels = _upright(board, photograph.gray, pixels)
    return _refined(photograph, places, pixels, board.square_mm, 0.5)


def _other_checker(board: Board, inner: tuple[int, int]) -> str:
    return (
        f"This is another board: {inner[0] + 1} x {inner[1] + 1} squares are seen, "
        f"not {board.columns} x {board.rows}. Squares are counted, not inner corners."
    )


def _checker_corners(gray: Gray, inner: tuple[int, int]) -> tuple[Points, tuple[int, int]] | None:
    if min(inner) < 2:
        return None
    flags = cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY | cv2.CALIB_CB_LARGER
    try:
        seen, corners, meta = cv2.findChessboardCornersSBWithMeta(gray, inner, flags)
    except cv2.error:
        return None
    if not seen or corners is None:
        return None
    rows, columns = np.asarray(meta).shape[:2]
    pixels = np.asarray(corners, np.float64).reshape(-1, 2)
    return pixels, ((columns, rows) if rows * columns == len(pixels) else inner)


def _upright(board: Board, gray: Gray, pixels: Points) -> Points:
    """Order the corners so that x runs right and y down as seen, from a black square if it can."""
    rows, columns = board.rows - 1, board.columns - 1
    grid = pixels.reshape(rows, columns, 2)
    across, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if across[0] * down[1] - across[1] * down[0] < 0:
        grid = grid[:, ::-1]
    if _first_is_white(board, gray, grid.reshape(-1, 2)):
        grid = grid[::-1, ::-1]
    return grid.reshape(-1, 2)


def _first_is_white(board: Board, gray: Gray, pixels: Points) -> bool:
    """Whether the squares that should be black are brighter than the others."""
    s = board.square_mm
    matrix, _ = cv2.findHomography(board.corners_mm()[:, :2], pixels)
    rows, columns = np.mgrid[1 : board.rows - 1, 1 : board.columns - 1]
    middles = np.column_stack([columns.ravel(), rows.ravel()]).astype(np.float64) * s + s / 2
    seen = cv2.perspectiveTransform(middles[:, None], matrix).reshape(-1, 2)
    x = np.clip(np.rint(seen[:, 0]), 0, gray.shape[1] - 1).astype(int)
    y = np.clip(np.rint(seen[:, 1]), 0, gray.shape[0] - 1).astype(int)
    values = gray[y, x].astype(np.float64)
    is_black = (rows + columns).ravel() % 2 == 0
    if is_black.all() or not is_black.any():
        return False
    return bool(values[is_black].mean() > values[~is_black].mean())


def _markers_seen(gray: Gray) -> bool:
    for codes in FAMILIES.values():
        dictionary = cv2.aruco.getPredefinedDictionary(codes[0])
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(gray)
        if ids is not None and len(ids) >= 4:
            return True
    return False


def _hinted(board: Board, unseen: Sighting | Unseen, photograph: Photograph) -> Sighting | Unseen:
    """Where no marker is seen: look for a plain board of the same size."""
    inner = (board.columns - 1, board.rows - 1)
    if _checker_corners(photograph.gray, inner) is None:
        return unseen
    why = f"This is another board: it carries no markers. Name it checker:{board.name[8:]}."
    return Unseen(photograph.name, "wrong-board", why)
