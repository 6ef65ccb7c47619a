"""The second, independent reader: it may be missing, and it is not trusted with everything."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import import_module
from typing import Any

import numpy as np

from steps._shared.code_read import CodeRead
from steps._shared.symbologies import Symbology
from steps.contract import Gray


@cache
def _second_reader() -> Any:
    """Load the second reader; None where its system library is missing."""
    try:
        return import_module("pyzbar.pyzbar")
    except ImportError:
        return None


def second_reads(gray: Gray, symbologies: Sequence[Symbology]) -> list[CodeRead]:
    """Read with the second reader; nothing where it is missing or not trusted.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    symbologies : sequence of Symbology
        What may be read.

    Returns
    -------
    list of CodeRead
        What it read; corners are those of the box around.
    """
    reader = _second_reader()
    wanted = {s.second: s for s in symbologies if s.second}
    if reader is None or not wanted:
        return []
    symbols = [reader.ZBarSymbol[name] for name in wanted]
    codes: list[CodeRead] = []
    for found in reader.decode(np.ascontiguousarray(gray), symbols=symbols):
        symbology, text = wanted[found.type], found.data.decode("utf-8", "replace")
        x, y, w, h = found.rect
        corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], float)
        if symbology.identifier or (symbology.name == "upca" and text[:1] != "0"):
            continue
        codes.append(CodeRead(text, "", symbology, corners))
    return codes
