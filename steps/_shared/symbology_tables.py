"""Patterns of EAN/UPC, Code 128 and interleaved 2 of 5, in element widths.

Sources: ISO/IEC 15417 Table 1, ISO/IEC 15420 and ISO/IEC 16390 Table 1 (from memory), checked by
program against two independent encoders; the tests compare them with published tables again.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps._shared.symbology_names import our_name

_CODE128 = (
    "212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 "
    "112232 122132 122231 113222 123122 123221 223211 221132 221231 213212 223112 312131 "
    "311222 321122 321221 312212 322112 322211 212123 212321 232121 111323 131123 131321 "
    "112313 132113 132311 211313 231113 231311 112133 112331 132131 113123 113321 133121 "
    "313121 211331 231131 213113 213311 213131 311123 311321 331121 312113 312311 332111 "
    "314111 221411 431111 111224 111422 121124 121421 141122 141221 112214 112412 122114 "
    "122411 142112 142211 241211 221114 413111 241112 134111 111242 121142 121241 114212 "
    "124112 124211 411212 421112 421211 212141 214121 412121 111143 111341 131141 114113 "
    "114311 411113 411311 113141 114131 311141 411131 211412 211214 211232 233111"
)
CODE128_WIDTHS = tuple(_CODE128[k : k + 6] for k in range(0, len(_CODE128), 7))
"""Bar, space, bar, ... widths of values 0 to 105, and of the stop (106) without its last bar."""

EAN_A_WIDTHS = ("3211", "2221", "2122", "1411", "1132", "1231", "1114", "1312", "1213", "3112")
"""Space, bar, space, bar widths of digits 0 to 9 in set A; B is its mirror, C its negative."""

EAN_PARITY = (
    "AAAAAA", "AABABB", "AABBAB", "AABBBA", "ABAABB", "ABBAAB", "ABBBAA", "ABABAB", "ABABBA",
    "ABBABA",
)  # fmt: skip
"""Sets of digits 2 to 7 of EAN-13, by its leading digit."""

ITF_WIDE = (
    "00110",
    "10001",
    "01001",
    "11000",
    "00101",
    "10100",
    "01100",
    "00011",
    "10010",
    "01010",
)
"""Which of the five elements are wide, by digit."""


@dataclass(frozen=True, slots=True)
class Linear:
    """What a linear symbology asks of its surroundings."""

    name: str
    quiet_left: float
    """Quiet zone before the symbol [X]."""
    quiet_right: float
    """Quiet zone after the symbol [X]."""
    elements: int | None
    """Bars and spaces of the symbol; None where the length varies."""


LINEAR = {
    "ean13": Linear("ean13", 11, 7, 59),
    "ean8": Linear("ean8", 7, 7, 43),
    "upca": Linear("upca", 9, 9, 59),
    "code128": Linear("code128", 10, 10, None),
    "gs1_128": Linear("gs1_128", 10, 10, None),
    "itf14": Linear("itf14", 10, 10, 77),
    "itf": Linear("itf", 10, 10, None),
}
"""What is known of each graded symbology. Quiet zones: GS1 General Specifications 5.2.3.4, 5.3.2.2
and 5.4.4.2; those of Code 128 and of ITF as ISO/IEC 15417 and 16390 (from memory)."""


def linear_symbology(name: str) -> Linear:
    """Find a linear symbology by our name or that of its standard.

    Raises
    ------
    ValueError
        Where it is none that is graded.

    Examples
    --------
    >>> linear_symbology("ean13").name, linear_symbology("Code 128").name
    ('ean13', 'code128')
    """
    return LINEAR[our_name(name, LINEAR)]


def code128_lookup() -> NDArray[np.int16]:
    """Value by the sums (e1, e2, e3, e4) of neighbouring elements; -1 where there is none.

    Returns
    -------
    (8, 8, 8, 8) int16
        Every pattern has its own four sums, so bar gain does not change what is read.

    Examples
    --------
    >>> int(code128_lookup()[3, 3, 4, 4])
    0
    """
    table = np.full((8, 8, 8, 8), -1, np.int16)
    for value, widths in enumerate(CODE128_WIDTHS):
        w = [int(c) for c in widths]
        table[w[0] + w[1], w[1] + w[2], w[2] + w[3], w[3] + w[4]] = value
    return table


def code128_bar_sums() -> NDArray[np.float64]:
    """Sum of the bar modules of each value, (107,) float64.

    Examples
    --------
    >>> code128_bar_sums()[:2].tolist()
    [6.0, 6.0]
    """
    return np.array([sum(int(c) for c in w[::2]) for w in CODE128_WIDTHS], np.float64)


def ean_lookup() -> NDArray[np.int16]:
    """Digit and set by the sums (e1, e2) of a left-half character.

    Returns
    -------
    (6, 6) int16
        10 * (1 where set B) + digit; -1 where there is none. (3, 4), (4, 3) and (4, 4), (3, 3)
        hold the digit 1 or 2: 7 or 8 share its sums and are told apart by the bars.

    Examples
    --------
    >>> ean_lookup()[2, 3], ean_lookup()[5, 3]
    (np.int16(0), np.int16(10))
    """
    table = np.full((6, 6), -1, np.int16)
    for digit in (9, 8, 7, 6, 5, 4, 3, 2, 1, 0):
        w = [int(c) for c in EAN_A_WIDTHS[digit]]
        table[w[2] + w[3], w[1] + w[2]] = digit
        table[w[1] + w[0], w[2] + w[1]] = 10 + digit
    return table
