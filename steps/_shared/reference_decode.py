"""Reference decodes of linear symbols from the places of their edges, and their decodability.

Many scans are decoded at once: widths are (P, E), one row a scan, elements from the first bar to
the last, in any unit. Sums of two neighbouring elements are compared, which lie between edges of
the same kind, so that even bar gain cancels.

References
----------
ISO/IEC 15417 (Code 128; the decode as in the GS1 General Specifications R18 p. 262-263, its
decodability from memory), ISO/IEC 15420 (EAN/UPC) and ISO/IEC 16390 (interleaved 2 of 5), both
from memory.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from steps._shared.check_digits import check_digit_is_right
from steps._shared.code128_text import text_of
from steps._shared.symbology_tables import (
    EAN_A_WIDTHS,
    EAN_PARITY,
    ITF_WIDE,
    Linear,
    code128_bar_sums,
    code128_lookup,
    ean_lookup,
)

Widths = NDArray[np.float64]

_C128 = code128_lookup()
_C128_BARS = code128_bar_sums()
_EAN = ean_lookup()
_PARITY = np.full(64, -1, np.int64)
for _digit, _sets in enumerate(EAN_PARITY):
    _PARITY[int(_sets.replace("A", "0").replace("B", "1"), 2)] = _digit
_ITF = np.full(32, -1, np.int64)
for _digit, _wide in enumerate(ITF_WIDE):
    _ITF[int(_wide, 2)] = _digit
_EAN_SECOND = np.array(
    [[int(w[1]) + int(w[3]) for w in EAN_A_WIDTHS], [int(w[2]) + int(w[0]) for w in EAN_A_WIDTHS]],
    np.float64,
)
"""Sum of the second and fourth element by set (A, B) and digit."""
_BITS = np.array([16, 8, 4, 2, 1])


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one scan holds."""

    text: str
    decodability: float
    """Smallest margin to a threshold of the reference decode [ratio]."""
    module: float
    """Width of a module, in the unit of the widths."""
    reversed: bool
    """Whether the scan ran from the symbol's right to its left."""
    bar_gain: float
    """Mean amount by which bars are too wide [X]."""


def decode_widths(widths: Widths, symbology: Linear) -> list[Decoded | None]:
    """Decode scans of one symbology, in either direction.

    Parameters
    ----------
    widths : (P, E) float64
        Element widths, first bar to last bar.
    symbology : Linear
        What is expected.

    Returns
    -------
    list of Decoded or None
        One entry a scan; None where it does not decode.

    Examples
    --------
    >>> from steps._shared.symbology_tables import LINEAR
    >>> digits = "".join(["111", *["3211"] * 4, "11111", *["3211"] * 4, "111"])
    >>> widths = np.array([[float(c) for c in digits]])
    >>> decode_widths(widths, LINEAR["ean8"])[0].text
    '00000000'
    """
    widths = np.atleast_2d(np.asarray(widths, np.float64))
    count = widths.shape[1]
    decode: Any
    if symbology.name in ("ean13", "upca", "ean8"):
        fits, decode = count == symbology.elements, _decode_ean
    elif symbology.name in ("code128", "gs1_128"):
        fits, decode = count >= 25 and count % 6 == 1, _decode_code128
    else:
        fits = count >= 27 and count % 10 == 7 and symbology.elements in (None, count)
        decode = _decode_itf
    if not fits:
        return [None] * len(widths)
    found: list[Decoded | None] = decode(widths, symbology, False)
    missing = [i for i, d in enumerate(found) if d is None]
    if missing:
        other = decode(np.ascontiguousarray(widths[missing, ::-1]), symbology, True)
        for i, d in zip(missing, other, strict=True):
            found[i] = d
    return found


def _margins(sums: Widths) -> Widths:
    """Twice the distance of sums, in modules, to the nearest rounding threshold."""
    off: Widths = np.abs(np.subtract(sums, np.rint(sums)))
    return 1.0 - 2.0 * off


def _decode_ean(widths: Widths, symbology: Linear, flipped: bool) -> list[Decoded | None]:
    """EAN-13, UPC-A and EAN-8."""
    half = (widths.shape[1] - 11) // 2
    left, right = slice(3, 3 + half), slice(8 + half, 8 + 2 * half)
    chars = np.concatenate((widths[:, left], widths[:, right]), axis=1)
    chars = chars.reshape(len(widths), -1, 4)
    per_half = half // 4
    size = chars.sum(axis=2)
    modules = chars * (7.0 / np.maximum(size, 1e-12))[:, :, None]
    e1, e2 = modules[:, :, 2] + modules[:, :, 3], modules[:, :, 1] + modules[:, :, 2]
    # The right half has the widths of set A with colours swapped, so the same sum tells there.
    second = modules[:, :, 1] + modules[:, :, 3]
    k1, k2 = np.floor(e1 + 0.5).astype(np.intp), np.floor(e2 + 0.5).astype(np.intp)
    inside = (k1 >= 2) & (k1 <= 5) & (k2 >= 2) & (k2 <= 5)
    code = np.where(inside, _EAN[np.clip(k1, 0, 5), np.clip(k2, 0, 5)], -1).astype(np.int64)
    in_b: NDArray[np.bool_] = np.asarray(code >= 10)
    digit: NDArray[np.int64] = np.asarray(code % 10)
    twin = (code >= 0) & ((digit == 1) | (digit == 2)) & (np.abs(k1 + k2 - 7) <= 1)
    # Set A: bars of at most 4 modules are 1 or 2; set B: bars of more than 3.
    distance = (second - 3.5) * np.where(in_b, 1.0, -1.0) + 0.5
    digit = np.where(twin & (distance < 0), digit + 6, digit)
    margin = np.minimum(_margins(e1), _margins(e2))
    margin = np.where(twin, np.minimum(margin, np.abs(distance)), margin)
    good = (code >= 0).all(axis=1) & ~in_b[:, per_half:].any(axis=1)
    good &= _ean_guards_fit(widths, half)
    gain = second - _EAN_SECOND[in_b.astype(np.intp), digit]
    gain[:, per_half:] *= -1.0
    module = widths.sum(axis=1) / (7 * 2 * per_half + 11)
    texts = _ean_texts(digit, in_b[:, :per_half], symbology)
    found: list[Decoded | None] = []
    least, mean_gain = margin.min(axis=1).tolist(), (gain.mean(axis=1) / 2.0).tolist()
    for text, valid, v, x, g in zip(texts, good, least, module.tolist(), mean_gain, strict=True):
        found.append(Decoded(text, v, x, flipped, g) if text is not None and valid else None)
    return found


def _ean_guards_fit(widths: Widths, half: int) -> NDArray[np.bool_]:
    """Whether the elements of the guard patterns are one module wide, by sums of two."""
    ends = np.concatenate((widths[:, :3], widths[:, -3:]), axis=1)
    middle = widths[:, 3 + half : 8 + half]
    module = widths.sum(axis=1, keepdims=True) / (1.75 * 2 * half + 11)
    pairs = np.concatenate(
        (ends[:, [0, 1, 3, 4]] + ends[:, [1, 2, 4, 5]], middle[:, :-1] + middle[:, 1:]), axis=1
    )
    off = np.abs(np.divide(pairs, module) - 2.0)
    return off.max(axis=1) < 1.0


def _ean_texts(
    digits: NDArray[np.int64], left_in_b: NDArray[np.bool_], symbology: Linear
) -> list[str | None]:
    """Put digits together: leading digit by the sets of the left half, check digit, length."""
    sets = np.zeros(len(digits), np.int64)
    for column in left_in_b.T:
        sets = 2 * sets + column
    eight = symbology.name == "ean8"
    lead = np.where(sets == 0, 0, -1) if eight else _PARITY[sets]
    weights = np.array([3, 1] * 6)[-digits.shape[1] :]
    # The leading digit of EAN-13 has weight 1; EAN-8 has none (0).
    holds = (lead >= 0) & ((digits @ weights + lead) % 10 == 0)
    if symbology.name == "upca":
        holds &= lead == 0
    plain = (digits + 48).astype(np.uint8)
    with_lead = symbology.name == "ean13"
    return [
        f"{first if with_lead else ''}{row.tobytes().decode('ascii')}" if ok else None
        for row, first, ok in zip(plain, lead.tolist(), holds.tolist(), strict=True)
    ]


def _decode_code128(widths: Widths, symbology: Linear, flipped: bool) -> list[Decoded | None]:
    """Code 128 and GS1-128."""
    chars = widths[:, :-1].reshape(len(widths), -1, 6)
    values, margin, gain = code128_values(chars)
    weights = np.maximum(np.arange(values.shape[1], dtype=np.int64), 1)[:-2]
    found: list[Decoded | None] = []
    module = widths.sum(axis=1) / (11 * chars.shape[1] + 2)
    fits = (values >= 0).all(axis=1) & (values[:, -1] == 106) & (values[:, 0] >= 103)
    fits &= (values[:, 0] <= 105) & (values[:, 1:-1] < 103).all(axis=1)
    fits &= (values[:, :-2] @ weights) % 103 == values[:, -2]
    for row, valid in enumerate(fits):
        text = text_of(values[row, :-2].tolist()) if valid else None
        if text is None or (symbology.name == "gs1_128" and values[row, 1] != 102):
            found.append(None)
            continue
        v, g = float(margin[row].min()), float(gain[row].mean())
        found.append(Decoded(text, v, float(module[row]), flipped, g))
    return found


def code128_values(
    chars: Widths,
) -> tuple[NDArray[np.int64], Widths, Widths]:
    """Read symbol characters of Code 128 one by one.

    Parameters
    ----------
    chars : (P, K, 6) float64
        Widths of the six elements of each character.

    Returns
    -------
    values : (P, K) int64
        Value of each character, -1 where there is none.
    margin : (P, K) float64
        Decodability of each character [ratio].
    gain : (P, K) float64
        Mean excess width of its bars [X].

    Examples
    --------
    >>> code128_values(np.array([[[2.1, 0.9, 2.1, 1.9, 2.1, 1.9]]]))[0]
    array([[0]])
    """
    modules = chars * (11.0 / np.maximum(chars.sum(axis=2), 1e-12))[:, :, None]
    sums = modules[:, :, :4] + modules[:, :, 1:5]
    k = np.floor(sums + 0.5).astype(np.intp)
    inside = ((k >= 2) & (k <= 7)).all(axis=2)
    k = np.clip(k, 0, 7)
    values = np.where(inside, _C128[k[..., 0], k[..., 1], k[..., 2], k[..., 3]], -1)
    bars = modules[:, :, 0] + modules[:, :, 2] + modules[:, :, 4]
    off = bars - _C128_BARS[values]
    values = np.where(np.abs(off) < 1.75, values, -1).astype(np.int64)
    margin = np.minimum(_margins(sums).min(axis=2), (1.75 - np.abs(off)) / 1.75)
    return values, margin, off / 3.0


def _decode_itf(widths: Widths, symbology: Linear, flipped: bool) -> list[Decoded | None]:
    """Interleaved 2 of 5; ITF-14 has 14 digits and a check digit."""
    pairs = widths[:, 4:-3].reshape(len(widths), -1, 5, 2)
    threshold = pairs.sum(axis=(2, 3)) * (7.0 / 64.0)
    wide = pairs > threshold[:, :, None, None]
    digits = _ITF[np.einsum("pkes,e->pks", wide.astype(np.int64), _BITS)]
    good = (digits >= 0).all(axis=(1, 2))
    good &= (widths[:, :4] < threshold[:, :1]).all(axis=1)
    last = threshold[:, -1]
    good &= (widths[:, -3] > last) & (widths[:, -2] < last) & (widths[:, -1] < last)
    found: list[Decoded | None] = []
    for row, valid in enumerate(good):
        text = "".join(str(d) for d in digits[row].ravel()) if valid else ""
        if not valid or (symbology.name == "itf14" and not check_digit_is_right(text)):
            found.append(None)
            continue
        found.append(_itf_figures(pairs[row], wide[row], threshold[row], text, flipped))
    return found


def _itf_figures(
    pairs: Widths, wide: NDArray[np.bool_], threshold: Widths, text: str, flipped: bool
) -> Decoded:
    """Measure decodability, module and bar gain of one decoded scan."""
    mean_wide, mean_narrow = float(pairs[wide].mean()), float(pairs[~wide].mean())
    reached = np.where(wide, mean_wide, mean_narrow)
    limit = threshold[:, None, None]
    room = np.maximum(np.abs(limit - reached), 1e-12)
    margin = float(np.min(np.abs(pairs - limit) / room))
    bars, spaces = pairs[:, :, 0], pairs[:, :, 1]
    narrow_bar = float(bars[~wide[:, :, 0]].mean())
    narrow_space = float(spaces[~wide[:, :, 1]].mean())
    module = (narrow_bar + narrow_space) / 2.0
    gain = (narrow_bar - narrow_space) / 2.0 / max(module, 1e-12)
    return Decoded(text, margin, module, flipped, gain)
