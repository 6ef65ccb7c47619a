"""Layout of Data Matrix ECC 200 symbols.

References
----------
ISO/IEC 16022, Table 7 and Annex F (from memory; tests read symbols of independent encoders).
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from steps._shared.matrix_layout import Block, Layout
from steps._shared.reed_solomon import DATA_MATRIX_FIELD

_SIZES = {
    (10, 10): (3, 5, 1), (12, 12): (5, 7, 1), (14, 14): (8, 10, 1), (16, 16): (12, 12, 1),
    (18, 18): (18, 14, 1), (20, 20): (22, 18, 1), (22, 22): (30, 20, 1), (24, 24): (36, 24, 1),
    (26, 26): (44, 28, 1), (32, 32): (62, 36, 1), (36, 36): (86, 42, 1), (40, 40): (114, 48, 1),
    (44, 44): (144, 56, 1), (48, 48): (174, 68, 1), (52, 52): (204, 84, 2), (64, 64): (280, 112, 2),
    (72, 72): (368, 144, 4), (80, 80): (456, 192, 4), (88, 88): (576, 224, 4),
    (96, 96): (696, 272, 4), (104, 104): (816, 336, 6), (120, 120): (1050, 408, 6),
    (132, 132): (1304, 496, 8), (144, 144): (1558, 620, 10),
    (8, 18): (5, 7, 1), (8, 32): (10, 11, 1), (12, 26): (16, 14, 1), (12, 36): (22, 18, 1),
    (16, 36): (32, 24, 1), (16, 48): (49, 28, 1),
}  # fmt: skip
"""Data codewords, check codewords and blocks by rows and columns."""


def is_data_matrix_size(rows: int, columns: int) -> bool:
    """Whether there is a layout for a size; the rectangular extension of 2020 is left out.

    Examples
    --------
    >>> is_data_matrix_size(24, 24), is_data_matrix_size(8, 48)
    (True, False)
    """
    return (rows, columns) in _SIZES


def data_matrix_regions(rows: int, columns: int) -> tuple[int, int]:
    """Count the regions down and across.

    Examples
    --------
    >>> data_matrix_regions(24, 24), data_matrix_regions(32, 32), data_matrix_regions(8, 32)
    ((1, 1), (2, 2), (1, 2))
    """
    if rows != columns:
        return 1, 2 if columns > 26 else 1
    across = 1 if columns <= 26 else 2 if columns <= 52 else 4 if columns <= 104 else 6
    return across, across


@lru_cache(maxsize=64)
def data_matrix_layout(rows: int, columns: int) -> Layout:
    """Lay out a symbol of one size.

    Parameters
    ----------
    rows, columns : int
        Modules, fixed patterns included.

    Returns
    -------
    Layout

    Raises
    ------
    ValueError
        Where there is no such size.

    Examples
    --------
    >>> data_matrix_layout(24, 24).word_count
    60
    """
    if (rows, columns) not in _SIZES:
        raise ValueError(f"no Data Matrix has {rows} x {columns} modules")
    data, check, blocks = _SIZES[rows, columns]
    down, across = data_matrix_regions(rows, columns)
    high, wide = rows // down, columns // across
    fixed = np.full((rows, columns), -1, np.int8)
    for top in range(0, rows, high):
        for left in range(0, columns, wide):
            region = fixed[top : top + high, left : left + wide]
            region[0] = 1 - np.arange(wide) % 2
            region[:, -1] = np.arange(high) % 2
            region[:, 0] = 1
            region[-1] = 1
    places = _placement(rows - 2 * down, columns - 2 * across)
    free = np.nonzero(fixed.ravel() == -1)[0]
    word = np.full(rows * columns, -1, np.int16)
    bit = np.zeros(rows * columns, np.int8)
    # Regions keep the order of rows and columns once their fixed patterns are taken out.
    word[free] = places.ravel() // 8
    bit[free] = 7 - places.ravel() % 8
    loose = free[places.ravel() < 0]
    flat = fixed.ravel()
    for k, colour in zip(loose, (1, 0, 0, 1), strict=False):
        flat[k], word[k] = colour, -1  # a corner that no codeword reaches
    return Layout(
        flat.reshape(rows, columns),
        word.reshape(rows, columns),
        bit.reshape(rows, columns),
        np.zeros((rows, columns), bool),
        _blocks(data, check, blocks),
        DATA_MATRIX_FIELD,
        1,
    )


def _blocks(data: int, check: int, count: int) -> tuple[Block, ...]:
    """Interleave codewords over blocks; 144 x 144 has blocks of two lengths."""
    shift = 8 if count == 10 else 0
    words = np.arange(data, dtype=np.intp)
    checks = np.arange(check, dtype=np.intp)
    return tuple(
        Block(
            np.concatenate((words[b::count], data + checks[(checks + shift) % count == b])),
            check // count,
        )
        for b in range(count)
    )


_UTAH = ((-2, -2), (-2, -1), (-1, -2), (-1, -1), (-1, 0), (0, -2), (0, -1), (0, 0))
"""Places of a codeword's bits from the highest, about its last bit."""
_CORNERS = (
    ((-1, 0), (-1, 1), (-1, 2), (0, -2), (0, -1), (1, -1), (2, -1), (3, -1)),
    ((-3, 0), (-2, 0), (-1, 0), (0, -4), (0, -3), (0, -2), (0, -1), (1, -1)),
    ((-3, 0), (-2, 0), (-1, 0), (0, -2), (0, -1), (1, -1), (2, -1), (3, -1)),
    ((-1, 0), (-1, -1), (0, -3), (0, -2), (0, -1), (1, -3), (1, -2), (1, -1)),
)
"""Places of the codewords that are parted over corners, from the ends where negative."""


def _placement(rows: int, columns: int) -> NDArray[np.int64]:
    """Codeword * 8 + bit from the highest of each data module; -1 where there is none."""
    grid = np.full((rows, columns), -1, np.int64)

    def put(row: int, column: int, value: int) -> None:
        if row < 0:
            row, column = row + rows, column + 4 - (rows + 4) % 8
        if column < 0:
            row, column = row + 4 - (columns + 4) % 8, column + columns
        grid[row, column] = value

    word, row, column = 0, 4, 0
    while row < rows or column < columns:
        special = _corner_at(row, column, rows, columns)
        if special is not None:
            for bit, (r, c) in enumerate(_CORNERS[special]):
                grid[r, c] = 8 * word + bit
            word += 1
        for step in (-2, 2):
            while True:
                inside = 0 <= row < rows and 0 <= column < columns
                if inside and grid[row, column] < 0:
                    for bit, (r, c) in enumerate(_UTAH):
                        put(row + r, column + c, 8 * word + bit)
                    word += 1
                row, column = row + step, column - step
                if step < 0 and not (row >= 0 and column < columns):
                    break
                if step > 0 and not (row < rows and column >= 0):
                    break
            row, column = (row + 1, column + 3) if step < 0 else (row + 3, column + 1)
    return grid


def _corner_at(row: int, column: int, rows: int, columns: int) -> int | None:
    """Which codeword is parted over corners when the sweep stands at a place."""
    if (row, column) == (rows, 0):
        return 0
    if (row, column) == (rows - 2, 0) and columns % 4:
        return 1
    if (row, column) == (rows - 2, 0) and columns % 8 == 4:
        return 2
    return 3 if (row, column) == (rows + 4, 2) and columns % 8 == 0 else None
