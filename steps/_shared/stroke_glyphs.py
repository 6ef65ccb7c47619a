"""Plain characters of strokes: stand-ins where the looks of ordinary print are not known."""

from __future__ import annotations

import math
import string

import cv2
import numpy as np

from steps._shared.glyphs import GlyphSet, Ink

CHARACTERS = string.digits + string.ascii_letters + "/.,:-+()&%*#="
"""Every character there is a stand-in for."""
_FINE = 3.0
_FACE = cv2.FONT_HERSHEY_SIMPLEX
_GAP = 0.2


def stroke_glyphs(height: float, mm_per_px: float, *, stem: float = 0.14) -> GlyphSet:
    """Draw plain sans-serif characters, each as wide as it is.

    They are near enough to find a line of ordinary print by, and to tell digits apart that were
    not seen yet; they are no reference for the looks of a coder's print.

    Parameters
    ----------
    height : float
        Height of a capital [px].
    mm_per_px : float
        Scale of the pixels [mm/px].
    stem : float
        Width of a stroke over the height [fraction].

    Returns
    -------
    GlyphSet
        Digits share one width; `origin` is `drawn`.

    Examples
    --------
    >>> stroke_glyphs(18.0, 0.1).characters[:3]
    ('0', '1', '2')
    """
    size = _face_size(height * _FINE, stem)
    boards, widths = zip(*(_drawn(c, height, size, stem) for c in CHARACTERS), strict=True)
    shape = (math.ceil(height * 1.34), math.ceil(max(widths) + 0.3 * height))
    ink = np.stack([_fitted(board, shape) for board in boards])
    wide = np.array(widths)
    digits = np.array([c.isdigit() for c in CHARACTERS])
    wide[digits] = wide[digits].max()
    half = wide / 2 + _GAP * height / 2
    return GlyphSet(
        tuple(CHARACTERS),
        ink,
        half,
        half.copy(),
        0.45 * height,
        height,
        mm_per_px,
        ("drawn",) * len(CHARACTERS),
    )


def _face_size(tall: float, stem: float) -> float:
    """Give the size at which a capital is `tall` pixels high."""
    board = np.zeros((math.ceil(tall * 3), math.ceil(tall * 3)), np.uint8)
    size = tall / max(1, cv2.getTextSize("H", _FACE, 1.0, 1)[0][1])
    thick = max(1, round(tall * stem))
    cv2.putText(board, "H", (0, math.ceil(tall * 2)), _FACE, size, 255, thick, cv2.LINE_AA)
    return size * tall / max(1, int((board.max(axis=1) > 127).sum()))


def _drawn(character: str, height: float, size: float, stem: float) -> tuple[Ink, float]:
    """Draw one character, its ink in the middle across, the capitals' middle in the middle down.

    Returns the picture, three times as fine, and the width of the ink [px].
    """
    tall = height * _FINE
    thick = max(1, round(tall * stem))
    side = math.ceil(tall * 3)
    board = np.zeros((side, side), np.uint8)
    base = math.ceil(side / 2 + tall / 2)
    cv2.putText(board, character, (side // 3, base), _FACE, size, 255, thick, cv2.LINE_AA)
    columns = np.flatnonzero(board.max(axis=0) > 127)
    if len(columns) == 0:
        return np.zeros((side, side), np.float32), height / 2
    shift = (side - 1) / 2 - (columns[0] + columns[-1]) / 2
    moved = cv2.warpAffine(board, np.array([[1, 0, shift], [0, 1, 0.0]]), (side, side))
    return np.asarray(moved, np.float32) / np.float32(255), float(
        columns[-1] - columns[0] + 1
    ) / _FINE


def _fitted(board: Ink, size: tuple[int, int]) -> Ink:
    """Reduce a fine picture about its middle to (rows, columns)."""
    soft = cv2.GaussianBlur(board, (0, 0), _FINE * 0.5)
    middle = (len(board) - 1) / 2
    shift = [middle - (n - 1) / 2 * _FINE for n in (size[1], size[0])]
    matrix = np.array([[_FINE, 0, shift[0]], [0, _FINE, shift[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(soft, matrix, (size[1], size[0]), flags=flags), np.float32)
