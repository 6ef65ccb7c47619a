"""The symbologies by the names used in recipes, and what each reader calls them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, TypeAlias

import zxingcpp

SymbologyName: TypeAlias = Literal[
    "ean13",
    "ean8",
    "upca",
    "upce",
    "code128",
    "gs1_128",
    "itf14",
    "code39",
    "datamatrix",
    "gs1_datamatrix",
    "qr",
    "gs1_qr",
    "databar",
    "databar_expanded",
]
"""Every name a recipe may use."""

_Format = zxingcpp.BarcodeFormat


@dataclass(frozen=True, slots=True)
class Symbology:
    """One symbology as the readers know it."""

    name: SymbologyName
    formats: tuple[zxingcpp.BarcodeFormat, ...]
    """What the first reader is asked for."""
    linear: bool = True
    """Whether it is made of bars (else of square modules)."""
    identifier: str = ""
    """The symbology identifier that its content must have; empty where any will do."""
    element_strings: bool = False
    """Whether its content is GS1 element strings."""
    modules: int | None = None
    """Width of the bars [modules], where it is always the same."""
    second: str = ""
    """What the second reader calls it; empty where that reader is not trusted with it."""
    digits: bool = False
    """Whether its content is one number with a check digit."""


_ALL = (
    Symbology("ean13", (_Format.EAN13,), modules=95, second="EAN13", digits=True),
    Symbology("ean8", (_Format.EAN8,), modules=67, second="EAN8", digits=True),
    Symbology("upca", (_Format.UPCA,), modules=95, second="EAN13", digits=True),
    Symbology("upce", (_Format.UPCE,), modules=51, digits=True),
    Symbology("code128", (_Format.Code128,), second="CODE128"),
    Symbology(
        "gs1_128", (_Format.Code128,), identifier="]C1", element_strings=True, second="CODE128"
    ),
    Symbology("itf14", (_Format.ITF,), second="I25", digits=True),
    Symbology("code39", (_Format.Code39,), second="CODE39"),
    Symbology("datamatrix", (_Format.DataMatrix,), linear=False),
    Symbology(
        "gs1_datamatrix",
        (_Format.DataMatrix,),
        linear=False,
        identifier="]d2",
        element_strings=True,
    ),
    Symbology("qr", (_Format.QRCode,), linear=False, second="QRCODE"),
    Symbology(
        "gs1_qr",
        (_Format.QRCode,),
        linear=False,
        identifier="]Q3",
        element_strings=True,
        second="QRCODE",
    ),
    Symbology(
        "databar",
        (_Format.DataBarOmni, _Format.DataBarStk, _Format.DataBarStkOmni),
        element_strings=True,
    ),
    Symbology(
        "databar_expanded", (_Format.DataBarExp, _Format.DataBarExpStk), element_strings=True
    ),
)

SYMBOLOGIES: Mapping[str, Symbology] = MappingProxyType({s.name: s for s in _ALL})
"""Every symbology by its name."""
