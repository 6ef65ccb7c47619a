"""First shapes of a line's characters: good enough to find the line by, before it is taught."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from steps._shared.character_boxes import (
    Cut,
    character_boxes,
    cut_glyphs,
    cut_of,
    ink_of,
    is_tall,
)
from steps._shared.glyphs import GlyphSet, Ink, dot_glyphs
from steps._shared.line_fit import LineFit, find_line, sample
from steps._shared.line_reading import ScaledView
from steps._shared.stroke_glyphs import stroke_glyphs
from steps._shared.text_line import TextLine, text_line
from steps._shared.text_patterns import LinePattern

Kind = Literal["dots", "cut", "rough"]
"""Built-in dots that fit; characters that stand apart; or a likeness to be loosened."""

_DOTS_LIKE = 0.72
"""Correlation with built-in dots from which print counts as such [fraction]."""
_DOTS_SURE = 0.9
_ROUGH_LIKE = 0.4


def glyphs_from_sheet(picture: NDArray[np.uint8], characters: str) -> GlyphSet:
    """Cut a picture of one row of characters, dark on light, into shapes.

    Raises
    ------
    ValueError
        When the picture does not show as many characters as are named.
    """
    gray = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    text = "".join(characters.split())
    ink = np.pad(ink_of(-gray.astype(np.float32)), 3)
    boxes = character_boxes(ink, len(text), clean=True)
    if boxes is None:
        raise ValueError(f"the font picture does not show {len(text)} characters in one row")
    cut, height = cut_of(ink, text, boxes)
    x, place = cut.middles[:, 0], np.arange(len(text))
    pitch, first = np.polyfit(place, x, 1) if len(text) > 3 else (0.0, 0.0)
    if len(text) > 3 and np.abs(x - first - pitch * place).max() < 0.2 * pitch:
        # All as wide as each other: a narrow character need not stand in the middle of its room.
        even = replace(cut, middles=np.column_stack([first + pitch * place, cut.middles[:, 1]]))
        glyphs = cut_glyphs([even], height, math.nan, "font")
        half = np.full(len(glyphs.characters), float(pitch) / 2)
        return replace(glyphs, before=half, after=half.copy(), space=float(pitch))
    return cut_glyphs([cut], height, math.nan, "font")


def line_of(pattern: LinePattern, glyphs: GlyphSet) -> TextLine | None:
    """Lay the pattern out with the shapes there are; None where a place has none at all."""
    places: list[list[int] | None] = []
    for c, allowed in zip(pattern.characters, pattern.allowed(), strict=True):
        rows = [k for a in allowed for k in glyphs.rows_of(a)]
        if c != " " and not rows:
            return None
        places.append(None if c == " " else rows)
    return text_line(glyphs, places)


def first_shapes(
    views: Sequence[ScaledView],
    pattern: LinePattern,
    sheet: GlyphSet | None,
    height: float | None,
    mm_per_px: float,
) -> list[tuple[GlyphSet, Kind]]:
    """Give first shapes of a line's characters, at the scale of the views.

    Parameters
    ----------
    views : sequence of ScaledView
        Views of good cartons at one scale.
    pattern : LinePattern
        What the line says.
    sheet : GlyphSet or None
        Shapes of a font picture.
    height : float or None
        Height of a capital, where it is known [px].
    mm_per_px : float
        Scale of the views, or nan.

    Returns
    -------
    list of tuple
        Sets of shapes, the likeliest first, and how each was found.
    """
    few = views[:: max(1, len(views) // 3)][:3]
    rest = stroke_glyphs(18.0, mm_per_px) if sheet is None else sheet
    dots = _sized(few, pattern, dot_glyphs(16.0, mm_per_px), height)
    ways: list[tuple[GlyphSet, Kind]] = []
    if dots is not None and dots[1] >= _DOTS_SURE:
        return [(dots[0], "dots")]
    strokes = _sized(few, pattern, rest, height)
    if dots is not None and dots[1] >= max(_DOTS_LIKE, strokes[1] if strokes else 0.0):
        ways.append((dots[0], "dots"))
    apart = _standing_apart(views, pattern, mm_per_px)
    if apart is not None:
        ways.append((apart.joined(rest.scaled(apart.height / rest.height, mm_per_px)), "cut"))
    rough = sorted((s for s in (dots, strokes) if s is not None), key=lambda s: -s[1])
    for shapes, score in rough:
        if score >= _ROUGH_LIKE:
            ways.append((replace(shapes, dotted=False), "rough"))
    return ways


def _standing_apart(
    views: Sequence[ScaledView], pattern: LinePattern, mm_per_px: float
) -> GlyphSet | None:
    """Cut the characters out where they stand apart on enough of the views."""
    text = pattern.shown()
    cuts: list[Cut] = []
    heights: list[float] = []
    for view in views:
        ink = ink_of(view.ink)
        boxes = character_boxes(ink, len(text.replace(" ", "")))
        if boxes is not None and any(c not in " ?" for c in text):
            try:
                cut, height = cut_of(ink, text, boxes)
            except ValueError:
                return None
            cuts.append(cut)
            heights.append(height)
    if len(cuts) < max(2, len(views) // 2):
        return None
    return cut_glyphs(cuts, float(np.median(heights)), mm_per_px, "taught")


def _sized(
    views: Sequence[ScaledView], pattern: LinePattern, glyphs: GlyphSet, height: float | None
) -> tuple[GlyphSet, float] | None:
    """Bring shapes to the size of the print: the set, and how well it is like the print."""
    if line_of(pattern, glyphs) is None:
        return None
    rows = min(v.ink.shape[0] for v in views)
    heights = np.geomspace(max(8.0, 0.2 * rows), max(9.0, 0.9 * rows), 15)
    if height is not None:
        heights = height * np.array([0.9, 1.0, 1.1])
    best: tuple[float, GlyphSet, list[LineFit]] | None = None
    for tall in heights:
        reduce = min(1.0, 18 / tall)
        sized = glyphs.scaled(tall / glyphs.height, glyphs.mm_per_px)
        line = line_of(pattern, sized.scaled(reduce, glyphs.mm_per_px))
        fits = [f for v in views if line and (f := _found(v, line, reduce))]
        score = sum(f.score for f in fits) / len(views)
        if fits and (best is None or score > best[0]):
            best = (score, sized, fits)
    if best is None:
        return None
    across = float(np.median([np.hypot(*f.matrix[:, 0]) for f in best[2]]))
    area = float(np.median([abs(np.linalg.det(f.matrix[:, :2])) for f in best[2]]))
    return best[1].scaled(area / across, glyphs.mm_per_px, across=across**2 / area), best[0]


def _found(view: ScaledView, line: TextLine, reduce: float) -> LineFit | None:
    """Find a line of doubtful size on a view."""
    small = cv2.resize(view.ink, None, fx=reduce, fy=reduce, interpolation=cv2.INTER_AREA)
    return find_line(np.asarray(small, np.float32), line, stretch=0.3, turn_deg=2.0)


def loosened(
    views: Sequence[ScaledView], pattern: LinePattern, glyphs: GlyphSet, reach: float
) -> GlyphSet:
    """Let every place find its own shift along the line, and take shapes and room from that.

    This is for teaching only: the text is known to be right there. `reach` is how far a place may
    shift, in heights of a capital; places that are read only say how wide they are.
    """
    line = line_of(pattern, glyphs)
    if line is None:
        return glyphs
    cuts: list[Cut] = []
    for view in views:
        fit = find_line(view.ink, line, stretch=0.12, turn_deg=2.0, weights=view.weights)
        if fit is not None and fit.score > _ROUGH_LIKE - 0.1:
            cuts.append(_cut_loose(view, pattern, line, fit, reach))
    if len(cuts) < 2:
        return glyphs
    made = cut_glyphs(cuts, glyphs.height, glyphs.mm_per_px, "taught")
    return made.joined(glyphs)


def _cut_loose(
    view: ScaledView, pattern: LinePattern, line: TextLine, fit: LineFit, reach: float
) -> Cut:
    """Straighten the line, and find each place's shift by the shape it is taken for."""
    height, width = line.glyphs.ink.shape[1:]
    extra = math.ceil(reach * line.glyphs.height)
    half = math.ceil(line.length / 2 + width / 2) + extra
    along = np.arange(-half, half + 1, dtype=np.float32)[None, None, :]
    across = (np.arange(height, dtype=np.float32) - (height - 1) / 2)[None, :, None]
    level = sample(view.ink, fit.matrix, along, across)
    ground = fit.ground.astype(np.float32)
    ink: Ink = ((level - ground[0] - ground[1] * along - ground[2] * across) / fit.contrast)[0]
    moved = np.zeros(len(line.middles))
    for k, (row, middle) in enumerate(zip(fit.rows, line.middles, strict=True)):
        start = round(float(middle) + half - (width - 1) / 2) - extra
        cut = sliding_window_view(ink[:, start : start + width + 2 * extra], width, axis=1)
        like = _likeness(np.asarray(cut).transpose(1, 0, 2), line.glyphs.ink[row])
        moved[k] = start + int(like.argmax()) + (width - 1) / 2 - half - float(middle)
    shown = [line.glyphs.characters[int(r)] for r in fit.rows]
    tall = np.array([is_tall(c) for c in shown], np.bool_)
    if bool(tall.any()):
        # A dot or stroke of little ink goes with its neighbours.
        moved = np.asarray(np.interp(line.middles, line.middles[tall], moved[tall]), np.float64)
    room = (line.glyphs.before + line.glyphs.after)[fit.rows]
    middles = np.column_stack([line.middles + moved + half, np.full(len(moved), (height - 1) / 2)])
    widths = np.maximum(0.1, room - 0.2 * line.glyphs.height)
    return Cut(ink.astype(np.float32), pattern.shown(), middles, widths)


def _likeness(cut: Ink, shape: Ink) -> NDArray[np.float64]:
    """Correlate patches (S, H, W) with one shape."""
    flat = cut.reshape(len(cut), -1).astype(np.float64)
    flat -= flat.mean(axis=1, keepdims=True)
    wanted = shape.ravel().astype(np.float64) - float(shape.mean())
    norm = np.linalg.norm(flat, axis=1) * float(np.linalg.norm(wanted)) + 1e-9
    return np.asarray(flat @ wanted / norm, np.float64)
