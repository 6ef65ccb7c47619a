"""Shapes that were never taught: built-in ones brought to the looks of the taught ones."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from steps._shared.character_boxes import is_tall
from steps._shared.dot_glyphs import COLUMNS, ROWS
from steps._shared.glyphs import GlyphSet, dot_glyphs, padded
from steps._shared.stroke_glyphs import stroke_glyphs

_DOTS_FIT = 0.8
"""Mean correlation from which built-in dots may complete a taught set [fraction]."""


def with_dots(glyphs: GlyphSet) -> GlyphSet:
    """Add built-in characters of dots, at the measured size of dots, where the print is of them."""
    down, across = glyphs.height / ROWS, 2 * float(glyphs.before[0]) / (COLUMNS + 1)
    names = "".join(glyphs.characters)
    best = (0.0, 1.0, (down, across), (down, across))
    for grow in (0.92, 0.96, 1.0, 1.04):
        for part in (0.3, 0.36, 0.42, 0.5, 0.6, 0.7):
            pitch = (down * grow, across * grow)
            spread = (part * down, part * across)
            drawn = dot_glyphs(
                glyphs.height, glyphs.mm_per_px, pitch=pitch, spread=spread, characters=names
            )
            like, gain = likeness(glyphs, drawn)
            if like > best[0]:
                best = (like, gain, pitch, spread)
    if best[0] < _DOTS_FIT:
        return glyphs
    drawn = dot_glyphs(glyphs.height, glyphs.mm_per_px, pitch=best[2], spread=best[3])
    half = np.full(len(drawn.characters), float(glyphs.before[0]))
    drawn = replace(drawn, ink=drawn.ink * np.float32(best[1]), before=half, after=half.copy())
    return replace(glyphs, dotted=True).joined(drawn)


def dotted(glyphs: GlyphSet) -> GlyphSet:
    """Note whether shapes of a font picture are of dots, by their likeness to built-in ones."""
    drawn = dot_glyphs(glyphs.height, glyphs.mm_per_px)
    mine = float(np.median(glyphs.before + glyphs.after))
    across = mine / (2 * float(drawn.before[0]))
    like, _ = likeness(glyphs, drawn.scaled(1.0, glyphs.mm_per_px, across=across))
    return replace(glyphs, dotted=like >= _DOTS_FIT)


def with_strokes(glyphs: GlyphSet, *, all_characters: bool) -> GlyphSet:
    """Add stand-ins for what is not known: width, weight of stroke and blur as the known ones.

    With `all_characters` every character there is; else digits and capitals, the likely rivals.
    """
    best, like_best = glyphs, -1.0
    for stem in (0.1, 0.14, 0.19, 0.25):
        drawn = stroke_glyphs(glyphs.height, glyphs.mm_per_px, stem=stem)
        drawn = drawn.scaled(1.0, glyphs.mm_per_px, across=_width_ratio(glyphs, drawn))
        for blur in (0.0, 0.5, 0.8, 1.1, 1.5):
            made = drawn
            if blur:
                soft = [
                    np.asarray(cv2.GaussianBlur(g, (0, 0), blur), np.float32) for g in drawn.ink
                ]
                made = replace(drawn, ink=np.stack(soft))
            like, gain = likeness(glyphs, made)
            if like > like_best:
                best, like_best = replace(made, ink=made.ink * np.float32(gain)), like
    if not all_characters:
        best = best.only([k for k, c in enumerate(best.characters) if is_tall(c)])
    return glyphs.joined(best)


def _width_ratio(glyphs: GlyphSet, drawn: GlyphSet) -> float:
    """Compare the room of characters that both sets know."""
    mine, theirs = glyphs.before + glyphs.after, drawn.before + drawn.after
    ratios = [
        float(mine[k] / theirs[drawn.rows_of(c)[0]])
        for k, c in enumerate(glyphs.characters)
        if c in drawn.characters and glyphs.origin[k] == "taught"
    ]
    return float(np.clip(np.median(ratios), 0.6, 1.6)) if ratios else 1.0


def likeness(taught: GlyphSet, drawn: GlyphSet) -> tuple[float, float]:
    """Correlate taught shapes with drawn ones: mean correlation, and gain."""
    rows, columns = (
        max(a, b) for a, b in zip(taught.ink.shape[1:], drawn.ink.shape[1:], strict=True)
    )
    seen = padded(taught.ink, rows, columns).reshape(len(taught.ink), -1)
    made = padded(drawn.ink, rows, columns).reshape(len(drawn.ink), -1)
    likes: list[float] = []
    gains: list[float] = []
    for k, c in enumerate(taught.characters):
        ways = drawn.rows_of(c)
        if ways and taught.origin[k] != "drawn":
            like = [float(np.corrcoef(seen[k], made[j])[0, 1]) for j in ways]
            row = ways[int(np.argmax(like))]
            likes.append(max(like))
            gains.append(float(seen[k] @ made[row] / max(float(made[row] @ made[row]), 1e-6)))
    return (float(np.mean(likes)), float(np.median(gains))) if likes else (0.0, 1.0)
