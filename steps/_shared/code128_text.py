"""From code values of Code 128 to text: code sets, shift, function characters."""

from collections.abc import Sequence

_SHIFT, _CODE_C, _CODE_B, _CODE_A, _FNC1 = 98, 99, 100, 101, 102


def text_of(values: Sequence[int]) -> str | None:
    """Turn code values into the text a reader hands on.

    Parameters
    ----------
    values : sequence of int
        Start character and data, without check and stop.

    Returns
    -------
    str or None
        FNC1 in first place leaves no trace, elsewhere it becomes the separator (ASCII 29); FNC2
        and FNC3 are left out; FNC4 gives Latin-1. None where the first value is no start.

    References
    ----------
    ISO/IEC 15417:2007, 4.3.4 (from memory).

    Examples
    --------
    >>> text_of([104, 33, 41, 45]), text_of([105, 102, 10, 12, 34, 56])
    ('AIM', '10123456')
    """
    if not values or not 103 <= values[0] <= 105:
        return None
    code_set = "ABC"[values[0] - 103]
    shifted = high = latched = False
    pieces: list[str] = []
    for place, value in enumerate(values[1:]):
        now = {"A": "B", "B": "A"}.get(code_set, code_set) if shifted else code_set
        shifted = False
        if value == _FNC1:
            if place > 0:
                pieces.append("\x1d")
        elif now == "C" and value < 100:
            pieces.append(f"{value:02d}")
        elif value < 96:
            code = value + 32 if now == "B" or value < 64 else value - 64
            pieces.append(chr(code + 128 if high != latched else code))
            high = False
        elif value == _SHIFT:
            shifted = True
        elif (now, value) in (("A", _CODE_A), ("B", _CODE_B)):  # FNC4
            latched, high = (not latched, False) if high else (latched, True)
        elif value in (_CODE_A, _CODE_B, _CODE_C):
            code_set = {_CODE_A: "A", _CODE_B: "B", _CODE_C: "C"}[value]
    return "".join(pieces)
