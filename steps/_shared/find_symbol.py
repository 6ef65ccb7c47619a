"""Find the bars of one symbol among all bars of a scan: other print may stand beside a code."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from steps._shared.reference_decode import Decoded, code128_values, decode_widths
from steps._shared.symbology_tables import Linear

Found = tuple[int, int, Decoded]
"""Index of the first edge and of the last, and what stands between them."""


def find_symbol(edges: NDArray[np.float64], first_bar: int, symbology: Linear) -> Found | None:
    """Find the first run of bars and spaces that decodes.

    Parameters
    ----------
    edges : (K,) float64
        Places of all edges of a scan.
    first_bar : int
        Index of the first edge at which a bar begins, 0 or 1.
    symbology : Linear
        What is looked for.

    Returns
    -------
    (int, int, Decoded) or None
        First and last edge of the symbol; None where none decodes.

    Notes
    -----
    Fixed lengths: every window of that many elements. Code 128: from each start character (either
    way) to the next stop. ITF of any length: between the wide spaces.

    Examples
    --------
    >>> from steps._shared.symbology_tables import LINEAR
    >>> widths = [2, 9] + [int(c) for c in "111" + "3211" * 4 + "11111" + "3211" * 4 + "111"]
    >>> find_symbol(np.cumsum([5.0, *widths]), 0, LINEAR["ean8"])[:2]
    (2, 45)
    """
    widths = np.diff(edges)
    if symbology.elements is not None:
        windows = _fixed_windows(widths, first_bar, symbology.elements)
    elif symbology.name == "itf":
        windows = _between_spaces(widths, first_bar)
    else:
        windows = _code128_windows(widths, first_bar)
        count = len(widths)
        windows += [
            (count - b, count - a)
            for a, b in _code128_windows(widths[::-1], (count - 1 - first_bar) % 2)
        ]
    by_length: dict[int, list[int]] = {}
    for a, b in windows:
        by_length.setdefault(b - a, []).append(a)
    for length, places in by_length.items():
        stack = np.stack([widths[a : a + length] for a in places])
        for a, decoded in zip(places, decode_widths(stack, symbology), strict=True):
            if decoded is not None:
                return a, a + length, decoded
    return None


def _fixed_windows(
    widths: NDArray[np.float64], first_bar: int, elements: int
) -> list[tuple[int, int]]:
    """Every window of so many elements that begins with a bar."""
    starts = range(first_bar, len(widths) - elements + 1, 2)
    return [(a, a + elements) for a in starts]


def _between_spaces(widths: NDArray[np.float64], first_bar: int) -> list[tuple[int, int]]:
    """Windows between two of the widest spaces, longest first."""
    spaces = np.arange(first_bar + 1, len(widths), 2)
    if not len(widths):
        return []
    wide = spaces[widths[spaces] > 4.0 * np.median(widths)] if len(spaces) else spaces
    cuts = [first_bar - 1, *wide.tolist(), len(widths)]
    return [(a + 1, b) for a, b in pairwise(cuts) if b - a - 1 >= 27 and (b - a - 1) % 10 == 7]


def _code128_windows(widths: NDArray[np.float64], first_bar: int) -> list[tuple[int, int]]:
    """From each start character to the first stop that follows it in step."""
    if len(widths) < first_bar + 25:
        return []
    chars = np.lib.stride_tricks.sliding_window_view(widths, 6)[first_bar::2]
    values = code128_values(chars[None])[0][0]
    windows: list[tuple[int, int]] = []
    for start in np.nonzero((values >= 103) & (values <= 105))[0]:
        run = values[start::3]
        stops = np.nonzero(run == 106)[0]
        if len(stops) and stops[0] >= 3 and (run[: stops[0]] >= 0).all():
            a = first_bar + 2 * int(start)
            b = a + 6 * (int(stops[0]) + 1) + 1
            if b <= len(widths):
                windows.append((a, b))
    return windows
