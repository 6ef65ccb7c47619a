"""Layout of QR Code symbols, and their format and version information.

References
----------
ISO/IEC 18004, clauses 6 and 7, Tables 7 and 9, Annexes C, D and E (from memory; tests read symbols
of independent encoders).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from steps._shared.matrix_layout import Block, Layout
from steps._shared.reed_solomon import QR_FIELD

_CHECK = {
    "L": "7 10 15 20 26 18 20 24 30 18 20 24 26 30 22 24 28 30 28 28 28 28 30 30 26 28"
    + 14 * " 30",
    "M": "10 16 26 18 24 16 18 22 22 26 30 22 22 24 24 28 28 26 26 26 26" + 19 * " 28",
    "Q": "13 22 18 26 18 24 18 22 20 24 28 26 24 20 30 24 28 28 26 30 28 30 30 30 30 28"
    + 14 * " 30",
    "H": "17 28 22 16 22 28 26 26 24 28 24 28 22 24 24 30 28 28 26 28 30 24" + 18 * " 30",
}
"""Check codewords a block, versions 1 to 40."""
_BLOCKS = {
    "L": "1 1 1 1 1 2 2 2 2 4 4 4 4 4 6 6 6 6 7 8 8 9 9 10 12 12 12 13 14 15 16 17 18 19 19 20 21 "
    "22 24 25",
    "M": "1 1 1 2 2 4 4 4 5 5 5 8 9 9 10 10 11 13 14 16 17 17 18 20 21 23 25 26 28 29 31 33 35 37 "
    "38 40 43 45 47 49",
    "Q": "1 1 2 2 4 4 6 6 8 8 8 10 12 16 12 17 16 18 21 20 23 23 25 27 29 34 34 35 38 40 43 45 48 "
    "51 53 56 59 62 65 68",
    "H": "1 1 2 4 4 4 5 6 8 8 11 11 16 16 18 16 19 21 25 25 25 34 30 32 35 37 40 42 45 48 51 54 57 "
    "60 63 66 70 74 77 81",
}
"""Blocks, versions 1 to 40."""
LEVELS = ("M", "L", "H", "Q")
"""Level of error correction by its two bits in the format information."""


@dataclass(frozen=True, slots=True)
class Format:
    """What the format information says."""

    level: str
    mask: int
    wrong: tuple[int, int]
    """Wrong bits of the copy about the first finder, and of the parted copy."""


def alignment_places(version: int) -> list[int]:
    """Rows (and columns) on which alignment patterns are centred.

    Examples
    --------
    >>> alignment_places(1), alignment_places(2), alignment_places(32)
    ([], [6, 18], [6, 34, 60, 86, 112, 138])
    """
    if version == 1:
        return []
    count = version // 7 + 2
    step = 26 if version == 32 else (version * 4 + count * 2 + 1) // (count * 2 - 2) * 2
    last = 4 * version + 10
    return [6, *sorted(last - k * step for k in range(count - 1))]


def format_places(size: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Modules of both copies of the format information, from bit 0 to bit 14.

    Examples
    --------
    >>> [len(copy) for copy in format_places(21)]
    [15, 15]
    """
    first = [(k, 8) for k in (0, 1, 2, 3, 4, 5, 7, 8)] + [(8, c) for c in (7, 5, 4, 3, 2, 1, 0)]
    second = [(8, size - 1 - k) for k in range(8)] + [(size - 15 + k, 8) for k in range(8, 15)]
    return first, second


def version_places(size: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Modules of both copies of the version information, from bit 0 to bit 17 (versions from 7).

    Examples
    --------
    >>> version_places(45)[0][:4]
    [(34, 0), (35, 0), (36, 0), (34, 1)]
    """
    below = [(size - 11 + k % 3, k // 3) for k in range(18)]
    return below, [(c, r) for r, c in below]


def format_bits(level: str, mask: int) -> int:
    """15 bits of format information, its own mask included.

    Examples
    --------
    >>> f"{format_bits('M', 5):015b}"
    '100000011001110'
    """
    data = LEVELS.index(level) << 3 | mask
    return (data << 10 | _remainder(data, 10, 0x537)) ^ 0x5412


def version_bits(version: int) -> int:
    """18 bits of version information.

    Examples
    --------
    >>> f"{version_bits(7):018b}"
    '000111110010010100'
    """
    return version << 12 | _remainder(version, 12, 0x1F25)


def _remainder(data: int, bits: int, generator: int) -> int:
    """Remainder of a binary polynomial division."""
    rest = data
    for _ in range(bits):
        rest = rest << 1 ^ (rest >> (bits - 1)) * generator
    return rest


def read_bits(dark: NDArray[np.bool_], places: list[tuple[int, int]]) -> int:
    """Put modules together to a number, from bit 0 on.

    Examples
    --------
    >>> read_bits(np.array([[True, False, True]]), [(0, 0), (0, 1), (0, 2)])
    5
    """
    return sum(int(dark[r, c]) << k for k, (r, c) in enumerate(places))


def read_format(dark: NDArray[np.bool_]) -> Format | None:
    """Read the format information from whichever copy is nearer to a valid one.

    Parameters
    ----------
    dark : (S, S) bool
        Modules of the symbol.

    Returns
    -------
    Format or None
        None where both copies have more than 3 wrong bits.

    Examples
    --------
    >>> read_format(np.zeros((21, 21), bool)) is None
    True
    """
    first, second = (read_bits(dark, places) for places in format_places(len(dark)))
    best: tuple[int, str, int] | None = None
    for level in LEVELS:
        for mask in range(8):
            bits = format_bits(level, mask)
            near = min((bits ^ first).bit_count(), (bits ^ second).bit_count())
            if near <= 3 and (best is None or near < best[0]):
                best = (near, level, mask)
    if best is None:
        return None
    bits = format_bits(best[1], best[2])
    wrong = (bits ^ first).bit_count(), (bits ^ second).bit_count()
    return Format(best[1], best[2], wrong)


@lru_cache(maxsize=64)
def qr_layout(version: int, level: str, mask: int) -> Layout:
    """Lay out a symbol.

    Parameters
    ----------
    version : int
        1 to 40.
    level : str
        L, M, Q or H.
    mask : int
        0 to 7.

    Returns
    -------
    Layout

    Examples
    --------
    >>> layout = qr_layout(2, "M", 0)
    >>> layout.word_count, len(layout.blocks), layout.blocks[0].check
    (44, 1, 16)
    """
    fixed = qr_patterns(version)
    size = len(fixed)
    rows, columns = _path(fixed)
    count = len(rows) // 8
    word = np.full((size, size), -1, np.int16)
    bit = np.zeros((size, size), np.int8)
    order = np.arange(8 * count)
    word[rows[: 8 * count], columns[: 8 * count]] = order // 8
    bit[rows[: 8 * count], columns[: 8 * count]] = 7 - order % 8
    flipped = _mask(mask, size) & (fixed == -1)
    fixed = fixed.copy()
    spare = (fixed == -1) & (word < 0)
    fixed[spare] = flipped[spare]  # remainder bits are 0 before the mask
    check = int(_CHECK[level].split()[version - 1])
    blocks = int(_BLOCKS[level].split()[version - 1])
    return Layout(fixed, word, bit, flipped, _blocks(count, check, blocks), QR_FIELD, 4)


@lru_cache(maxsize=64)
def qr_patterns(version: int) -> NDArray[np.int8]:
    """Draw the fixed patterns of a version: 1 dark, 0 light, -1 data, -2 format and version bits.

    Examples
    --------
    >>> int((qr_patterns(1) == -1).sum())
    208
    """
    size = 17 + 4 * version
    fixed = np.full((size, size), -1, np.int8)
    fixed[6] = fixed[:, 6] = 1 - np.arange(size) % 2
    ring = np.maximum(*np.abs(np.mgrid[-2:3, -2:3]))
    places = alignment_places(version)
    for r in places:
        for c in places:
            if (r, c) not in ((6, 6), (6, size - 7), (size - 7, 6)):
                fixed[r - 2 : r + 3, c - 2 : c + 3] = ring != 1
    finder = np.maximum(*np.abs(np.mgrid[-4:5, -4:5]))
    colours = ((finder != 2) & (finder != 4)).astype(np.int8)
    fixed[:8, :8] = colours[1:, 1:]
    fixed[:8, -8:] = colours[1:, :-1]
    fixed[-8:, :8] = colours[:-1, 1:]
    for copy in format_places(size):
        for r, c in copy:
            fixed[r, c] = -2
    if version >= 7:
        for copy in version_places(size):
            for r, c in copy:
                fixed[r, c] = -2
    fixed[size - 8, 8] = 1
    return fixed


def _path(fixed: NDArray[np.int8]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """List data modules in the order of their bits: up and down in pairs of columns."""
    size = len(fixed)
    rows: list[int] = []
    columns: list[int] = []
    upwards = True
    right = size - 1
    while right > 0:
        if right == 6:
            right = 5
        for r in range(size - 1, -1, -1) if upwards else range(size):
            for c in (right, right - 1):
                if fixed[r, c] == -1:
                    rows.append(r)
                    columns.append(c)
        upwards = not upwards
        right -= 2
    return np.array(rows, np.intp), np.array(columns, np.intp)


def _mask(mask: int, size: int) -> NDArray[np.bool_]:
    """Modules that a mask turns."""
    r, c = np.mgrid[:size, :size]
    rules = (
        (r + c) % 2, r % 2, c % 3, (r + c) % 3, (r // 2 + c // 3) % 2,
        r * c % 2 + r * c % 3, (r * c % 2 + r * c % 3) % 2, ((r + c) % 2 + r * c % 3) % 2,
    )  # fmt: skip
    return rules[mask] == 0


def _blocks(count: int, check: int, blocks: int) -> tuple[Block, ...]:
    """Interleave codewords: blocks differ by at most one data codeword, the short ones first."""
    data = count - check * blocks
    short, longer = data // blocks, data % blocks
    found: list[Block] = []
    for b in range(blocks):
        words = [k * blocks + b for k in range(short)]
        if b >= blocks - longer:
            words.append(short * blocks + b - (blocks - longer))
        words += [data + k * blocks + b for k in range(check)]
        found.append(Block(np.array(words, np.intp), check))
    return tuple(found)
