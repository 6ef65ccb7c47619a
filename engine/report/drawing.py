"""Draws into a frame what was measured on it. Pure: arrays in, arrays out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.frame import Pixels, to_8_bit
from engine.report.lettering import Lettering
from engine.report.wording import broken_text
from engine.result import CameraResult, Finding, PlacedMark, StepResult

Picture = NDArray[np.uint8]
"""(M, N, 3) uint8 red, green, blue."""

_SUB = 4
"""Bits of a pixel that lines are placed to."""
_FAR = 30_000.0
"""Points farther away than this are drawn at it [px]."""
_MOST_NAMES = 24
"""Most marks of one step whose own text is written [count]."""


@dataclass(frozen=True, slots=True)
class _Pen:
    color: tuple[int, int, int]
    width: float
    """In units of the picture's scale."""
    dashed: bool = False


# Colours that people with any colour vision tell apart (Okabe and Ito); never colour alone.
_GOOD = _Pen((0, 210, 150), 1.6)
_BROKEN = _Pen((255, 90, 20), 4.0, dashed=True)
_NOT_MEASURED = _Pen((240, 228, 66), 3.0, dashed=True)
_TONES = {
    "measured": _Pen((86, 200, 255), 1.6),
    "difference": _Pen((255, 120, 220), 1.8),
    "expected": _Pen((235, 235, 235), 0.9, dashed=True),
}


def draw_camera(
    pixels: Pixels,
    camera_result: CameraResult,
    findings: Sequence[Finding],
    *,
    bits: int = 8,
    max_width: int | None = None,
    letter_px: int | None = None,
    name_all: bool = True,
) -> Picture:
    """Draw what one camera's steps found into its frame.

    Parameters
    ----------
    pixels : ndarray
        (R, C) or (R, C, 3) uint8 or uint16.
    camera_result : CameraResult
        What the steps said, with the outlines of their views and their marks.
    findings : sequence of Finding
        Findings of the carton; those of other cameras are left alone.
    bits : int
        Bits a pixel holds.
    max_width : int, optional
        Width to which a wider frame is made smaller before drawing [px].
    letter_px : int, optional
        Height of letters [px]; by default it follows the size of the picture.
    name_all : bool
        Write the text of every mark, not only of steps where something is amiss.

    Returns
    -------
    ndarray
        (M, N, 3) uint8 RGB.

    Notes
    -----
    Good steps have a thin outline with their name. Steps with a broken limit have a thick dashed
    one, and a label that says what was measured and what it had to be; steps that could not measure
    say why.
    """
    picture, scale = _canvas(pixels, bits, max_width)
    canvas = _Canvas(picture, scale, letter_px)
    broken = _broken_by_step(camera_result.camera, findings)
    steps = sorted(camera_result.steps, key=lambda step: _is_amiss(step, broken))
    for step in steps:
        canvas.outline(step, _pen_of(step, broken))
    for step in steps:
        for mark in step.marks:
            canvas.mark(mark)
    canvas.keep_clear()
    if camera_result.fault is not None:
        canvas.banner(f"{camera_result.camera}: {camera_result.fault}")
    for step in reversed(steps):
        canvas.say(step, broken.get(step.step, []))
    for step in reversed(steps):
        amiss = _is_amiss(step, broken)
        named = [mark for mark in step.marks if mark.text] if name_all or amiss else []
        for mark in named[:_MOST_NAMES]:
            canvas.name(mark, urgent=amiss)
    return canvas.picture


def to_picture(pixels: Pixels, bits: int = 8) -> Picture:
    """Give a frame as 8-bit RGB, in an array of its own."""
    flat = to_8_bit(pixels, bits)
    if flat.ndim == 2:
        return np.repeat(flat[:, :, None], 3, axis=2)
    return np.array(flat[:, :, :3], np.uint8)


def contact_sheet(
    images: Sequence[Pixels], captions: Sequence[str], *, columns: int = 4, cell_width: int = 320
) -> Picture:
    """Lay pictures out in rows, each with its caption below.

    Parameters
    ----------
    images : sequence of ndarray
        (R, C) or (R, C, 3) uint8 each, of any sizes.
    captions : sequence of str
        One for each.
    columns : int
        Most pictures in a row [count].
    cell_width : int
        Width of a picture [px].

    Returns
    -------
    ndarray
        (M, N, 3) uint8 RGB; one white cell where there are no pictures.
    """
    if len(images) != len(captions):
        message = f"{len(images)} images have {len(captions)} captions"
        raise ValueError(message)
    gap = 8
    lettering = Lettering(15)
    small = [_fit(to_picture(image), cell_width) for image in images]
    height = max((image.shape[0] for image in small), default=cell_width // 2)
    columns = max(1, min(columns, len(small) or 1))
    rows = math.ceil(len(small) / columns) or 1
    down = height + lettering.height + 2 * gap
    sheet = np.full((rows * down + gap, columns * (cell_width + gap) + gap, 3), 255, np.uint8)
    for i, (image, caption) in enumerate(zip(small, captions, strict=True)):
        y, x = gap + i // columns * down, gap + i % columns * (cell_width + gap)
        h, w = image.shape[:2]
        sheet[y : y + h, x : x + w] = image
        text = lettering.shortened(caption, cell_width)
        lettering.write(sheet, text, (x, y + h + 4), (20, 20, 20))
    return sheet


def _canvas(pixels: Pixels, bits: int, max_width: int | None) -> tuple[Picture, float]:
    picture = to_picture(pixels, bits)
    width = picture.shape[1]
    if max_width is None or width <= max_width or not picture.size:
        return picture, 1.0
    small = _fit(picture, max_width)
    return small, small.shape[1] / width


def _fit(picture: Picture, width: int) -> Picture:
    """Make a picture smaller where it is wider than asked."""
    rows, columns = picture.shape[:2]
    if columns <= width:
        return picture
    height = max(1, round(rows * width / columns))
    return cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA).astype(np.uint8)


def _broken_by_step(camera: str, findings: Sequence[Finding]) -> dict[str, list[Finding]]:
    broken: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.camera == camera and not finding.good:
            broken.setdefault(finding.step, []).append(finding)
    return broken


def _is_amiss(step: StepResult, broken: dict[str, list[Finding]]) -> bool:
    return step.step in broken or step.not_measured is not None or step.fault is not None


def _pen_of(step: StepResult, broken: dict[str, list[Finding]]) -> _Pen:
    if step.step in broken or step.fault is not None:
        return _BROKEN
    return _NOT_MEASURED if step.not_measured is not None else _GOOD


class _Canvas:
    """A picture being drawn into, and the places where words stand already."""

    def __init__(self, picture: Picture, scale: float, letter_px: int | None) -> None:
        self.picture = picture
        self.scale = scale
        rows, columns = picture.shape[:2]
        size = math.sqrt(rows * columns) / 700
        self.unit = max(1.0, size)
        self.lettering = Lettering(letter_px or round(min(44, max(12, 14 * size))))
        self.ink = np.zeros((rows, columns), np.uint8)

    def outline(self, step: StepResult, pen: _Pen) -> None:
        self.lines(self.placed(step.outline), pen, closed=True)

    def mark(self, mark: PlacedMark) -> None:
        pen = _TONES.get(mark.tone, _TONES["measured"])
        points = self.placed(mark.points)
        if mark.kind == "points":
            for point in points:
                self.cross(point, pen)
        else:
            self.lines(points, pen, closed=mark.kind == "shape")

    def placed(self, points: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
        """Give points in pixels of the picture; none where one of them is no number."""
        array = np.asarray(points, np.float64).reshape(-1, 2)
        if not np.isfinite(array).all():
            return np.empty((0, 2))
        return np.clip((array + 0.5) * self.scale - 0.5, -_FAR, _FAR)

    def lines(self, points: NDArray[np.float64], pen: _Pen, *, closed: bool) -> None:
        """Draw a line with a dark edge, so that it is seen on any ground."""
        if not len(points):
            return
        if len(points) == 1:
            self.cross(points[0], pen)
            return
        path = np.vstack([points, points[:1]]) if closed else points
        unit = self.unit
        width = max(1, round(pen.width * unit))
        dash, gap = 6 * unit + 2 * width, 5 * unit + 2 * width
        pieces = _dashes(path, dash, gap, self.picture.shape) if pen.dashed else [path]
        fixed = [_fixed(piece) for piece in pieces]
        edge = width + max(2, round(unit))
        cv2.polylines(self.picture, fixed, False, (0, 0, 0), edge, cv2.LINE_AA, _SUB)
        cv2.polylines(self.picture, fixed, False, pen.color, width, cv2.LINE_AA, _SUB)
        cv2.polylines(self.ink, fixed, False, (1,), width, cv2.LINE_8, _SUB)

    def cross(self, point: NDArray[np.float64], pen: _Pen) -> None:
        arm = 4 * self.unit
        for end in ((arm, arm), (arm, -arm)):
            self.lines(
                np.array([point - end, point + end]), _Pen(pen.color, pen.width), closed=False
            )

    def keep_clear(self) -> None:
        """Take note of what is drawn, so that words keep off it where there is room."""
        self.lettering.avoid(self.ink)

    def banner(self, text: str) -> None:
        """Say something about the whole frame, in its upper left corner."""
        self.lettering.label(self.picture, text, (2.0, 2.0), (255, 255, 255), (160, 30, 0))

    def say(self, step: StepResult, broken: Sequence[Finding]) -> None:
        """Name a step at its outline, with what is amiss."""
        lines = [broken_text(finding) for finding in broken]
        if step.fault is not None:
            lines = [f"fault: {step.fault}"]
        elif step.not_measured is not None:
            lines = [f"not measured: {step.not_measured}"]
        elif step.waits_for is not None:
            return
        corners = self.placed(step.outline)
        anchor = corners.min(axis=0) if len(corners) else np.array([2.0, 2.0])
        size = np.ptp(corners, axis=0) if len(corners) else np.zeros(2)
        if not lines and not len(corners):
            return
        text = f"{step.step}: {lines[0]}" if lines else step.step
        paper = (150, 35, 0) if lines else (0, 70, 50)
        if step.not_measured is not None:
            paper = (95, 85, 0)
        self.lettering.label(
            self.picture,
            "\n".join([text, *lines[1:]]),
            (float(anchor[0]), float(anchor[1])),
            (255, 255, 255),
            paper,
            around=(float(size[0]), float(size[1])),
        )

    def name(self, mark: PlacedMark, *, urgent: bool) -> None:
        """Write a mark's own text beside it, where there is room."""
        points = self.placed(mark.points)
        if not mark.text or not len(points):
            return
        pen = _TONES.get(mark.tone, _TONES["measured"])
        anchor, size = points.min(axis=0), np.ptp(points, axis=0)
        self.lettering.label(
            self.picture,
            mark.text,
            (float(anchor[0]), float(anchor[1])),
            pen.color,
            (25, 25, 25),
            around=(float(size[0]), float(size[1])),
            optional=not urgent,
        )


def _fixed(points: NDArray[np.float64]) -> NDArray[np.int32]:
    return np.round(points * (1 << _SUB)).astype(np.int32)[:, None, :]


def _dashes(
    path: NDArray[np.float64], dash: float, gap: float, shape: tuple[int, ...]
) -> list[NDArray[np.float64]]:
    """Cut a path into dashes, one at each end of every stretch, none far outside the picture."""
    pieces: list[NDArray[np.float64]] = []
    reach = np.array([shape[1], shape[0]], np.float64)
    for a, b in pairwise(path):
        inside = _clipped(a, b, -reach, 2 * reach)
        if inside is None:
            continue
        start, end = inside
        length = float(np.hypot(*(end - start)))
        if length == 0:
            continue
        count = max(1, round((length + gap) / (dash + gap)))
        stretch = length / (count * dash + (count - 1) * gap)
        for i in range(count):
            first = i * (dash + gap) * stretch / length
            last = min(first + dash * stretch / length, 1.0)
            pieces.append(np.array([start + (end - start) * t for t in (first, last)]))
    return pieces


def _clipped(
    a: NDArray[np.float64],
    b: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Cut a stretch to a box (Liang and Barsky's way)."""
    first, last = 0.0, 1.0
    step = b - a
    for axis in (0, 1):
        if step[axis] == 0:
            if not low[axis] <= a[axis] <= high[axis]:
                return None
            continue
        t = sorted(((low[axis] - a[axis]) / step[axis], (high[axis] - a[axis]) / step[axis]))
        first, last = max(first, t[0]), min(last, t[1])
    if first > last:
        return None
    return a + first * step, a + last * step
