"""Printed codes with exact truth: independent encoders, a print model, a fine scan and a camera.

The encoders are zint (through zint-bindings), python-barcode and segno. A linear print is a set of
edges in modules, with bar gain, ragged edges, voids and spots; `fine_scan` looks at it through a
round aperture at 40 samples a module, `photograph` through a camera's pixels by exact area
coverage at 5 x 5 parts a pixel, lens blur, noise and coding. All seeded.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import barcode
import cv2
import numpy as np
import zint
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ZINT = {
    "ean13": zint.Symbology.EANX,
    "ean8": zint.Symbology.EANX,
    "upca": zint.Symbology.UPCA,
    "code128": zint.Symbology.CODE128,
    "gs1_128": zint.Symbology.GS1_128,
    "itf14": zint.Symbology.ITF14,
    "datamatrix": zint.Symbology.DATAMATRIX,
    "qr": zint.Symbology.QRCODE,
}


def zint_modules(symbology: str, data: str, **options: int) -> NDArray[np.uint8]:
    """Encode with zint: (R, C) uint8, 1 is dark; linear codes have one row."""
    symbol = zint.Symbol()
    symbol.symbology = _ZINT[symbology]
    if symbology == "gs1_128" or (symbology in ("datamatrix", "qr") and data.startswith("(")):
        symbol.input_mode = zint.InputMode.GS1 | zint.InputMode.GS1PARENS
    for name, value in options.items():
        setattr(symbol, name, value)
    # These two get their check digit from zint.
    symbol.encode(data[:-1] if symbology in ("ean8", "itf14") else data)
    bits = np.unpackbits(np.array(symbol.encoded_data, np.uint8), axis=1, bitorder="little")
    modules = bits[: symbol.rows, : symbol.width]
    return modules if symbology in ("datamatrix", "qr") else modules[:1]


def python_barcode_modules(symbology: str, data: str) -> NDArray[np.uint8]:
    """Encode EAN-13, EAN-8, UPC-A or Code 128 with python-barcode: (1, C) uint8, 1 is dark."""
    text = barcode.get_barcode_class(symbology)(data).build()[0]
    return np.array([[c == "1" for c in text.replace("G", "1")]], np.uint8)


def check_digit(digits: str) -> str:
    """Mod-10 check digit of digits without one."""
    total = sum(int(c) * (3 if i % 2 == 0 else 1) for i, c in enumerate(reversed(digits)))
    return str(-total % 10)


def random_data(symbology: str, rng: np.random.Generator) -> str:
    """Give content of a symbology, check digit included."""
    if symbology == "code128":
        alphabet = np.array([chr(c) for c in range(32, 127)])
        if rng.random() < 0.4:
            alphabet = np.array(list("0123456789"))
        return "".join(rng.choice(alphabet, int(rng.integers(2, 18)))).strip() or "A1"
    if symbology == "gs1_128":
        gtin = "".join(rng.choice(list("0123456789"), 13))
        lot = "".join(rng.choice(list("ABCDEFGHJK0123456789-"), int(rng.integers(1, 9))))
        return f"(01){gtin}{check_digit(gtin)}(10){lot}"
    count = {"ean13": 12, "ean8": 7, "upca": 11, "itf14": 13}[symbology]
    digits = "".join(rng.choice(list("0123456789"), count))
    return digits + check_digit(digits)


@dataclass(frozen=True)
class Blot:
    """A rectangle of another reflectance on a print [X, from the first bar and the bars' top]."""

    left: float
    top: float
    width: float
    height: float
    reflectance: float


@dataclass(frozen=True)
class LinearPrint:
    """A linear code as printed."""

    modules: NDArray[np.uint8]
    """(C,) 1 is a bar."""
    light: float = 0.85
    dark: float = 0.05
    bar_gain: float = 0.0
    """How much wider bars are than they should be [X]."""
    jitter: float = 0.0
    """Standard deviation of each edge, about 0.5 X long along the bar [X]."""
    height: float = 40.0
    quiet: float = 14.0
    blots: tuple[Blot, ...] = ()
    seed: int = 0
    band: float = field(default=0.5)

    def edges_at(self, row: float) -> Floats:
        """Places of all edges at a height [X], first bar to last."""
        change = np.nonzero(np.diff(np.concatenate(([0], self.modules, [0])).astype(int)))[0]
        edges = change.astype(np.float64)
        edges[::2] -= self.bar_gain / 2.0
        edges[1::2] += self.bar_gain / 2.0
        if self.jitter > 0:
            k = int(np.floor(row / self.band)) + 10_000
            edges = edges + np.random.default_rng((self.seed, k)).normal(0, self.jitter, len(edges))
        return edges

    def integral(self, places: Floats, row: float) -> Floats:
        """Integral of reflectance from far left to each place, at one height."""
        wide = 1000.0
        edges = self.edges_at(row) if 0.0 <= row <= self.height else np.zeros(0)
        bounds = [-wide, *edges.tolist(), wide]
        values = [self.light if k % 2 == 0 else self.dark for k in range(len(bounds) - 1)]
        for blot in self.blots:
            if blot.top <= row < blot.top + blot.height:
                bounds, values = _laid_over(bounds, values, blot)
        total = np.concatenate(([0.0], np.cumsum(np.diff(bounds) * values)))
        return np.interp(places, bounds, total)


def _laid_over(
    bounds: list[float], values: list[float], blot: Blot
) -> tuple[list[float], list[float]]:
    """Put a blot over a row of constant pieces."""
    a, b = blot.left, blot.left + blot.width
    cuts = sorted({*bounds, a, b})
    middle = [(x + y) / 2 for x, y in pairwise(cuts)]
    which = np.searchsorted(bounds, middle) - 1
    new = [blot.reflectance if a < m < b else values[w] for m, w in zip(middle, which, strict=True)]
    return cuts, new


def fine_scan(
    print_: LinearPrint, row: float, aperture: float = 0.8, per_module: int = 40, chords: int = 15
) -> Floats:
    """Scan a print at a height through a disc (diameter and height in X): (N,) reflectance."""
    length = len(print_.modules)
    x = np.arange(-print_.quiet, length + print_.quiet, 1.0 / per_module) + 0.5 / per_module
    radius = aperture / 2.0
    offsets = ((np.arange(chords) + 0.5) / chords * 2.0 - 1.0) * radius
    total, weight = np.zeros(len(x)), 0.0
    for offset in offsets:
        half = float(np.sqrt(radius * radius - offset * offset))
        at = row + float(offset)
        total += print_.integral(x + half, at) - print_.integral(x - half, at)
        weight += 2.0 * half
    return total / weight


def photograph(
    print_: LinearPrint,
    px: float,
    *,
    blur: float = 0.0,
    noise: float = 0.0,
    phase: tuple[float, float] = (0.0, 0.0),
    exposure: float = 1.0,
    gamma: str | float = 1.0,
    margin: float = 4.0,
    parts: int = 5,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Photograph a print upright: `px` pixels a module, blur in px, noise in grey levels."""
    width = int(np.ceil((len(print_.modules) + 2 * print_.quiet) * px))
    height = int(np.ceil((print_.height + 2 * margin) * px))
    edges = (np.arange(width * parts + 1) / parts + phase[0]) / px - print_.quiet
    rows = ((np.arange(height * parts) + 0.5) / parts + phase[1]) / px - margin
    known: dict[tuple[int, ...], Floats] = {}
    fine = np.empty((len(rows), width * parts), np.float32)
    for k, row in enumerate(rows):
        blots = tuple(b.top <= row < b.top + b.height for b in print_.blots)
        inside = 0.0 <= row <= print_.height
        key = (int(inside), int(np.floor(row / print_.band)) if print_.jitter else 0, *blots)
        if key not in known:
            known[key] = np.diff(print_.integral(edges, float(row))) * px * parts
        fine[k] = known[key]
    return _exposed(fine, parts, blur, noise, exposure, gamma, seed)


def photograph_slanted(
    print_: LinearPrint,
    matrix: Floats,
    size: tuple[int, int],
    *,
    blur: float = 0.0,
    noise: float = 0.0,
    gamma: str | float = 1.0,
    surround: float = 0.8,
    per_module: int = 24,
    parts: int = 4,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Photograph a print through a homography from modules to pixels; size is (width, height)."""
    margin = 4.0
    edges = np.arange(-print_.quiet, len(print_.modules) + print_.quiet, 1.0 / per_module)
    rows = np.arange(-margin, print_.height + margin, 0.25)
    texture = np.stack([np.diff(print_.integral(edges, float(r) + 0.125)) for r in rows])
    texture = (texture * per_module).astype(np.float32)
    to_modules = np.array([[1 / per_module, 0, -print_.quiet], [0, 0.25, -margin], [0, 0, 1.0]])
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    scale = np.diag([parts, parts, 1.0])
    total = np.linalg.inv(half) @ scale @ matrix @ to_modules @ half
    fine = cv2.warpPerspective(
        texture, total, (size[0] * parts, size[1] * parts), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=surround,
    )  # fmt: skip
    return _exposed(fine, parts, blur, noise, 1.0, gamma, seed)


def _exposed(
    fine: NDArray[np.float32],
    parts: int,
    blur: float,
    noise: float,
    exposure: float,
    gamma: str | float,
    seed: int,
) -> NDArray[np.uint8]:
    """Blur, average over pixels, code and add noise."""
    if blur > 0:
        fine = cv2.GaussianBlur(fine, (0, 0), blur * parts, borderType=cv2.BORDER_REPLICATE)
    rows, columns = fine.shape
    light = fine.reshape(rows // parts, parts, columns // parts, parts).mean(axis=(1, 3)) * exposure
    if gamma == "srgb":
        low = light * 12.92
        coded = np.where(light <= 0.0031308, low, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)
    else:
        coded = np.maximum(light, 0) ** (1.0 / float(gamma))
    values = 255.0 * coded
    if noise > 0:
        values = values + np.random.default_rng(seed).normal(0, noise, values.shape)
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


def profile_of(modules: NDArray[np.uint8], per_module: int = 10, quiet: int = 12) -> Floats:
    """Give a sharp profile of a linear code: (N,) reflectance 0.9 and 0.05."""
    wide = np.concatenate((np.zeros(quiet), np.ravel(modules), np.zeros(quiet)))
    return 0.9 - 0.85 * np.repeat(wide, per_module)


def photograph_matrix(
    modules: NDArray[np.uint8],
    px: float,
    *,
    light: float = 0.85,
    dark: float = 0.05,
    gain: float = 0.0,
    stretch: float = 1.0,
    turn_deg: float = 0.0,
    quiet: int = 4,
    blur: float = 0.0,
    noise: float = 0.0,
    seed: int = 0,
    parts: int = 4,
    gamma: str | float = 1.0,
    keystone: float = 0.0,
) -> NDArray[np.uint8]:
    """Photograph a matrix code: `px` pixels a module, dark modules `gain` X wider, turned."""
    per = 20
    wide = np.pad(modules, quiet)
    fine = np.kron(wide, np.ones((per, per), np.uint8))
    grow = round(gain * per / 2)
    if grow:
        kernel = np.ones((2 * abs(grow) + 1, 2 * abs(grow) + 1), np.uint8)
        fine = cv2.dilate(fine, kernel) if grow > 0 else cv2.erode(fine, kernel)
    texture = (light + (dark - light) * fine).astype(np.float32)
    rows, columns = wide.shape
    side = int(np.ceil(1.5 * px * max(rows, columns * stretch)))
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    middle = np.array([[1, 0, -columns / 2], [0, 1, -rows / 2], [0, 0, 1.0]])
    turn = np.array([[c, -s, side / 2], [s, c, side / 2], [0, 0, 1.0]])
    tilt = np.array([[1, 0, 0], [0, 1, 0], [keystone / max(rows, columns), 0, 1.0]])
    matrix = turn @ np.diag([px * stretch, px, 1.0]) @ tilt @ middle
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    total = (
        np.linalg.inv(half)
        @ np.diag([parts, parts, 1.0])
        @ matrix
        @ np.diag([1 / per, 1 / per, 1.0])
    )
    picture = cv2.warpPerspective(
        texture, total @ half, (side * parts, side * parts), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=light,
    )  # fmt: skip
    return _exposed(picture, parts, blur, noise, 1.0, gamma, seed)
