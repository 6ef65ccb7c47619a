"""Made-up pictures of codes with exact truth, for tests and benchmarks.

Symbols come from zint, an encoder that shares no code with the readers. They are drawn eight times
enlarged, turned and placed by one affine map, reduced by averaging areas, then blurred and given
noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from zint import InputMode, Symbol, Symbology

ZINT = {
    "ean13": Symbology.EANX,
    "ean8": Symbology.EANX,
    "upca": Symbology.UPCA,
    "upce": Symbology.UPCE,
    "code128": Symbology.CODE128,
    "gs1_128": Symbology.GS1_128,
    "itf14": Symbology.ITF14,
    "code39": Symbology.CODE39,
    "datamatrix": Symbology.DATAMATRIX,
    "gs1_datamatrix": Symbology.DATAMATRIX,
    "qr": Symbology.QRCODE,
    "gs1_qr": Symbology.QRCODE,
    "databar": Symbology.DBAR_OMN,
    "databar_expanded": Symbology.DBAR_EXP,
}
"""Our names, and what the encoder calls them."""

MATRIX = frozenset(["datamatrix", "gs1_datamatrix", "qr", "gs1_qr"])

CONTENT = {
    "ean13": ("200448107001", "2004481070017"),
    "ean8": ("9501234", "95012346"),
    "upca": ("01234567890", "0012345678905"),
    "upce": ("0123456", "0012345000065"),
    "code128": ("LOT K4471", "LOT K4471"),
    "gs1_128": (
        "[01]09501101530003[17]270300[10]K4471[21]0007",
        "(01)09501101530003(17)270300(10)K4471(21)0007",
    ),
    "itf14": ("1540014128876", "15400141288763"),
    "code39": ("K4471-7", "K4471-7"),
    "datamatrix": ("K4471/0007", "K4471/0007"),
    "gs1_datamatrix": (
        "[01]09501101530003[17]270314[10]K4471[21]0007",
        "(01)09501101530003(17)270314(10)K4471(21)0007",
    ),
    "qr": ("https://example.com/k/4471", "https://example.com/k/4471"),
    "gs1_qr": ("[01]09501101530003[10]K4471", "(01)09501101530003(10)K4471"),
    "databar": ("0950110153000", "(01)09501101530003"),
    "databar_expanded": (
        "[01]09501101530003[17]270314[10]K4471",
        "(01)09501101530003(17)270314(10)K4471",
    ),
}
"""For each name what the encoder is given, and the text the step must give."""


@dataclass(frozen=True)
class Picture:
    """A picture of codes and the truth about the first one."""

    gray: NDArray[np.uint8]
    corners: NDArray[np.float64]
    """(4, 2) float64 (x, y): outline of the symbol without quiet zone, pixel centres at whole
    numbers."""
    modules: int
    """Modules across."""


def modules(name: str, content: str) -> NDArray[np.bool_]:
    """Encode; (1, modules) for linear symbols, (modules, modules) for matrix ones, true is dark."""
    symbol = Symbol()
    symbol.symbology = ZINT[name]
    symbol.show_hrt = False
    symbol.scale = 0.5
    if content.startswith("["):
        symbol.input_mode = InputMode.GS1
    symbol.encode(content)
    symbol.buffer()
    dark = np.asarray(symbol.bitmap)[..., 0] < 128
    if name in MATRIX:
        return dark
    line = dark[dark.shape[0] // 2]
    if name == "itf14":  # the bearer bars at the ends are not part of the code
        line = line.copy()
        line[:8] = line[-8:] = False
    inside = np.flatnonzero(line)
    return line[None, inside[0] : inside[-1] + 1]


def draw(
    name: str,
    content: str,
    *,
    px_per_module: float = 3.0,
    tilt_deg: float = 0.0,
    height_modules: float = 50.0,
    shape: tuple[int, int] | None = None,
    middle: tuple[float, float] | None = None,
    light: float = 220.0,
    dark: float = 30.0,
    blur_px: float = 0.5,
    noise: float = 2.0,
    seed: int = 0,
    damage: NDArray[np.bool_] | None = None,
) -> Picture:
    """Draw one code on plain board.

    Parameters
    ----------
    name, content : str
        Symbology by our name, and what the encoder is given.
    px_per_module : float
        Size of a module [px].
    tilt_deg : float
        Turn, clockwise [deg].
    height_modules : float
        Height of the bars of a linear code [modules].
    shape : (int, int), optional
        Rows and columns; by default the code with its quiet zones.
    middle : (float, float), optional
        Where the middle of the code lies, (x, y) [px]; by default in the middle.
    light, dark : float
        Grey levels of board and print.
    blur_px, noise : float
        Sigma of blur [px] and of noise [grey levels].
    seed : int
        Of the noise.
    damage : (K, L) bool, optional
        Where ink is missing, laid over the whole code from edge to edge.
    """
    cells = modules(name, content)
    rows, columns = cells.shape[0], cells.shape[1]
    tall = rows if name in MATRIX else height_modules
    width, height = columns * px_per_module, tall * px_per_module
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    if shape is None:
        quiet = 12 * px_per_module
        shape = (
            int(abs(height * c) + abs(width * s) + 2 * quiet),
            int(abs(width * c) + abs(height * s) + 2 * quiet),
        )
    if middle is None:
        middle = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    big = np.kron(cells, np.ones((8 if rows > 1 else 64, 8), bool))
    if damage is not None:
        lost = cv2.resize(damage.astype(np.uint8), big.shape[::-1], interpolation=0) > 0
        big = big & ~lost
    ink = _placed(big.astype(np.float32), (width, height), (c, s), middle, shape)
    if blur_px > 0:
        ink = cv2.GaussianBlur(ink, (0, 0), blur_px)
    gray = light + (dark - light) * ink
    gray = gray + np.random.default_rng(seed).normal(0, noise, shape)
    half = np.array([(-width, -height), (width, -height), (width, height), (-width, height)]) / 2
    corners = half @ np.array([(c, s), (-s, c)]) + middle
    return Picture(np.clip(np.rint(gray), 0, 255).astype(np.uint8), corners, columns)


def _placed(
    big: NDArray[np.float32],
    size: tuple[float, float],
    turn: tuple[float, float],
    middle: tuple[float, float],
    shape: tuple[int, int],
    fine: int = 4,
) -> NDArray[np.float32]:
    """Turn and place the drawing on a grid `fine` times finer, and average areas of it."""
    c, s = turn
    sx, sy = size[0] / big.shape[1] * fine, size[1] / big.shape[0] * fine
    linear = np.array([(c * sx, -s * sy), (s * sx, c * sy)])
    own = (np.array(big.shape[::-1]) - 1) / 2
    at = (np.array(middle) + 0.5) * fine - 0.5
    to_fine = np.column_stack([linear, at - linear @ own])
    flat = cv2.warpAffine(big, to_fine, (shape[1] * fine, shape[0] * fine), flags=cv2.INTER_LINEAR)
    return np.asarray(cv2.resize(flat, shape[::-1], interpolation=cv2.INTER_AREA), np.float32)
