"""Made-up defects of print, codes, text and contents: what is painted over a good frame."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import cv2
import numpy as np

from engine.frame import Frame
from engine.study.painting import Canvas, Light, Points, through
from engine.study.scene import Scene, place_for, square

Rng = np.random.Generator


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A frame with a defect in it."""

    frame: Frame
    size: float
    """Size of what was made, in the unit of its kind."""
    around: Points
    """Where it is, (K, 2) pixels of the frame."""


def spot(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Lay a dark round spot on lighter ground."""
    middle = place_for(scene, (size, size), on_ink=False, rng=rng)
    if middle is None:
        return None
    turn = np.linspace(0, 2 * np.pi, 33)[:-1]
    ring = scene.at(np.column_stack([np.cos(turn), np.sin(turn)]) * size / 2 + middle)
    canvas = scene.canvas(ring)
    canvas.paint(canvas.alpha([ring]), np.minimum(canvas.light, scene.ink))
    return Made(canvas.done(rng), size, ring)


def blot(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Lay a dark round blot somewhere on the code."""
    shapes = scene.shapes()
    if not shapes:
        return None
    middle = _part(shapes[0], *np.repeat(rng.uniform(0.1, 0.9, 2), 2)).mean(axis=0)
    turn = np.linspace(0, 2 * np.pi, 33)[:-1]
    circle = np.column_stack([np.cos(turn), np.sin(turn)]) * size / 2
    ring = scene.at(circle + scene.back(middle[None, :]))
    canvas = scene.canvas(ring)
    canvas.paint(canvas.alpha([ring]), np.minimum(canvas.light, scene.ink))
    return Made(canvas.done(rng), size, ring)


def smudge(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Wipe wet ink sideways over a square patch: it trails off over half the patch's width."""
    middle = place_for(scene, (size, size), on_ink=True, rng=rng)
    if middle is None:
        return None
    corners = scene.at(square(middle, size, size))
    canvas = scene.canvas(corners, margin=size * scene.px_per_mm / 2)
    across = (corners[1] - corners[0]) * rng.choice((-1, 1))
    canvas.paint(canvas.alpha([corners]), _wiped(canvas.light, across / 2), noisy=True)
    return Made(canvas.done(rng), size, corners)


def _wiped(light: Light, along: Points) -> Light:
    """Drag what is dark along a way [px]; the light lost fades to nothing at its end."""
    length = max(1.0, float(np.hypot(*along)))
    half = math.ceil(length) + 1
    steps = np.arange(0, length + 0.01, 0.5)
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for s in steps:
        x, y = half - along / length * s
        kernel[round(float(y)), round(float(x))] += 1 - s / (length + 0.5)
    kernel /= kernel.sum()
    dragged = cv2.filter2D(light, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    dragged = dragged if dragged.ndim == 3 else dragged[:, :, None]
    return np.minimum(light, dragged)


def missing_print(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Leave a square patch without print: bare ground, where print was."""
    middle = place_for(scene, (size, size), on_ink=True, rng=rng)
    return None if middle is None else _bared(scene, square(middle, size, size), size, rng)


def missing_line(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Draw a light line over half the region, as of dead nozzles: its width is the size."""
    length = scene.region[2] / 2
    middle = place_for(scene, (length, size), on_ink=True, rng=rng)
    return None if middle is None else _bared(scene, square(middle, length, size), size, rng)


def _bared(scene: Scene, corners_mm: Points, size: float, rng: Rng) -> Made:
    corners = scene.at(corners_mm)
    canvas = scene.canvas(corners)
    light = np.maximum(canvas.light, scene.paper)  # what is lighter than the ground is no print
    canvas.paint(canvas.alpha([corners]), light)
    return Made(canvas.done(rng), size, corners)


def colour_off(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Change the light of each colour by up to so many per cent, from one tone to another."""
    shapes = scene.shapes("colour") or scene.shapes() or [scene.at(scene.corners)]
    area = shapes[int(rng.integers(len(shapes)))]
    canvas = scene.canvas(area)
    channels = canvas.light.shape[2]
    way = rng.standard_normal(channels)
    way -= way.mean() if channels > 1 else 0.0
    way /= np.abs(way).max()
    canvas.paint(canvas.alpha([area]), (canvas.light * (1 + way * size / 100)).astype(np.float32),
                 noisy=True)  # fmt: skip
    return Made(canvas.done(rng), size, area)


def paler(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Make it paler: what is darker than its ground comes nearer to it, by so much of the light."""
    shapes = scene.shapes()
    if not shapes:
        return None
    corners = _grown(shapes[0], 1.1)
    canvas = scene.canvas(corners)
    alpha = canvas.alpha([corners])
    paper = np.percentile(canvas.light[alpha > 0.5], 90, axis=0)
    light = paper - (paper - canvas.light) * (1 - size / 100)
    light = np.where(canvas.light < paper, light, canvas.light).astype(np.float32)
    canvas.paint(alpha, light, noisy=True)
    canvas.fresh = alpha * np.float32(1 - (1 - size / 100) ** 2)
    return Made(canvas.done(rng), size, shapes[0])


def bars_voided(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Draw four light scratches along the bars, over so many per cent of their height."""
    shapes = scene.shapes()
    if not shapes or is_matrix(scene):
        return None
    share = size / 100
    start = rng.uniform(0, 1 - share) if share < 1 else 0.0
    wide = 3.5 * _module(scene, shapes[0])
    strips = [
        _part(shapes[0], x - wide / 2, x + wide / 2, start, start + share)
        for x in (np.arange(4) + rng.uniform(0.15, 0.85, 4)) / 4
    ]
    return _paper_over(scene, shapes[0], strips, size, rng)


def strip_torn(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Tear a strip off over the full height of the bars: its width is the size."""
    shapes = scene.shapes()
    if not shapes or is_matrix(scene):
        return None
    whole = np.hypot(*(scene.back(shapes[0])[1] - scene.back(shapes[0])[0]))
    share = min(1.0, size / float(whole))
    x = rng.uniform(0, 1 - share) if share < 1 else 0.0
    return _paper_over(scene, shapes[0], [_part(shapes[0], x, x + share, -0.02, 1.02)], size, rng)


def modules_lost(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Make so many per cent of the modules of a matrix code light, anywhere in it."""
    shapes = scene.shapes()
    if not shapes or not is_matrix(scene):
        return None
    count = max(8, round(1 / _module(scene, shapes[0])))
    lost = rng.permutation(count * count)[: max(1, round(count * count * size / 100))]
    cells = [
        _part(shapes[0], c / count, (c + 1) / count, r / count, (r + 1) / count)
        for r, c in zip(*divmod(lost, count), strict=True)
    ]
    return _paper_over(scene, shapes[0], cells, size, rng)


def character_changed(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Replace one character by another of the same line, as unlike it as asked for.

    Its size is how unlike the two are: mean difference of their pictures over the line's contrast,
    in per cent of the ink of the two.
    """
    cells = character_cells(scene)
    pairs = [
        (abs(_unlike(cells, i, j) - size), i, j)
        for i in cells.fixed
        for j in range(len(cells.text))
        if cells.text[i] != cells.text[j] and not cells.text[i].isspace()
        and not cells.text[j].isspace()
    ]  # fmt: skip
    if not pairs:
        return None
    near = sorted(pairs)[:3]
    _, to, source = near[int(rng.integers(len(near)))]
    canvas = scene.canvas(cells.corners)
    shift = np.eye(3)
    shift[0, 2] = cells.middles[to] - cells.middles[source]
    matrix = cells.to_frame @ shift @ np.linalg.inv(cells.to_frame)
    half, rows = cells.pitch / 2, cells.ink.shape[0]
    area = np.array([(-half, 0), (half, 0), (half, rows), (-half, rows)]) - 0.5
    corners = through(cells.to_frame, area + np.array((cells.middles[to] + 0.5, 0)))
    canvas.paint(canvas.alpha([corners]), canvas.moved(matrix), noisy=True)
    return Made(canvas.done(rng), _unlike(cells, to, source), corners)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The characters of one printed line."""

    text: str
    fixed: tuple[int, ...]
    """Places whose character must be as expected (not a bare time or date)."""
    ink: Light
    """The line, straightened: 0 = ground, 1 = full ink."""
    middles: tuple[float, ...]
    pitch: float
    to_frame: Points
    corners: Points


def character_cells(scene: Scene) -> Cells:
    """Straighten the printed line and find the middle of each character.

    Notes
    -----
    Runs of columns with ink are parted where the gaps are widest, so that there are as many as
    characters; where that does not come out, characters are taken to stand evenly.
    """
    shapes, text = scene.shapes(), str(scene.values.get("text") or "")
    corners = _grown(shapes[0], 1.25, across=1.02) if shapes else scene.at(scene.corners)
    wide = float(np.hypot(*(corners[1] - corners[0])))
    high = float(np.hypot(*(corners[3] - corners[0])))
    size = max(8, round(wide)), max(6, round(high))
    flat = np.array([(0, 0), (size[0], 0), size, (0, size[1])], np.float32) - np.float32(0.5)
    to_frame = cv2.getPerspectiveTransform(flat, corners.astype(np.float32)).astype(np.float64)
    gray = scene.frame.pixels if scene.frame.pixels.ndim == 2 else scene.frame.pixels.mean(axis=2)
    line = cv2.warpPerspective(gray.astype(np.float32), to_frame, size,
                               flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)  # fmt: skip
    low, ground, top = np.percentile(line, (2, 50, 98))
    dark = ground - low >= top - ground
    ink = (ground - line if dark else line - ground) / max(ground - low, top - ground, 1.0)
    ink = np.clip(ink, 0, 1).astype(np.float32)
    middles = _middles(ink.max(axis=0), text)
    pitch = float(np.median(np.diff(middles))) if len(middles) > 1 else float(size[0])
    fixed = tuple(k for k in fixed_places(str(scene.setting("text") or text), text))
    return Cells(text, fixed, ink, middles, pitch, to_frame, corners)


def _middles(profile: Light, text: str) -> tuple[float, ...]:
    count = len(text)
    shown = [k for k, c in enumerate(text) if not c.isspace()]
    columns = np.flatnonzero(profile > 0.3)
    if not len(columns) or not shown:
        return tuple((np.arange(count) + 0.5) * len(profile) / max(count, 1))
    gaps = np.diff(columns)
    cuts = np.sort(np.argsort(-gaps, kind="stable")[: len(shown) - 1])
    clear = len(gaps) >= len(shown) - 1 and (not len(cuts) or gaps[cuts].min() > 1)
    if clear:
        parts = np.split(columns, cuts + 1)
        found = [(float(p[0]) + float(p[-1])) / 2 for p in parts]
        return tuple(np.interp(np.arange(count), shown, found))
    first, last = float(columns[0]), float(columns[-1]) + 1
    wide = (last - first) / count
    return tuple(first + (np.arange(count) + 0.5) * wide - 0.5)


def fixed_places(pattern: str, text: str) -> list[int]:
    """Give the places of a printed line that are not a bare time or date.

    Examples
    --------
    >>> fixed_places("L {lot} hh:mm", "L K44 07:31")
    [0, 1, 2, 3, 4, 5, 8]
    """
    head, brace, rest = pattern.partition("{")
    tail = rest.rpartition("}")[2] if brace else ""
    free: set[int] = set()
    for literal, start in ((head, 0), (tail, len(text) - len(tail))):
        for found in re.finditer(r"(?<![A-Za-z])(?:yyyy|yy|mon|mm|dd|hh|ss)(?![A-Za-z])", literal):
            free.update(range(start + found.start(), start + found.end()))
    return [k for k in range(len(text)) if k not in free]


def _unlike(cells: Cells, a: int, b: int) -> float:
    one, two = _cell(cells, a), _cell(cells, b)
    whole = float(one.sum() + two.sum())
    return 100 * float(np.abs(one - two).sum()) / whole if whole > 0 else 0.0


def _cell(cells: Cells, place: int) -> Light:
    rows = cells.ink.shape[0]
    width = max(3, round(cells.pitch))
    middle = (float(cells.middles[place]), (rows - 1) / 2)
    return cv2.getRectSubPix(cells.ink, (width, rows), middle)


def item_removed(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Empty so many per cent of one item's area: filled from what lies around the item."""
    shapes = scene.shapes()
    if not shapes:
        return None
    item = shapes[int(rng.integers(len(shapes)))]
    share = size / 100
    sides = ((0, share, 0, 1), (1 - share, 1, 0, 1), (0, 1, 0, share), (0, 1, 1 - share, 1))
    grown = _grown(item, 1.06)
    part = _part(grown, *sides[int(rng.integers(4))])
    canvas = scene.canvas(grown, margin=0.15 * float(np.ptp(grown, axis=0).max()))
    light = canvas.filled(canvas.alpha([grown]))
    canvas.paint(canvas.alpha([part]), light)
    return Made(canvas.done(rng), size, item)


def is_matrix(scene: Scene) -> bool:
    """Tell whether a step's code is one of square modules."""
    named = f"{scene.values.get('symbology', '')} {scene.setting('symbology')}".lower()
    return any(word in named for word in ("matrix", "qr", "aztec")) or "matrix" in (
        scene.planned.step.name
    )


def _module(scene: Scene, shape: Points) -> float:
    """Give the width of a module as a share of the symbol's width."""
    width = float(np.hypot(*(shape[1] - shape[0])))
    module = scene.values.get("px_per_module")
    return float(module) / width if isinstance(module, (int, float)) and width else 1 / 95


def _paper_over(scene: Scene, symbol: Points, areas: list[Points], size: float, rng: Rng) -> Made:
    canvas: Canvas = scene.canvas(symbol)
    inside = canvas.alpha([symbol], blurred=False) > 0.5
    paper = np.percentile(canvas.light[inside], 95, axis=0).astype(np.float32)
    canvas.paint(canvas.alpha(areas), np.maximum(canvas.light, paper))
    return Made(canvas.done(rng), size, symbol)


def _part(quad: Points, left: float, right: float, top: float, bottom: float) -> Points:
    """Give a part of a quadrilateral, by shares of its sides."""
    a, b, c, d = quad
    shares = ((left, top), (right, top), (right, bottom), (left, bottom))
    return np.array(
        [a * (1 - u) * (1 - v) + b * u * (1 - v) + c * u * v + d * (1 - u) * v for u, v in shares]
    )


def _grown(quad: Points, by: float, across: float | None = None) -> Points:
    """Give a quadrilateral about its middle, larger by a factor (and `across` by another)."""
    across = by if across is None else across
    return _part(quad, 0.5 - across / 2, 0.5 + across / 2, 0.5 - by / 2, 0.5 + by / 2)
