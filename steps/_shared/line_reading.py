"""What a found line shows: margins by place, the text, dates and times."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.glyphs import Ink
from steps._shared.line_fit import LineFit, PlaceScores
from steps._shared.text_line import Floats, TextLine
from steps._shared.text_patterns import LinePattern, Part
from steps.contract import NotMeasured, View

_STAND_IN = 0.55
"""What a margin to a stand-in counts less, as its true looks are not known [fraction]."""


@dataclass(frozen=True, slots=True, eq=False)
class ScaledView:
    """A view brought to the scale of the shapes, ink upwards."""

    ink: Ink
    """(M, N) float32, larger where there is ink."""
    weights: Ink | None
    """(M, N) float32, 0 where nothing may be measured."""
    scale: tuple[float, float]
    """Pixels of `ink` for one pixel of the view, across and down."""

    def to_view(self, matrix: Floats) -> Floats:
        """Turn a matrix to pixels of `ink` into one to pixels of the view."""
        scale = np.array(self.scale)
        out = matrix / scale[:, None]
        out[:, 2] += 0.5 / scale - 0.5
        return out

    def hidden(self, fit: LineFit, line: TextLine) -> bool:
        """Tell whether a place lies outside the picture, or where nothing may be measured."""
        half = line.glyphs.height / 2 * 0.8
        ends = [line.middles.min(), line.middles.max()]
        corners = np.array([[x, y, 1] for x in ends for y in (-half, half)]) @ fit.matrix.T
        size = np.array([self.ink.shape[1] - 1, self.ink.shape[0] - 1])
        if (corners < -1).any() or (corners > size + 1).any():
            return True
        if self.weights is None:
            return False
        grid = np.array([[x, y, 1] for x in line.middles for y in np.linspace(-half, half, 5)])
        x, y = np.rint(grid @ fit.matrix.T).astype(int).T
        seen = self.weights[y.clip(0, int(size[1])), x.clip(0, int(size[0]))]
        return bool((seen.reshape(-1, 5).mean(axis=1) < 0.7).any())


def view_at_scale(
    view: View, factor: float, *, in_mm: bool, light: bool
) -> ScaledView | NotMeasured:
    """Bring a view to the scale of the shapes.

    Parameters
    ----------
    view : View
        Any view.
    factor : float
        Pixels wanted for one millimetre, or for one pixel of the view where `in_mm` is false.
    in_mm : bool
        Whether the shapes have a scale in mm.
    light : bool
        Whether the print is lighter than its ground.
    """
    if in_mm:
        factor *= view.mm_per_px
    if not math.isfinite(factor) or factor <= 0:
        return NotMeasured("the view has no scale in mm, the taught characters have one")
    rows, columns = view.gray.shape[:2]
    size = (round(columns * factor), round(rows * factor))
    if min(rows, columns) < 8 or min(size) < 8:
        return NotMeasured("the region is too small for a line of text")
    if max(size) > 6000:
        return NotMeasured("the region is far larger than the line of text")
    gray, mask = view.gray, view.mask
    if mask is not None and bool((mask == 0).any()):
        kept = gray[mask > 0]
        if kept.size < gray.size // 4:
            return NotMeasured("most of the region is outside the picture or left out")
        gray = np.where(mask > 0, gray, np.uint8(np.median(kept)))
    else:
        mask = None
    ink = _resized(gray.astype(np.float32), size)
    weights = None if mask is None else _resized((mask > 0).astype(np.float32), size)
    return ScaledView(ink if light else -ink, weights, (size[0] / columns, size[1] / rows))


def _resized(image: Ink, size: tuple[int, int]) -> Ink:
    """Resize an image to (columns, rows)."""
    if size == (image.shape[1], image.shape[0]):
        return image
    how = cv2.INTER_AREA if size[0] < image.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, size, interpolation=how), np.float32)


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """What one place shows."""

    place: int
    """Index in the line, spaces counted."""
    expected: str
    nearest: str
    rival: str
    """The rival with the smallest margin, or what the place is nearest to if that is another."""
    margin: float
    likeness: float


@dataclass(frozen=True, slots=True)
class LineReading:
    """What the line shows."""

    places: tuple[PlaceReading, ...]
    text: str
    matches: bool
    date_parts: Mapping[str, str]
    time_parts: Sequence[str]

    def worst(self) -> PlaceReading:
        """Give the place with the smallest margin."""
        return min(self.places, key=lambda p: p.margin)


def read_line(pattern: LinePattern, line: TextLine, scores: PlaceScores) -> LineReading:
    """Read a found line: margins to rivals by place, dates and times.

    Dates and times are the nearest valid ones by part (a day is 01-31, an hour 00-23), known or
    not; what is known is never used for them.
    """
    seen = [k for k, c in enumerate(pattern.characters) if c != " "]
    at = {place: k for k, place in enumerate(seen)}
    names = np.array(line.glyphs.characters)
    parts = {
        (moment.kind, part.unit): _nearest_choice(part, at, line, scores)
        for moment in pattern.moments
        for part in moment.parts
    }
    expected = list(pattern.characters)
    for moment in pattern.moments:
        for part in moment.parts:
            for place, c in zip(part.places, parts[moment.kind, part.unit], strict=True):
                expected[place] = expected[place] or c
    places = tuple(
        _place(k, place, str(expected[place]), line, scores, names) for place, k in at.items()
    )
    text = list(" " * len(expected))
    for p in places:
        text[p.place] = p.nearest
    clock = [parts["time", t] for t in ("hh", "minute", "ss") if ("time", t) in parts]
    day = {unit: shown for (kind, unit), shown in parts.items() if kind == "date"}
    return LineReading(places, "".join(text), all(p.margin > 0 for p in places), day, clock)


def _nearest_choice(part: Part, at: Mapping[int, int], line: TextLine, scores: PlaceScores) -> str:
    """Give the text of a part that the print is nearest to."""
    tables: list[dict[str, float]] = []
    for k, place in enumerate(part.places):
        near = scores.distances[at[place]]
        wanted = {choice[k] for choice in part.choices}
        rows = {c: line.glyphs.rows_of(c) for c in wanted}
        tables.append({c: float(near[r].min()) for c, r in rows.items() if r})
    return min(
        part.choices,
        key=lambda s: sum(t.get(c, math.inf) for t, c in zip(tables, s, strict=True)),
    )


def _place(
    k: int,
    place: int,
    expected: str,
    line: TextLine,
    scores: PlaceScores,
    names: NDArray[np.str_],
) -> PlaceReading:
    """Hold one place against all shapes."""
    near, blank = scores.distances[k], float(scores.blank[k])
    allowed = line.allowed[k]
    own = [j for j, row in enumerate(allowed) if names[row] == expected]
    mine = own[int(near[allowed[own]].argmin())]
    row = int(allowed[mine])
    energy, distance = max(float(line.energy[k, row]), 1e-6), float(near[row])
    rivals = np.flatnonzero(line.rivals[k][mine])
    margins = (near[rivals] - distance) / np.maximum(line.apart[k][mine][rivals], 1e-6)
    margins -= np.where(line.drawn[rivals], _STAND_IN, 0)
    margin, rival = (blank - distance) / energy, "nothing"
    if len(rivals) and float(margins.min()) < margin:
        margin, rival = float(margins.min()), str(names[rivals[int(margins.argmin())]])
    best = str(names[int(near.argmin())]) if float(near.min()) < blank else " "
    if margin > 0:
        # A character of the same shape may be nearer by a hair; it is not another reading.
        best = expected
    elif best not in (expected, " "):
        rival = best
    likeness = 1 - float(scores.plain[k, row]) / max(blank, energy)
    return PlaceReading(place, expected, best, rival, margin, likeness)
