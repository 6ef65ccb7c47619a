"""The names of symbologies: ours, as recipes and commands use them, and those of the standards."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

STANDARD_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "ean13": "EAN-13",
        "ean8": "EAN-8",
        "upca": "UPC-A",
        "upce": "UPC-E",
        "code128": "Code 128",
        "gs1_128": "GS1-128",
        "itf14": "ITF-14",
        "itf": "ITF",
        "code39": "Code 39",
        "datamatrix": "Data Matrix",
        "gs1_datamatrix": "GS1 DataMatrix",
        "qr": "QR Code",
        "gs1_qr": "GS1 QR Code",
        "databar": "GS1 DataBar",
        "databar_expanded": "GS1 DataBar Expanded",
    }
)
"""What the standard calls each symbology, by our name."""


def our_name(name: str, allowed: Iterable[str]) -> str:
    """Find our name of a symbology that is written as we or the standards do.

    Parameters
    ----------
    name : str
        As ``"ean13"``, ``"EAN-13"`` or ``"GS1 DataMatrix"``; case, spaces and hyphens do not count.
    allowed : iterable of str
        Our names that may be meant.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        Where none of them is meant; it lists them.

    Examples
    --------
    >>> our_name("GS1-128", ["code128", "gs1_128"]), our_name("QR", ["qr"])
    ('gs1_128', 'qr')
    """
    names = list(allowed)
    plain = _plain(name)
    for known in names:
        if plain in (_plain(known), _plain(STANDARD_NAMES[known])):
            return known
    raise ValueError(f"{name!r} is not graded here; these are: {', '.join(names)}")


def _plain(name: str) -> str:
    """Letters and digits of a name, in lower case."""
    return "".join(c for c in name.lower() if c.isalnum())
