"""Shapes of characters from good cartons, or from a picture of the coder's characters."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.character_boxes import (
    Boxes,
    average,
    character_boxes,
    cut_glyphs,
    ink_of,
)
from steps._shared.dot_glyphs import COLUMNS, ROWS
from steps._shared.glyphs import GlyphSet, Ink, dot_glyphs, padded
from steps._shared.line_fit import LineFit, find_line, score_places
from steps._shared.line_reading import ScaledView, read_line, view_at_scale
from steps._shared.text_line import TextLine, text_line
from steps._shared.text_patterns import LinePattern
from steps.contract import NotMeasured, Taught, UnusableReference, View

_DOTS_LIKE = 0.72
"""Correlation with built-in characters from which print counts as one of dots [fraction]."""


def glyphs_from_sheet(picture: NDArray[np.uint8], characters: str) -> GlyphSet:
    """Cut a picture of one row of characters, dark on light, into shapes.

    Raises
    ------
    ValueError
        When the picture does not show as many characters as are named.
    """
    gray = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    text = "".join(characters.split())
    ink = ink_of(-gray.astype(np.float32))
    ink = np.pad(ink, 2)
    boxes = character_boxes(ink, len(text), clean=True)
    if boxes is None:
        raise ValueError(f"the font picture does not show {len(text)} characters in one row")
    glyphs = cut_glyphs([(ink, text, boxes)], math.nan, "font")
    return _one_width(glyphs, (boxes[:, 0] + boxes[:, 2]) / 2)


def _one_width(glyphs: GlyphSet, middles: NDArray[np.float64]) -> GlyphSet:
    """Give every character the same room where the row's middles stand at even distances."""
    steps = np.diff(middles)
    if len(steps) < 3 or steps.std() > 0.06 * glyphs.height:
        return glyphs
    half = np.full(len(glyphs.characters), float(np.median(steps)) / 2)
    return replace(glyphs, before=half, after=half.copy(), space=2 * float(half[0]))


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """The line on one taught view."""

    fit: LineFit
    ink: Ink
    """(P, H, W) what the places show."""
    shown: tuple[str, ...]
    """The character at each place; empty where that is not clear."""
    wrong: str
    """What is wrong with a known place; empty where nothing is."""


def teach_glyphs(
    views: Sequence[View],
    pattern: LinePattern,
    *,
    sheet: GlyphSet | None,
    height_mm: float | None,
    light: bool,
    turn_deg: float,
) -> Taught:
    """Take shapes from good cartons; see `printed_text.teach`."""
    scaled, left_out = _same_scale(views, light=light)
    if len(scaled) < 2:
        raise UnusableReference("fewer than 2 views can be used to teach characters")
    mm_per_px = views[next(iter(scaled))].mm_per_px
    start, dots = _first_shapes(list(scaled.values()), pattern, sheet, height_mm, mm_per_px)
    glyphs = start
    seen: dict[int, _Seen] = {}
    good: dict[int, _Seen] = {}
    for _ in range(3):
        seen = {k: s for k, v in scaled.items() if (s := _see(v, pattern, glyphs, turn_deg))}
        good = _good(seen)
        if len(good) < max(2, len(scaled) // 3):
            why = f"the line `{pattern.shown()}` is found in {len(good)} of {len(views)} views"
            raise UnusableReference(why)
        glyphs = _averaged(good, glyphs)
    for k in scaled:
        if k not in seen:
            left_out[k] = "the line is not found"
        elif k not in good:
            left_out[k] = seen[k].wrong or "the line is much less clear than on the other views"
    counts = Counter(c for one in good.values() for c in one.shown if c)
    glyphs = _only_seen(glyphs)
    if dots:
        glyphs = _completed(glyphs)
    elif sheet is not None:
        glyphs = glyphs.joined(sheet.scaled(glyphs.height / sheet.height, glyphs.mm_per_px))
    arrays = glyphs.to_arrays() | {
        "counts": np.array([counts.get(c, 0) for c in glyphs.characters], np.int32)
    }
    return Taught(arrays, dict(sorted(left_out.items())), _picture(glyphs))


def _same_scale(
    views: Sequence[View], *, light: bool
) -> tuple[dict[int, ScaledView], dict[int, str]]:
    """Bring the views to one scale, ink upwards; those that cannot be used are named."""
    scaled: dict[int, ScaledView] = {}
    left_out: dict[int, str] = {}
    first = next((v.mm_per_px for v in views if math.isfinite(v.mm_per_px)), math.nan)
    in_mm = math.isfinite(first)
    for k, view in enumerate(views):
        brought = view_at_scale(view, 1 / first if in_mm else 1.0, in_mm=in_mm, light=light)
        if isinstance(brought, NotMeasured):
            left_out[k] = brought.why
        elif float(np.ptp(brought.ink)) < 8:
            left_out[k] = "the view shows nothing"
        else:
            scaled[k] = brought
    return scaled, left_out


def _first_shapes(
    views: Sequence[ScaledView],
    pattern: LinePattern,
    sheet: GlyphSet | None,
    height_mm: float | None,
    mm_per_px: float,
) -> tuple[GlyphSet, bool]:
    """Give shapes good enough to find the line by, and whether the print is of 5 by 7 dots."""
    known = None if height_mm is None else height_mm / mm_per_px
    few = views[:: max(1, len(views) // 3)][:3]
    dots, score = _sized(few, pattern, dot_glyphs(16.0, mm_per_px), known)
    if dots is not None and score >= _DOTS_LIKE:
        return dots, True
    cuts: list[tuple[Ink, str, Boxes]] = []
    for view in views:
        ink = ink_of(view.ink)
        boxes = character_boxes(ink, len(pattern.shown().replace(" ", "")))
        if boxes is not None:
            cuts.append((ink, pattern.shown(), boxes))
    if len(cuts) >= max(2, len(views) // 3):
        try:
            cut = cut_glyphs(cuts, mm_per_px, "taught")
            if sheet is not None:
                cut = cut.joined(sheet.scaled(cut.height / sheet.height, mm_per_px))
            return cut, False
        except ValueError:
            pass
    if sheet is not None:
        drawn, sheet_score = _sized(few, pattern, sheet, known)
        if drawn is not None and sheet_score >= _DOTS_LIKE:
            return drawn, False
    if dots is not None and score >= 0.5:
        return dots, False
    raise UnusableReference(f"the line `{pattern.shown()}` is not found on the views")


def _sized(
    views: Sequence[ScaledView], pattern: LinePattern, glyphs: GlyphSet, height: float | None
) -> tuple[GlyphSet | None, float]:
    """Bring shapes to the size of the print: the set, and how well it is like the print."""
    if not set("".join(pattern.allowed())) - {" "} <= set(glyphs.characters):
        return None, 0.0
    rows = min(v.ink.shape[0] for v in views)
    heights = np.geomspace(max(8.0, 0.2 * rows), max(9.0, 0.9 * rows), 15)
    if height is not None:
        heights = height * np.array([0.9, 1.0, 1.1])
    best: tuple[float, GlyphSet, list[LineFit]] | None = None
    for tall in heights:
        reduce = min(1.0, 24 / tall)
        sized = glyphs.scaled(tall / glyphs.height, glyphs.mm_per_px)
        line = line_of(pattern, sized.scaled(reduce, glyphs.mm_per_px))
        if line is None:
            return None, 0.0
        fits: list[LineFit] = []
        for view in views:
            small = cv2.resize(view.ink, None, fx=reduce, fy=reduce, interpolation=cv2.INTER_AREA)
            fit = find_line(np.asarray(small, np.float32), line, stretch=0.3, turn_deg=2.0)
            if fit is not None:
                fits.append(fit)
        score = sum(f.score for f in fits) / len(views)
        if best is None or score > best[0]:
            best = (score, sized, fits)
    if best is None or not best[2]:
        return None, 0.0
    across = float(np.median([np.hypot(*f.matrix[:, 0]) for f in best[2]]))
    area = float(np.median([abs(np.linalg.det(f.matrix[:, :2])) for f in best[2]]))
    return best[1].scaled(area / across, glyphs.mm_per_px, across=across**2 / area), best[0]


def _see(view: ScaledView, pattern: LinePattern, glyphs: GlyphSet, turn_deg: float) -> _Seen | None:
    """Find the line on one view and see what its places show."""
    line = line_of(pattern, glyphs)
    if line is None:
        raise UnusableReference(
            "no digit is known to read the date or time by: give a `font` picture"
        )
    fit = find_line(view.ink, line, stretch=0.12, turn_deg=turn_deg, weights=view.weights)
    if fit is None or view.hidden(fit, line):
        return None
    scores = score_places(view.ink, line, fit)
    reading = read_line(pattern, line, scores)
    wrong = ""
    shown: list[str] = []
    for place in reading.places:
        given = pattern.characters[place.place]
        if given is not None and place.margin <= 0:
            wrong = wrong or f"place {place.place + 1}: {given} looks like {place.rival}"
        shown.append(given or (place.expected if place.margin > 0.25 else ""))
    return _Seen(fit, scores.ink * line.root_weights, tuple(shown), wrong)


def line_of(pattern: LinePattern, glyphs: GlyphSet) -> TextLine | None:
    """Lay the pattern out with the shapes there are; None where a place has none at all."""
    places: list[list[int] | None] = []
    for c, allowed in zip(pattern.characters, pattern.allowed(), strict=True):
        rows = [k for a in allowed for k in glyphs.rows_of(a)]
        if c != " " and not rows:
            return None
        places.append(None if c == " " else rows)
    return text_line(glyphs, places)


def _good(seen: dict[int, _Seen]) -> dict[int, _Seen]:
    """Keep the views whose known places are right and whose line is as clear as most."""
    right = {k: s for k, s in seen.items() if not s.wrong}
    if not right:
        return {}
    usual = float(np.median([s.fit.score for s in right.values()]))
    return {k: s for k, s in right.items() if s.fit.score >= 0.88 * usual}


def _averaged(good: dict[int, _Seen], glyphs: GlyphSet) -> GlyphSet:
    """Put the average looks in the place of the shapes the line was found by."""
    looks: dict[str, list[Ink]] = {}
    for one in good.values():
        for c, ink in zip(one.shown, one.ink, strict=True):
            if c:
                looks.setdefault(c, []).append(ink)
    keep = [
        k for k, c in enumerate(glyphs.characters) if glyphs.rows_of(c)[0] == k or c not in looks
    ]
    ink = [
        average(looks[c]) if (c := glyphs.characters[k]) in looks else glyphs.ink[k] for k in keep
    ]
    origin = ["taught" if glyphs.characters[k] in looks else glyphs.origin[k] for k in keep]
    return replace(
        glyphs,
        characters=tuple(glyphs.characters[k] for k in keep),
        ink=np.stack(ink).astype(np.float32),
        before=glyphs.before[keep],
        after=glyphs.after[keep],
        origin=tuple(origin),
    )


def _only_seen(glyphs: GlyphSet) -> GlyphSet:
    """Drop the shapes that no view showed."""
    keep = [k for k, o in enumerate(glyphs.origin) if o == "taught"]
    return replace(
        glyphs,
        characters=tuple(glyphs.characters[k] for k in keep),
        ink=glyphs.ink[keep],
        before=glyphs.before[keep],
        after=glyphs.after[keep],
        origin=("taught",) * len(keep),
    )


def _completed(glyphs: GlyphSet) -> GlyphSet:
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
            like, gain = _likeness(glyphs, drawn)
            if like > best[0]:
                best = (like, gain, pitch, spread)
    if best[0] < 0.8:
        return glyphs
    drawn = dot_glyphs(glyphs.height, glyphs.mm_per_px, pitch=best[2], spread=best[3])
    half = np.full(len(drawn.characters), float(glyphs.before[0]))
    drawn = replace(drawn, ink=drawn.ink * best[1], before=half, after=half.copy())
    return glyphs.joined(drawn)


def _likeness(taught: GlyphSet, drawn: GlyphSet) -> tuple[float, float]:
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
        if ways:
            like = [float(np.corrcoef(seen[k], made[j])[0, 1]) for j in ways]
            row = ways[int(np.argmax(like))]
            likes.append(max(like))
            gains.append(float(seen[k] @ made[row] / (made[row] @ made[row])))
    return (float(np.mean(likes)), float(np.median(gains))) if likes else (0.0, 1.0)


def _picture(glyphs: GlyphSet) -> NDArray[np.uint8]:
    """Show the shapes in a row of tiles; those that were not seen on cartons stand on blue."""
    tiles: list[NDArray[np.uint8]] = []
    for ink, origin in zip(glyphs.ink, glyphs.origin, strict=True):
        ground = (255, 255, 255) if origin == "taught" else (205, 222, 255)
        level = np.clip(1 - ink, 0, 1)[..., None] * np.array(ground)
        tiles.append(np.pad(level.astype(np.uint8), ((1, 1), (1, 1), (0, 0))))
    blank = np.full_like(tiles[0], 255)
    wide = 16
    tiles += [blank] * (-len(tiles) % wide)
    rows = [np.hstack(tiles[k : k + wide]) for k in range(0, len(tiles), wide)]
    big = cv2.resize(np.vstack(rows), None, fx=3, fy=3, interpolation=cv2.INTER_NEAREST)
    return big.astype(np.uint8)
