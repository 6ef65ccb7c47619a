"""Shapes of characters taken from good cartons."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.character_boxes import average
from steps._shared.first_shapes import Kind, first_shapes, line_of, loosened
from steps._shared.glyph_completion import with_dots, with_strokes
from steps._shared.glyphs import GlyphSet, Ink
from steps._shared.line_fit import LineFit, PlaceScores, find_line, score_places
from steps._shared.line_reading import ScaledView, read_line, view_at_scale
from steps._shared.text_line import TextLine
from steps._shared.text_patterns import LinePattern
from steps.contract import NotMeasured, Taught, UnusableReference, View

_CLEAR = 0.25
"""Margin to other digits from which a place that is read may teach its digit [fraction]."""


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
    height = None if height_mm is None else height_mm / mm_per_px
    ways = first_shapes(list(scaled.values()), pattern, sheet, height, mm_per_px)
    best: _Result | None = None
    for glyphs, kind in ways:
        result = _taught(scaled, pattern, glyphs, kind, turn_deg)
        if best is None or len(result.good) > len(best.good):
            best = result
        if len(best.good) >= 0.6 * len(scaled):
            break
    enough = max(2, len(scaled) // 3)
    if best is None or len(best.good) < enough:
        count = 0 if best is None else len(best.good)
        raise UnusableReference(
            f"the line `{pattern.shown()}` is found in {count} of {len(views)} views"
        )
    left_out |= {k: why for k, why in best.wrong.items() if k in scaled}
    glyphs = best.glyphs.only([k for k, o in enumerate(best.glyphs.origin) if o == "taught"])
    if best.kind == "dots":
        glyphs = with_dots(glyphs)
    if sheet is not None:
        glyphs = glyphs.joined(sheet.scaled(glyphs.height / sheet.height, glyphs.mm_per_px))
    glyphs = with_strokes(glyphs, all_characters=False)
    counts = Counter(c for one in best.good.values() for c in one.shown if c)
    arrays = glyphs.to_arrays() | {
        "counts": np.array([counts.get(c, 0) for c in glyphs.characters], np.int32)
    }
    return Taught(arrays, dict(sorted(left_out.items())), _picture(glyphs))


@dataclass(frozen=True, slots=True, eq=False)
class _Result:
    """What came of teaching from one kind of first shapes."""

    glyphs: GlyphSet
    kind: Kind
    good: dict[int, _Seen]
    wrong: dict[int, str]


def _taught(
    scaled: dict[int, ScaledView],
    pattern: LinePattern,
    glyphs: GlyphSet,
    kind: Kind,
    turn_deg: float,
) -> _Result:
    """Find the line by first shapes, take the average looks, and again by those."""
    for reach in (0.3, 0.2, 0.1) if kind == "rough" else ():
        glyphs = loosened(list(scaled.values()), pattern, glyphs, reach)
    if kind != "dots":
        known = [k for k, o in enumerate(glyphs.origin) if o != "drawn"]
        if known:
            glyphs = with_strokes(glyphs.only(known), all_characters=True)
    seen: dict[int, _Seen] = {}
    for _ in range(4):
        seen = {k: s for k, v in scaled.items() if (s := _see(v, pattern, glyphs, turn_deg))}
        clear = _clear(seen)
        if len(clear) < 2:
            break
        right = {k: s for k, s in clear.items() if not s.wrong}
        glyphs = _averaged(right if len(right) > len(clear) / 2 else clear, glyphs)
    clear = _clear(seen)
    good = {k: s for k, s in clear.items() if not s.wrong}
    wrong = {k: "the line is not found" for k in scaled if k not in seen}
    wrong |= {
        k: "the line is much less clear than on the other views" for k in seen if k not in clear
    }
    wrong |= {k: s.wrong for k, s in seen.items() if s.wrong}
    return _Result(glyphs, kind, good, wrong)


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
    for k, place in enumerate(reading.places):
        given = pattern.characters[place.place]
        if given is not None and place.nearest != given:
            looks = place.nearest.strip() or "nothing"
            wrong = wrong or f"place {place.place + 1}: {given} looks like {looks}"
        clear = given or _clear_choice(line, scores, k) == place.expected
        shown.append(place.expected if clear else "")
    return _Seen(fit, scores.ink * line.root_weights, tuple(shown), wrong)


def _clear_choice(line: TextLine, scores: PlaceScores, k: int) -> str:
    """Give the character that a place shows among those allowed there; empty where not clear."""
    rows, near = line.allowed[k], scores.distances[k]
    names = [line.glyphs.characters[int(r)] for r in rows.tolist()]
    best = int(near[rows].argmin())
    others = [j for j, name in enumerate(names) if name != names[best]]
    if not others:
        return ""
    margins = near[rows[others]] - near[rows[best]]
    margins = margins / np.maximum(line.apart[k][best][rows[others]], 1e-6)
    return names[best] if float(margins.min()) > _CLEAR else ""


def _clear(seen: dict[int, _Seen]) -> dict[int, _Seen]:
    """Keep the views whose line is as clear as on most."""
    if not seen:
        return {}
    usual = float(np.median([s.fit.score for s in seen.values()]))
    return {k: s for k, s in seen.items() if s.fit.score >= 0.88 * usual}


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
    made = glyphs.only(keep)
    return replace(made, ink=np.stack(ink).astype(np.float32), origin=tuple(origin))


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
