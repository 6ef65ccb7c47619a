"""Printed lines with exact truth: dots of a coder, or ordinary strokes.

Everything is drawn here, four times as fine as the picture, and then averaged, blurred, lit and
made noisy, so a picture shares no code with the step that looks at it. The characters of 5 by 7
dots are the common column-coded ones (from memory; some differ from the step's built-in table).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

FINE = 4

# One byte a column from the left, bit 0 is the top row.
_COLUMNS = {
    "0": "3E5149453E", "1": "00427F4000", "2": "4261514946", "3": "2141454B31",
    "4": "1814127F10", "5": "2745454539", "6": "3C4A494930", "7": "0171090503",
    "8": "3649494936", "9": "064949291E", "A": "7E1111117E", "B": "7F49494936",
    "C": "3E41414122", "D": "7F4141221C", "E": "7F49494941", "F": "7F09090901",
    "G": "3E4149497A", "H": "7F0808087F", "I": "00417F4100", "J": "2040413F01",
    "K": "7F08142241", "L": "7F40404040", "M": "7F020C027F", "N": "7F0408107F",
    "O": "3E4141413E", "P": "7F09090906", "Q": "3E4151215E", "R": "7F09192946",
    "S": "4649494931", "T": "01017F0101", "U": "3F4040403F", "V": "1F2040201F",
    "W": "3F4038403F", "X": "6314081463", "Y": "0708700807", "Z": "6151494543",
    "/": "2010080402", ".": "0060600000", ":": "0036360000", "-": "0808080808",
}  # fmt: skip
CHARACTERS = "".join(_COLUMNS)
"""Every character there is dots for."""


@dataclass(frozen=True)
class Look:
    """How a line is printed and seen; the defaults are a plain good print."""

    mm_per_px: float = 0.19
    height_mm: float = 3.0
    dot: float = 0.95
    """Diameter of a dot over the distance of dots; below 1 the dots have gaps."""
    missing: float = 0.0
    """Share of the dots that are not printed."""
    jitter: float = 0.04
    """Standard deviation of a dot's place, in distances of dots."""
    slant_deg: float = 0.0
    stretch: float = 0.0
    turn_deg: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    ground: float = 210.0
    ink: float = 60.0
    gradient: float = 0.0
    """Change of light from left to right [fraction]."""
    blur_px: float = 0.7
    noise: float = 2.0
    light_print: bool = False
    clutter: bool = False
    """Whether another line and a frame stand partly in view."""
    region_mm: tuple[float, float] = (46.0, 7.0)


@dataclass(frozen=True)
class Drawn:
    """A picture of a line, with what is true of it."""

    gray: NDArray[np.uint8]
    text: str
    look: Look
    middle_px: tuple[float, float]
    """Middle of the line in pixel centres (x, y)."""


def dots_of(character: str) -> NDArray[np.bool_]:
    """Give a character's dots, (7, 5) bool."""
    if character == " ":
        return np.zeros((7, 5), bool)
    code = bytes.fromhex(_COLUMNS[character])
    return np.array([[bool(c >> row & 1) for c in code] for row in range(7)])


def dot_line(text: str, look: Look, rng: np.random.Generator) -> Drawn:
    """Draw a line of 5 by 7 dots."""
    pitch = look.height_mm / (6 + min(look.dot, 1.0))
    columns = 6 * len(text) - 1
    spots: list[tuple[float, float]] = []
    for k, character in enumerate(text):
        for row, column in np.argwhere(dots_of(character)):
            if rng.random() >= look.missing:
                off = rng.normal(0, look.jitter, 2)
                x = 6 * k + column - (columns - 1) / 2 + off[0]
                spots.append((x * pitch, (row - 3 + off[1]) * pitch))
    ink, matrix = _canvas(look)
    fine = look.mm_per_px / FINE
    radius = look.dot * pitch / 2 / fine
    placed = np.array([[x, y, 1] for x, y in spots]) @ matrix.T
    if look.clutter:
        _clutter(ink, matrix, columns * pitch, look)
    for x, y in placed:
        centre = (round(x * 16), round(y * 16))
        cv2.circle(ink, centre, round(radius * 16), 1.0, -1, cv2.LINE_AA, 4)
    return _seen(np.minimum(ink, 1), text, look, matrix, rng)


def solid_line(text: str, look: Look, rng: np.random.Generator, *, face: int = 0) -> Drawn:
    """Draw a line of ordinary strokes, each character with its own width.

    `face` is one of OpenCV's built-in faces.
    """
    size = 80.0 / cv2.getTextSize("H", face, 1.0, 1)[0][1]
    thick = 11
    (width, height), _ = cv2.getTextSize(text, face, size, thick)
    board = np.zeros((height * 2, width + 80), np.uint8)
    cv2.putText(board, text, (40, height * 3 // 2), face, size, 255, thick, cv2.LINE_AA)
    rows = np.flatnonzero(board.any(axis=1))
    columns = np.flatnonzero(board.any(axis=0))
    tall = float(_height(face, size, thick))
    per_mm = tall / look.height_mm
    middle = ((columns[0] + columns[-1]) / 2, rows[-1] + 1 - tall / 2)
    ink, matrix = _canvas(look)
    to_mm = np.array([[1 / per_mm, 0, -middle[0] / per_mm], [0, 1 / per_mm, -middle[1] / per_mm]])
    whole = matrix @ np.vstack([to_mm, [0, 0, 1]])
    soft = cv2.GaussianBlur(board.astype(np.float32) / 255, (0, 0), 1.0)
    ink = cv2.warpAffine(soft, whole, ink.shape[::-1], flags=cv2.INTER_LINEAR)
    if look.clutter:
        _clutter(ink, matrix, (columns[-1] - columns[0]) / per_mm, look)
    return _seen(np.clip(ink, 0, 1), text, look, matrix, rng)


def _height(face: int, size: float, thick: int) -> int:
    """Measure a capital's height as drawn [px]."""
    board = np.zeros((400, 400), np.uint8)
    cv2.putText(board, "H", (100, 300), face, size, 255, thick, cv2.LINE_AA)
    return int((board > 127).any(axis=1).sum())


def _canvas(look: Look) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Give an empty fine picture, and mm of the line (middle at 0) to its pixels."""
    columns, rows = (round(n / look.mm_per_px) * FINE for n in look.region_mm)
    fine = look.mm_per_px / FINE
    turn, slant = np.radians([look.turn_deg, look.slant_deg])
    shape = np.array([[1 + look.stretch, -np.tan(slant)], [0, 1]])
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    place = np.array([columns, rows]) / 2 - 0.5 + np.array(look.shift_mm) / fine
    return np.zeros((rows, columns), np.float32), np.column_stack([turned @ shape / fine, place])


def _clutter(
    ink: NDArray[np.float32], matrix: NDArray[np.float64], length: float, look: Look
) -> None:
    """Draw a frame line, and the feet of another line above."""
    down = look.height_mm
    for text_row in (-1.55, 1.62):
        for x in np.arange(-length / 2, length / 2, down / 3):
            ends = np.array([[x, text_row * down, 1], [x, text_row * down + down * 0.3, 1]])
            a, b = (ends @ matrix.T).round().astype(int)
            cv2.line(ink, tuple(a.tolist()), tuple(b.tolist()), 1.0, FINE * 2)
    bottom = round(ink.shape[0] * 0.96)
    cv2.line(ink, (0, bottom), (ink.shape[1], bottom), 0.6, FINE)


def _seen(
    ink: NDArray[np.float32],
    text: str,
    look: Look,
    matrix: NDArray[np.float64],
    rng: np.random.Generator,
) -> Drawn:
    """Light the ink and take its picture."""
    size = (ink.shape[1] // FINE, ink.shape[0] // FINE)
    ink = cv2.resize(ink, size, interpolation=cv2.INTER_AREA)
    if look.blur_px:
        ink = cv2.GaussianBlur(ink, (0, 0), look.blur_px)
    dark, light = sorted((look.ink, look.ground))
    ends = (dark, light) if look.light_print else (light, dark)
    level = ends[0] + (ends[1] - ends[0]) * ink
    level = level * (1 + look.gradient * np.linspace(-0.5, 0.5, size[0]))
    level = level + rng.normal(0, look.noise, level.shape)
    middle = (matrix[:, 2] + 0.5) / FINE - 0.5
    gray = np.clip(np.rint(level), 0, 255).astype(np.uint8)
    return Drawn(gray, text, look, (float(middle[0]), float(middle[1])))


def varied(look: Look, rng: np.random.Generator, *, slant: float, stretch: float) -> Look:
    """Vary a look as cartons of one run do: place, turn, light, blur; slant and stretch to ends."""
    light = rng.uniform(0.8, 1.15)
    return replace(
        look,
        slant_deg=look.slant_deg + rng.uniform(-slant, slant),
        stretch=look.stretch + rng.uniform(-stretch, stretch),
        turn_deg=rng.uniform(-1.5, 1.5),
        shift_mm=(rng.uniform(-1.0, 1.0), rng.uniform(-0.7, 0.7)),
        ground=look.ground * light,
        ink=look.ink * light * rng.uniform(0.9, 1.1),
        gradient=rng.uniform(-0.25, 0.25),
        blur_px=look.blur_px * rng.uniform(0.7, 1.3),
        noise=look.noise * rng.uniform(0.7, 1.5),
    )


def changed(text: str, rng: np.random.Generator, among: Sequence[str] | str = CHARACTERS) -> str:
    """Change one character to another of its kind: digit to digit, letter to letter."""
    places = [k for k, c in enumerate(text) if c.isalnum()]
    place = int(rng.choice(places))
    kind = [c for c in among if c.isdigit() == text[place].isdigit() and c.isalnum()]
    other = rng.choice([c for c in kind if c != text[place]])
    return text[:place] + str(other) + text[place + 1 :]


def sheet(characters: str, look: Look) -> NDArray[np.uint8]:
    """Draw the picture of a coder's characters, dark on light, in one row."""
    wide = (len(characters) * 6 + 4) * look.height_mm / 6
    clean = replace(look, region_mm=(wide, look.height_mm * 2), noise=0.0, jitter=0.0, missing=0.0)
    return dot_line(characters, clean, np.random.default_rng(0)).gray
