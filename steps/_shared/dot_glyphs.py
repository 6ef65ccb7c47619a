"""Characters of 5 by 7 dots, as most ink-jet coders print them, and how they look on an image."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ROWS, COLUMNS = 7, 5
PITCH = 6
"""Dots from one character to the next [count]."""

# Rows from the top, one number a row, the leftmost dot is 16. Drawn for this table; a character
# that coders print in more than one way has more than one entry.
_TABLE: dict[str, tuple[tuple[int, ...], ...]] = {
    "0": ((14, 17, 19, 21, 25, 17, 14), (14, 17, 17, 17, 17, 17, 14)),
    "1": ((4, 12, 4, 4, 4, 4, 14), (4, 12, 20, 4, 4, 4, 4), (4, 12, 4, 4, 4, 4, 4)),
    "2": ((14, 17, 1, 2, 4, 8, 31), (14, 17, 1, 14, 16, 16, 31)),
    "3": ((14, 17, 1, 6, 1, 17, 14), (31, 2, 4, 2, 1, 17, 14)),
    "4": ((2, 6, 10, 18, 31, 2, 2), (17, 17, 17, 31, 1, 1, 1)),
    "5": ((31, 16, 30, 1, 1, 17, 14), (31, 16, 16, 30, 1, 17, 14)),
    "6": ((6, 8, 16, 30, 17, 17, 14), (14, 17, 16, 30, 17, 17, 14)),
    "7": ((31, 1, 2, 4, 8, 8, 8), (31, 1, 2, 4, 4, 4, 4), (31, 1, 1, 2, 4, 4, 4)),
    "8": ((14, 17, 17, 14, 17, 17, 14),),
    "9": ((14, 17, 17, 15, 1, 2, 12), (14, 17, 17, 15, 1, 17, 14)),
    "A": ((14, 17, 17, 31, 17, 17, 17), (4, 10, 17, 17, 31, 17, 17)),
    "B": ((30, 17, 17, 30, 17, 17, 30),),
    "C": ((14, 17, 16, 16, 16, 17, 14),),
    "D": ((30, 17, 17, 17, 17, 17, 30), (28, 18, 17, 17, 17, 18, 28)),
    "E": ((31, 16, 16, 30, 16, 16, 31),),
    "F": ((31, 16, 16, 30, 16, 16, 16),),
    "G": ((14, 17, 16, 23, 17, 17, 14), (14, 17, 16, 19, 17, 17, 15)),
    "H": ((17, 17, 17, 31, 17, 17, 17),),
    "I": ((14, 4, 4, 4, 4, 4, 14),),
    "J": ((7, 2, 2, 2, 2, 18, 12), (1, 1, 1, 1, 1, 17, 14)),
    "K": ((17, 18, 20, 24, 20, 18, 17),),
    "L": ((16, 16, 16, 16, 16, 16, 31),),
    "M": ((17, 27, 21, 21, 17, 17, 17), (17, 27, 21, 17, 17, 17, 17)),
    "N": ((17, 17, 25, 21, 19, 17, 17), (17, 25, 25, 21, 19, 19, 17)),
    "O": ((14, 17, 17, 17, 17, 17, 14), (31, 17, 17, 17, 17, 17, 31)),
    "P": ((30, 17, 17, 30, 16, 16, 16),),
    "Q": ((14, 17, 17, 17, 21, 18, 13),),
    "R": ((30, 17, 17, 30, 20, 18, 17),),
    "S": ((15, 16, 16, 14, 1, 1, 30), (14, 17, 16, 14, 1, 17, 14)),
    "T": ((31, 4, 4, 4, 4, 4, 4),),
    "U": ((17, 17, 17, 17, 17, 17, 14),),
    "V": ((17, 17, 17, 17, 17, 10, 4), (17, 17, 17, 17, 10, 10, 4)),
    "W": ((17, 17, 17, 21, 21, 21, 10), (17, 17, 17, 21, 21, 27, 17)),
    "X": ((17, 17, 10, 4, 10, 17, 17),),
    "Y": ((17, 17, 10, 4, 4, 4, 4), (17, 17, 17, 10, 4, 4, 4)),
    "Z": ((31, 1, 2, 4, 8, 16, 31),),
    "/": ((0, 1, 2, 4, 8, 16, 0),),
    "-": ((0, 0, 0, 31, 0, 0, 0),),
    "+": ((0, 4, 4, 31, 4, 4, 0),),
    "=": ((0, 0, 31, 0, 31, 0, 0),),
    ".": ((0, 0, 0, 0, 0, 12, 12), (0, 0, 0, 0, 0, 0, 4)),
    ",": ((0, 0, 0, 0, 12, 4, 8),),
    ":": ((0, 12, 12, 0, 12, 12, 0), (0, 0, 4, 0, 4, 0, 0)),
    "(": ((2, 4, 8, 8, 8, 4, 2),),
    ")": ((8, 4, 2, 2, 2, 4, 8),),
    "#": ((10, 10, 31, 10, 31, 10, 10),),
    "*": ((0, 4, 21, 14, 21, 4, 0),),
    "%": ((24, 25, 2, 4, 8, 19, 3),),
    "&": ((12, 18, 20, 8, 21, 18, 13),),
}


def dot_patterns(characters: str | None = None) -> list[tuple[str, NDArray[np.bool_]]]:
    """Give the dots of each character, (7, 5) bool, every way it is printed, in table order.

    Examples
    --------
    >>> for row in dict(dot_patterns("T"))["T"].astype(int)[:2]:
    ...     print(*row)
    1 1 1 1 1
    0 0 1 0 0
    """
    weights = 1 << np.arange(COLUMNS - 1, -1, -1)
    return [
        (c, (np.array(rows)[:, None] & weights) > 0)
        for c, ways in _TABLE.items()
        if characters is None or c in characters
        for rows in ways
    ]


def render_dots(
    dots: NDArray[np.bool_],
    size: tuple[int, int],
    pitch: tuple[float, float],
    spread: tuple[float, float],
    shift: tuple[float, float] = (0.0, 0.0),
) -> NDArray[np.float32]:
    """Render a pattern of dots, each a round spot that falls off smoothly.

    Parameters
    ----------
    dots : ndarray
        (7, 5) bool.
    size : tuple of int
        Rows and columns of the image [px].
    pitch : tuple of float
        Distance of dots down and across [px].
    spread : tuple of float
        Standard deviation of one spot down and across [px].
    shift : tuple of float
        Of the pattern's middle from the image's middle, down and across [px].

    Returns
    -------
    ndarray
        `size` float32, 1 where the ink is full, 0 on the bare ground.
    """

    def spots(n: int, length: int, axis: int) -> NDArray[np.float64]:
        centres = (length - 1) / 2 + shift[axis] + (np.arange(n) - (n - 1) / 2) * pitch[axis]
        away = (np.arange(length)[:, None] - centres) / spread[axis]
        return np.exp(-0.5 * away**2)

    down, across = spots(ROWS, size[0], 0), spots(COLUMNS, size[1], 1)
    ink = down @ dots.astype(np.float64) @ across.T
    # Where spots overlap, ink does not grow darker without end.
    return (1 - np.exp(-1.6 * ink)).astype(np.float32)
