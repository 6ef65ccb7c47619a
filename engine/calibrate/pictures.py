"""Pictures of a calibration: the corners that were found, what remains, and the lens taken out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from engine.calibrate.boards import Board, Points
from engine.calibrate.finding import Gray
from engine.calibrate.solving import Seen, Solution, rms
from engine.frame import Lens
from engine.station.geometry import directions_to_pixels, matrix_of, pixels_to_directions

Picture: TypeAlias = NDArray[np.uint8]
Color: TypeAlias = tuple[int, int, int]

WIDTH = 900
"""Width of one picture [px]."""

_INK, _SOFT, _LINE = (29, 35, 39), (86, 97, 106), (196, 203, 208)
_FOUND, _OFF, _LENS, _TRUE = (0, 150, 105), (215, 55, 20), (30, 105, 150), (255, 205, 0)
_SUB = 4
_ARROW_PX = 34.0
"""Length at which the largest residuals are drawn [px]."""


def found_picture(gray: Gray, seen: Seen, magnified: int) -> Picture:
    """Show the corners found in one picture, each with its residual, magnified."""
    scale = WIDTH / gray.shape[1]
    picture = _enlarged(gray, scale)
    at = _scaled(seen.sighting.pixels, scale)
    for point in at:
        _ring(picture, point, 5.0, _FOUND)
    _arrows(picture, at, seen.off_px * scale * magnified)
    return picture


def straight_picture(gray: Gray, seen: Seen, lens: Lens, board: Board) -> Picture:
    """Show one picture with the lens taken out, and the board's lines as a pinhole would see them.

    Where the model is right, the lines lie on the edges of the squares over their whole length.
    """
    scale = WIDTH / gray.shape[1]
    matrix = matrix_of(lens)
    flat = cv2.undistort(gray, matrix, np.array(lens.distortion))
    picture = _enlarged(np.asarray(flat, np.uint8), scale)
    width, height = board.size_mm
    s = board.square_mm
    ends = [((c * s, 0.0), (c * s, height)) for c in range(board.columns + 1)]
    ends += [((0.0, r * s), (width, r * s)) for r in range(board.rows + 1)]
    for start, end in ends:
        line = np.array([[*start, 0.0], [*end, 0.0]])
        before = seen.placing.apply(line)
        pixels = directions_to_pixels(lens, before[:, :2] / before[:, 2:], distorted=False)
        _line(picture, _scaled(pixels, scale), _TRUE, 1)
    directions = pixels_to_directions(lens, seen.sighting.pixels)
    for point in _scaled(directions_to_pixels(lens, directions, distorted=False), scale):
        _ring(picture, point, 4.0, _OFF)
    return picture


def lens_picture(solution: Solution, magnified: int) -> Picture:
    """Show how the lens bends a straight grid, and every corner of all pictures on the frame."""
    lens = solution.lens
    scale = WIDTH / lens.width_px
    picture = np.full((round(lens.height_px * scale), WIDTH, 3), 255, np.uint8)
    step = lens.width_px / 12
    right, bottom = lens.width_px - 1.0, lens.height_px - 1.0
    down = np.linspace(0, bottom, 80)
    across = np.linspace(0, right, 80)
    lines = [np.column_stack([np.full(80, x), down]) for x in np.arange(0, right + step, step)]
    lines += [np.column_stack([across, np.full(80, y)]) for y in np.arange(0, bottom + step, step)]
    for line in lines:
        _line(picture, _scaled(line, scale), _LINE, 1)
        bent = directions_to_pixels(lens, pixels_to_directions(lens, line, distorted=False))
        _line(picture, _scaled(bent, scale), _LENS, 1)
    for seen in solution.seen:
        at = _scaled(seen.sighting.pixels, scale)
        for point in at:
            _ring(picture, point, 2.5, _FOUND)
        _arrows(picture, at, seen.off_px * scale * magnified)
    return picture


def scatter_picture(seen: Sequence[Seen]) -> Picture:
    """Show all residuals around one point, with rings every 0.05 px or a round multiple."""
    off = np.vstack([one.off_px for one in seen])
    size = round(WIDTH * 0.75)
    picture = np.full((size, WIDTH, 3), 255, np.uint8)
    reach = max(float(np.percentile(np.hypot(*off.T), 99.5)), 0.01)
    ring = next(r for r in _ROUND if 4 * r >= reach or r == _ROUND[-1])
    scale = (size / 2 - 24) / (4 * ring)
    middle = np.array([WIDTH / 2, size / 2])
    pens = ImagePen(picture)
    for i in range(1, 5):
        _ring(picture, middle, i * ring * scale, _LINE)
        pens.write((middle[0] + 4, middle[1] - i * ring * scale + 2), f"{i * ring:g} px", _SOFT, 15)
    for axis in ((1.0, 0.0), (0.0, 1.0)):
        arm = np.array(axis) * 4 * ring * scale
        _line(picture, np.array([middle - arm, middle + arm]), _LINE, 1)
    for point in middle + off * scale:
        cv2.circle(picture, _fixed(point), round(2.5 * (1 << _SUB)), _OFF, -1, cv2.LINE_AA, _SUB)
    _ring(picture, middle, rms(off) * scale, _INK)
    return picture


_ROUND = (0.005, 0.01, 0.02, 0.025, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


def magnification(seen: Sequence[Seen]) -> int:
    """Give how often residuals are magnified, a round number, so that they can be seen."""
    far = np.percentile(np.hypot(*np.vstack([one.off_px for one in seen]).T), 98)
    wanted = _ARROW_PX / max(float(far), 1e-6)
    steps = [n * 10**e for e in range(5) for n in (1, 2, 5)]
    return max((n for n in steps if n <= wanted), default=1)


def sheet(pictures: Sequence[tuple[Picture, str]], title: str) -> Picture:
    """Lay pictures out two in a row, each with its words below and a title above all."""
    gap, foot, head = 18, 52, 64
    rows = (len(pictures) + 1) // 2
    height = max(picture.shape[0] for picture, _ in pictures)
    down, across = height + foot + gap, WIDTH + gap
    whole = np.full((head + rows * down, 2 * across + gap, 3), 255, np.uint8)
    pens = ImagePen(whole)
    pens.write((gap, 18), title, _INK, 27)
    for i, (picture, words) in enumerate(pictures):
        y, x = head + i // 2 * down, gap + i % 2 * across
        whole[y : y + picture.shape[0], x : x + WIDTH] = picture
        cv2.rectangle(whole, (x, y), (x + WIDTH - 1, y + picture.shape[0] - 1), _LINE, 1)
        pens.write((x, y + picture.shape[0] + 8), words, _INK, 19)
    return whole


class ImagePen:
    """Writes words into a picture."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture

    def write(self, at: tuple[float, float], text: str, color: Color, height: int) -> None:
        """Write lines with their top left corner at a place."""
        font = ImageFont.load_default(height)
        x, y = round(at[0]), round(at[1])
        rows, columns = self.picture.shape[:2]
        part = self.picture[y : min(rows, y + 3 * height * (text.count("\n") + 1)), x:columns]
        if not part.size:
            return
        image = Image.fromarray(part)
        ImageDraw.Draw(image).text((0, 0), text, fill=color, font=font)
        part[:] = np.asarray(image)


def _enlarged(gray: Gray, scale: float) -> Picture:
    size = (WIDTH, round(gray.shape[0] * scale))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(gray, size, interpolation=way)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_GRAY2RGB), np.uint8)


def _scaled(pixels: Points, scale: float) -> Points:
    return (pixels + 0.5) * scale - 0.5


def _fixed(point: Points) -> tuple[int, int]:
    x, y = np.rint(np.clip(np.nan_to_num(point), -20_000, 20_000) * (1 << _SUB)).astype(int)
    return int(x), int(y)


def _ring(picture: Picture, at: Points, radius: float, color: Color) -> None:
    cv2.circle(picture, _fixed(at), round(radius * (1 << _SUB)), color, 1, cv2.LINE_AA, _SUB)


def _line(picture: Picture, points: Points, color: Color, width: int) -> None:
    path = np.array([_fixed(point) for point in points], np.int32)[:, None]
    cv2.polylines(picture, [path], False, color, width, cv2.LINE_AA, _SUB)


def _arrows(picture: Picture, at: Points, off: Points) -> None:
    for start, along in zip(at, off, strict=True):
        length = float(np.hypot(*along))
        if length < 1:
            continue
        end = start + along
        _line(picture, np.array([start, end]), _OFF, 2)
        ahead = along / length * min(7.0, length / 2)
        side = np.array([-ahead[1], ahead[0]]) * 0.5
        _line(picture, np.array([end - ahead + side, end, end - ahead - side]), _OFF, 2)
