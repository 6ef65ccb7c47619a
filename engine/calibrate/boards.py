"""Boards to calibrate by: a checkerboard, with or without markers in its white squares.

A board's own coordinates are in mm from the outer corner of its top left square: x to the right,
y down, z away from who looks at it. Its top left square is black.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.problems import Problem, ProblemsFound, quoted

Points: TypeAlias = NDArray[np.float64]
Kind: TypeAlias = Literal["charuco", "checker"]

FAMILIES: dict[str, Sequence[int]] = {
    "5x5": (cv2.aruco.DICT_5X5_100, cv2.aruco.DICT_5X5_1000),
    "4x4": (cv2.aruco.DICT_4X4_100, cv2.aruco.DICT_4X4_1000),
    "6x6": (cv2.aruco.DICT_6X6_100, cv2.aruco.DICT_6X6_1000),
    "7x7": (cv2.aruco.DICT_7X7_100, cv2.aruco.DICT_7X7_1000),
    "aruco": (cv2.aruco.DICT_ARUCO_ORIGINAL,),
    "apriltag": (cv2.aruco.DICT_APRILTAG_36H11,),
}
"""Families of markers, each with its dictionaries, small first; ours come first."""

PRINTED = "5x5"
"""The family on the boards that are printed here."""

MIN_CORNERS = 6
"""Inner corners that a board has, and that a picture must show of it [count]."""

_WORDS = re.compile(r"(charuco|checker):([0-9]{1,3})x([0-9]{1,3})")


@dataclass(frozen=True, slots=True)
class Board:
    """A flat board of black and white squares."""

    kind: Kind
    columns: int
    """Squares in a row [count]."""
    rows: int
    """Squares in a column [count]."""
    square_mm: float
    """Side of a square [mm]."""
    marker_mm: float = 0.0
    """Side of a marker; 0 for a board without [mm]."""

    @property
    def name(self) -> str:
        """The board as it is named in commands."""
        return f"{self.kind}:{self.columns}x{self.rows}"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the squares' area [mm]."""
        return self.columns * self.square_mm, self.rows * self.square_mm

    @property
    def markers(self) -> int:
        """How many markers it carries [count]."""
        return self.columns * self.rows // 2 if self.kind == "charuco" else 0

    @property
    def has_one_way_up(self) -> bool:
        """Whether it looks different when it is turned by half a turn."""
        return self.kind == "charuco" or (self.columns + self.rows) % 2 == 1

    def corners_mm(self) -> Points:
        """Give the inner corners, row by row, as (K, 3) places on the board [mm]."""
        y, x = np.mgrid[1 : self.rows, 1 : self.columns].astype(np.float64) * self.square_mm
        return np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])


def parse_board(text: str, square_mm: float | None, marker_mm: float | None) -> Board:
    """Read a board as it is named in commands.

    Parameters
    ----------
    text : str
        `charuco:COLUMNSxROWS` or `checker:COLUMNSxROWS`; squares are counted, not inner corners.
    square_mm, marker_mm : float or None
        Sides of squares and markers [mm].

    Raises
    ------
    ProblemsFound
        With everything that is wrong.

    Examples
    --------
    >>> parse_board("checker:9x6", 20, None).size_mm
    (180, 120)
    """
    problems: list[Problem] = []

    def wrong(option: str, what: str) -> None:
        problems.append(Problem(option, 0, 0, "", "option", what))

    found = _WORDS.fullmatch(text)
    columns, rows = (int(found[2]), int(found[3])) if found else (3, 4)
    if not found:
        wrong("--board", f"{quoted(text)} is not a board. A board is charuco:7x5 or checker:9x6, "
              "the numbers of squares across and down.")  # fmt: skip
    elif not (min(columns, rows) >= 3 and max(columns, rows) <= 60 and columns * rows >= 12):
        wrong("--board", f"{quoted(text)} has no use: 3 to 60 squares across and down are needed, "
              "12 or more in all.")  # fmt: skip
    has_markers = bool(found) and found[1] == "charuco"  # type: ignore[index]
    square = 0.0 if square_mm is None else square_mm
    if not 0.1 <= square <= 1000:
        wrong("--square-mm", "The side of a square is needed, 0.1 to 1000 mm.")
    elif has_markers and not (marker_mm and 0.3 * square <= marker_mm <= 0.95 * square):
        wrong("--marker-mm", "The side of a marker is needed, 0.3 to 0.95 of a square.")
    if not has_markers and found and marker_mm:
        wrong("--marker-mm", "A checker board has no markers.")
    if problems:
        raise ProblemsFound(problems)
    kind: Kind = "charuco" if has_markers else "checker"
    return Board(kind, columns, rows, square, float(marker_mm or 0) if has_markers else 0.0)


def marker_board(board: Board, family: str = PRINTED, *, old_order: bool = False) -> Any:
    """Give a board with markers as OpenCV has it.

    `old_order`: boards with an even number of rows that were made before OpenCV 4.6 begin with a
    marker at the top left.
    """
    codes = FAMILIES[family]
    chosen = next((c for c in codes if len(_dictionary(c).bytesList) >= board.markers), codes[-1])
    size = (board.columns, board.rows)
    made = cv2.aruco.CharucoBoard(size, board.square_mm, board.marker_mm, _dictionary(chosen))
    made.setLegacyPattern(old_order)
    return made


def black_cells(board: Board, family: str = PRINTED) -> list[tuple[float, float, float, float]]:
    """Give the black parts of a board as x, y, width, height [mm]; they do not overlap.

    Markers have a black edge one module wide around their own modules.
    """
    s = board.square_mm
    squares = [
        (c * s, r * s, s, s)
        for r in range(board.rows)
        for c in range(board.columns)
        if (r + c) % 2 == 0
    ]
    if board.kind == "checker":
        return squares
    made = marker_board(board, family)
    dictionary = made.getDictionary()
    modules = int(dictionary.markerSize) + 2
    m = board.marker_mm / modules
    for number, corners in zip(made.getIds().ravel(), made.getObjPoints(), strict=True):
        x, y = (float(v) for v in np.asarray(corners)[0, :2])
        picture = cv2.aruco.generateImageMarker(dictionary, int(number), modules, borderBits=1)
        for r, line in enumerate(np.asarray(picture) < 128):
            edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(int)))
            squares += [
                (x + a * m, y + r * m, (b - a) * m, m)
                for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
            ]
    return squares


def _dictionary(code: int) -> Any:
    return cv2.aruco.getPredefinedDictionary(code)
