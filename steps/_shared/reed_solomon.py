"""Reed-Solomon correction over 256 elements, as Data Matrix and QR use it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Powers and logarithms of a field of 256 elements, and the first root of its codes."""

    powers: tuple[int, ...]
    logs: tuple[int, ...]
    first_root: int


def _field(polynomial: int, first_root: int) -> Field:
    """Make the tables of a field."""
    powers, logs = [0] * 512, [0] * 256
    value = 1
    for k in range(255):
        powers[k] = powers[k + 255] = value
        logs[value] = k
        value <<= 1
        if value & 0x100:
            value ^= polynomial
    return Field(tuple(powers), tuple(logs), first_root)


DATA_MATRIX_FIELD = _field(0x12D, 1)
"""ISO/IEC 16022: x^8 + x^5 + x^3 + x^2 + 1, roots from the first power on (from memory)."""
QR_FIELD = _field(0x11D, 0)
"""ISO/IEC 18004: x^8 + x^4 + x^3 + x^2 + 1, roots from power 0 on (from memory)."""


def find_errors(received: NDArray[np.integer], check: int, field: Field) -> dict[int, int] | None:
    """Find the wrong codewords of a block.

    Parameters
    ----------
    received : (N,) integer
        Codewords, data first, N <= 255.
    check : int
        How many of them are check codewords; half as many errors can be found.
    field : Field
        `DATA_MATRIX_FIELD` or `QR_FIELD`.

    Returns
    -------
    dict or None
        Place of each wrong codeword and what to XOR it with; None where there are too many.

    Notes
    -----
    Syndromes, Berlekamp-Massey, trial of all places, Forney.

    Examples
    --------
    >>> block = np.zeros(12, int)
    >>> block[[2, 9]] = 7, 200
    >>> find_errors(block, 5, DATA_MATRIX_FIELD)
    {2: 7, 9: 200}
    """
    count = len(received)
    syndromes = _syndromes([int(v) for v in received], check, field)
    if not any(syndromes):
        return {}
    locator = _locator(syndromes, field)
    wanted = len(locator) - 1
    if 2 * wanted > check:
        return None
    powers, logs = field.powers, field.logs
    found: dict[int, int] = {}
    evaluator = [0] * check
    for i in range(check):
        for j in range(min(i, wanted) + 1):
            if locator[j] and syndromes[i - j]:
                evaluator[i] ^= powers[logs[locator[j]] + logs[syndromes[i - j]]]
    for place in range(count):
        # The place's power is count - 1 - place; the locator has its inverse as a root.
        inverse = (255 - (count - 1 - place)) % 255
        if _value(locator, inverse, field):
            continue
        slope = 0
        for j in range(1, wanted + 1, 2):
            if locator[j]:
                slope ^= powers[(logs[locator[j]] + inverse * (j - 1)) % 255]
        top = _value(evaluator, inverse, field)
        if not slope or not top:
            return None
        shift = ((count - 1 - place) * (1 - field.first_root)) % 255
        found[place] = powers[(logs[top] - logs[slope] + shift) % 255]
    return found if len(found) == wanted else None


def _syndromes(received: list[int], check: int, field: Field) -> list[int]:
    """Evaluate the block at each root."""
    powers, logs = field.powers, field.logs
    syndromes: list[int] = []
    for root in range(field.first_root, field.first_root + check):
        value = 0
        for word in received:
            value = (powers[logs[value] + root] if value else 0) ^ word
        syndromes.append(value)
    return syndromes


def _value(polynomial: list[int], power: int, field: Field) -> int:
    """Value of a polynomial, lowest power first, at a power of the generator."""
    powers, logs = field.powers, field.logs
    value = 0
    for k, c in enumerate(polynomial):
        if c:
            value ^= powers[(logs[c] + power * k) % 255]
    return value


def _locator(syndromes: list[int], field: Field) -> list[int]:
    """Error locator polynomial, lowest power first (Berlekamp-Massey)."""
    powers, logs = field.powers, field.logs
    now, before = [1], [1]
    length, gap, last = 0, 1, 1
    for n, syndrome in enumerate(syndromes):
        delta = syndrome
        for i in range(1, min(length, len(now) - 1) + 1):
            if now[i] and syndromes[n - i]:
                delta ^= powers[logs[now[i]] + logs[syndromes[n - i]]]
        if delta == 0:
            gap += 1
            continue
        factor = (logs[delta] - logs[last]) % 255
        shifted = [0] * gap + [powers[logs[c] + factor] if c else 0 for c in before]
        size = max(len(now), len(shifted))
        both = zip(
            now + [0] * (size - len(now)), shifted + [0] * (size - len(shifted)), strict=True
        )
        changed = [a ^ b for a, b in both]
        if 2 * length <= n:
            before, length, last, gap = now, n + 1 - length, delta, 1
        else:
            gap += 1
        now = changed
    while len(now) > 1 and now[-1] == 0:
        now.pop()
    return now
