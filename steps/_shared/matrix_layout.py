"""Where the modules of Data Matrix and QR symbols belong: fixed patterns, codewords, blocks."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps._shared.reed_solomon import Field


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """The codewords that are corrected together."""

    words: NDArray[np.intp]
    """Index of each codeword in the symbol, data first."""
    check: int
    """How many of them are check codewords."""


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """What each module of a symbol is."""

    fixed: NDArray[np.int8]
    """(R, C): 1 dark, 0 light for fixed patterns; -1 for data; -2 for what varies besides."""
    word: NDArray[np.int16]
    """(R, C) index of the codeword; -1 where there is none."""
    bit: NDArray[np.int8]
    """(R, C) bit of the codeword, 7 is the highest."""
    flipped: NDArray[np.bool_]
    """(R, C) whether a mask turns the module's colour."""
    blocks: tuple[Block, ...]
    field: Field
    quiet: int
    """Width of the quiet zone [X]."""

    @property
    def word_count(self) -> int:
        """Number of codewords."""
        return int(self.word.max()) + 1


def read_words(layout: Layout, dark: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Put modules together to codewords.

    Parameters
    ----------
    layout : Layout
        What each module is.
    dark : (R, C) bool
        The modules.

    Returns
    -------
    (K,) int64
        Codewords in the order of the symbol.

    Examples
    --------
    >>> from steps._shared.data_matrix import data_matrix_layout
    >>> layout = data_matrix_layout(10, 10)
    >>> read_words(layout, layout.fixed == 1).tolist()
    [0, 0, 0, 0, 0, 0, 0, 0]
    """
    data = layout.word >= 0
    ones = np.logical_xor(dark, layout.flipped)[data].astype(np.int64)
    weights = np.left_shift(ones, layout.bit[data].astype(np.int64))
    words = np.zeros(layout.word_count, np.int64)
    np.add.at(words, layout.word[data], weights)
    return words


def place_words(layout: Layout, words: NDArray[np.int64]) -> NDArray[np.int8]:
    """Lay codewords out again: the colours that all modules should have.

    Parameters
    ----------
    layout : Layout
        What each module is.
    words : (K,) int64
        Codewords.

    Returns
    -------
    (R, C) int8
        1 dark, 0 light, -2 where that is not known.

    Examples
    --------
    >>> from steps._shared.data_matrix import data_matrix_layout
    >>> layout = data_matrix_layout(10, 10)
    >>> int((place_words(layout, np.full(8, 255)) == 1)[1:9, 1:9].sum())
    64
    """
    data = layout.word >= 0
    ideal = layout.fixed.copy()
    ones = np.bitwise_and(
        np.right_shift(words[layout.word[data]], layout.bit[data].astype(np.int64)), 1
    )
    ideal[data] = np.logical_xor(ones == 1, layout.flipped[data])
    return ideal
