"""Whether a known line of text is printed: each place against the shapes of all characters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from pydantic import Field

from steps._shared.first_shapes import glyphs_from_sheet
from steps._shared.glyph_completion import dotted
from steps._shared.glyph_teaching import teach_glyphs
from steps._shared.glyphs import GlyphSet, dot_glyphs, from_arrays
from steps._shared.line_fit import LineFit, find_line, score_places
from steps._shared.line_reading import LineReading, read_line, view_at_scale
from steps._shared.text_line import TextLine, text_line
from steps._shared.text_patterns import (
    BadPattern,
    LinePattern,
    minutes_off,
    parse_pattern,
    to_date,
)
from steps.contract import (
    Given,
    Mark,
    Marks,
    NotMeasured,
    Params,
    ReferenceFile,
    Taught,
    UnusableReference,
    Values,
    View,
    no_marks,
    step,
)

WORK_HEIGHT = 18.0
"""Height of a capital at which places are compared; finer views are reduced to it [px]."""


class PrintedTextParams(Params):
    """What the line says and how it is printed."""

    text: str = Field(min_length=1, max_length=80)
    """The line: fixed text; `{lot}` for a text of the order; `{expiry:dd/mm/yyyy}` for a date of
    the order; bare `dd/mm/yyyy` or `hh:mm` for a date or time of day that is read from the print;
    `{'...'}` for text as it stands. Parts of a date: dd, mm, mon, yy, yyyy."""

    reference: ReferenceFile | None = None
    """Characters taught from good cartons; without it the line is held against `font`, or against
    built-in characters of 5 by 7 dots."""

    font: ReferenceFile | None = None
    """Picture of the coder's characters, dark on light, in one row with gaps between them; gives
    the characters that were never taught."""

    font_text: str | None = None
    """The characters in the picture `font`, from left to right, without spaces."""

    height_mm: float | None = Field(None, gt=0)
    """Height of a capital; needed where nothing was taught, and helps teaching [mm]."""

    print: Literal["dark", "light"] = "dark"
    """Whether the print is darker or lighter than its ground."""

    stretch: float = Field(0.12, ge=0, le=0.3)
    """How much longer or shorter than taught the line may be printed [fraction]."""

    turn_deg: float = Field(2.0, ge=0, le=6)
    """How far the line may be turned either way [deg]."""

    min_score: float = Field(0.45, ge=0, le=1)
    """Correlation of the whole line below which there is no print to measure [fraction]."""


class PrintedTextValues(Values):
    """What is measured of the line."""

    found: bool
    """Whether a line like the expected one is there (else nothing is measured)."""

    matches: bool
    """Whether at every place the expected character is nearest of all."""

    worst_margin: float
    """Smallest margin to a rival character over all places: 1 = exactly as expected, 0 = half way
    to the rival, negative = nearer to the rival [fraction]."""

    worst_place: int
    """Which character has the smallest margin, the first one is 1, spaces count [count]."""

    worst_character: str
    """What stands there and what it is taken for, such as `7 looks like 1`."""

    worst_likeness: float
    """How much the least well printed character is like its shape: 1 = the same [fraction]."""

    text: str
    """The line as printed: the nearest character at each place."""

    date: date | None
    """The date as printed; None where the line has none or shows no such day."""

    time: str | None
    """The time of day as printed; None where the line has none."""

    time_off_min: float | None
    """Printed time minus the time the frame was taken, the short way round midnight; None where
    the line has no time or frames carry none [min]."""

    height_mm: float | None
    """Height of a capital; None where the view has no scale [mm]."""

    contrast: float
    """How much the full ink differs from its ground [grey levels]."""

    score: float
    """Correlation of the whole line with its shapes [fraction]."""

    offset_x_mm: float | None
    """Middle of the line right of the middle of the region; None without a scale [mm]."""

    offset_y_mm: float | None
    """Middle of the line below the middle of the region; None without a scale [mm]."""

    marks: Marks = Field(default_factory=no_marks)
    """The line, and the places that show another character."""


@dataclass(frozen=True, slots=True, eq=False)
class PreparedText:
    """A line of the order, with the shapes to hold it against."""

    pattern: LinePattern
    line: TextLine
    factor: float
    """Pixels at which places are compared for one millimetre (or one taught pixel) [count]."""
    in_mm: bool


def prepare(params: PrintedTextParams, given: Given) -> PreparedText:
    """Parse the pattern with the order and gather the shapes of all characters.

    Raises
    ------
    UnusableReference
        When the pattern is wrong, the order lacks a field, or a character has no shape.
    """
    pattern = _pattern(params, given)
    glyphs = _glyphs(params, given)
    allowed = pattern.allowed()
    needed = {c for places in allowed for c in places if c != " "}
    known = {c for c, o in zip(glyphs.characters, glyphs.origin, strict=True) if o != "drawn"}
    missing = sorted(needed - known)
    if missing:
        why = (
            f"no shape is known for {', '.join(missing)}: teach on cartons that carry them, "
            "or give a `font` picture that shows them"
        )
        raise UnusableReference(why, "reference" if params.reference else "font")
    in_mm = math.isfinite(glyphs.mm_per_px)
    reduce = min(1.0, WORK_HEIGHT / glyphs.height)
    scale = glyphs.mm_per_px / reduce if in_mm else math.nan
    glyphs = glyphs.scaled(reduce, scale)
    places = [
        None if c == " " else [k for a in some for k in glyphs.rows_of(a)]
        for c, some in zip(pattern.characters, allowed, strict=True)
    ]
    line = text_line(glyphs, places)
    return PreparedText(pattern, line, 1 / scale if in_mm else reduce, in_mm)


def _pattern(params: PrintedTextParams, given: Given) -> LinePattern:
    """Parse the pattern; what is wrong with it is the fault of `text`."""
    try:
        return parse_pattern(params.text, given.order)
    except BadPattern as wrong:
        raise UnusableReference(str(wrong), "text") from None


def _glyphs(params: PrintedTextParams, given: Given) -> GlyphSet:
    """Gather the shapes: taught ones first, then those of the font picture, or built-in dots."""
    sheet = _sheet(params, given)
    if params.reference is not None:
        try:
            taught = from_arrays(given.references[params.reference].arrays)
        except ValueError as wrong:
            raise UnusableReference(f"{params.reference} {wrong}", "reference") from None
        if sheet is None:
            return taught
        factor = taught.height / sheet.height
        return taught.joined(sheet.scaled(factor, taught.mm_per_px))
    if params.height_mm is None:
        raise UnusableReference(
            "the height of a capital is needed where nothing is taught", "height_mm"
        )
    scale = params.height_mm / WORK_HEIGHT
    if sheet is None:
        return dot_glyphs(WORK_HEIGHT, scale)
    return sheet.scaled(WORK_HEIGHT / sheet.height, scale)


def _sheet(params: PrintedTextParams, given: Given) -> GlyphSet | None:
    """Cut the font picture into characters."""
    if params.font is None:
        return None
    picture = given.references[params.font].image
    if picture is None:
        raise UnusableReference("the font is no picture", "font")
    if not params.font_text:
        raise UnusableReference("say which characters the font picture shows", "font_text")
    try:
        return dotted(glyphs_from_sheet(picture, params.font_text))
    except ValueError as wrong:
        raise UnusableReference(str(wrong), "font") from None


@step
def printed_text(
    view: View, params: PrintedTextParams, prepared: PreparedText
) -> PrintedTextValues | NotMeasured:
    """Hold a printed line against the text it must show; nothing is read that is known.

    Parameters
    ----------
    view : View
        Region around one line, (M, N) uint8 grey, with 0.5-1 mm to spare on each side; parts of
        other lines or of a frame may be in it.
    params : PrintedTextParams
        What the line says and how it is printed.
    prepared : PreparedText
        The line and the shapes of all characters.

    Returns
    -------
    PrintedTextValues or NotMeasured
        Not measured when no line like the expected one is there, or part of it is masked out.

    Notes
    -----
    The whole line is found by correlation and fitted by least squares: place, turn, slant, length
    and height, six parameters for all places together, and the light. So one wrong character
    cannot pull the fit towards what is expected. Then each place is held against the shapes of
    all characters, with the same small freedom for each. A margin is the place's distance to the
    rival less that to the expected character, over the distance of the two shapes.

    A line is right when `matches` is true; `worst_margin` says by how much, and is the value for
    a limit (such as min 0.1) and for charts. Where single dots may be missing, missing ink counts
    0.4 of ink where none belongs. A line may still be refused for dots that are missing just
    where two characters differ. Print that covers other print shows in `worst_likeness`.

    Capitals should be at least 13 px high, dots 1.8 px apart. Two characters of one shape (the
    letter O and a 0 without a stroke) cannot be told apart and are not held against each other.
    Where the text is read, all that is asked is that the place shows one character clearly.
    In ordinary print, characters that were never taught nor drawn in `font` are told by plain
    stand-ins: margins to them count 0.55 less. Below 14 px, digits that only a time shows may be
    taught wrong (8 for 0): look at the taught picture.

    Examples
    --------
    >>> from steps._shared.dot_glyphs import dot_patterns, render_dots
    >>> dots = dict(reversed(dot_patterns("L7")))
    >>> ink = np.hstack([render_dots(dots[c], (30, 18), (3, 3), (1.2, 1.2)) for c in "L777"])
    >>> gray = np.pad(220 - 150 * ink, 12, constant_values=220).astype(np.uint8)
    >>> params = PrintedTextParams(text="{lot}", height_mm=2.1)
    >>> prepared = prepare(params, Given(order={"lot": "L771"}))
    >>> values = printed_text(View(gray, mm_per_px=0.1), params, prepared)
    >>> values.matches, values.text, values.worst_place, values.worst_character
    (False, 'L777', 4, '1 looks like 7')
    """
    scaled = view_at_scale(
        view, prepared.factor, in_mm=prepared.in_mm, light=params.print == "light"
    )
    if isinstance(scaled, NotMeasured):
        return scaled
    fit = find_line(
        scaled.ink,
        prepared.line,
        stretch=params.stretch,
        turn_deg=params.turn_deg,
        weights=scaled.weights,
    )
    if fit is None or fit.score < params.min_score:
        return NotMeasured("no print like the expected line is found")
    if scaled.hidden(fit, prepared.line):
        return NotMeasured("part of the line is outside the picture or left out")
    scores = score_places(scaled.ink, prepared.line, fit)
    reading = read_line(prepared.pattern, prepared.line, scores)
    return _values(view, prepared, fit, reading, scaled.to_view(fit.matrix))


def _values(
    view: View,
    prepared: PreparedText,
    fit: LineFit,
    reading: LineReading,
    matrix: np.ndarray,
) -> PrintedTextValues:
    """Put what was measured into words and millimetres."""
    worst = reading.worst()
    shown = reading.date_parts
    clock = reading.time_parts
    off = None
    if clock and view.taken_at is not None:
        off = minutes_off([int(n) for n in clock], view.taken_at)
    scale = view.mm_per_px if math.isfinite(view.mm_per_px) else None
    height = prepared.line.glyphs.height * abs(np.linalg.det(matrix[:, :2]))
    height /= float(np.hypot(*matrix[:, 0]))
    middle = np.array([view.gray.shape[1], view.gray.shape[0]]) / 2 - 0.5
    offset = matrix[:, 2] - middle
    return PrintedTextValues(
        found=True,
        matches=reading.matches,
        worst_margin=worst.margin,
        worst_place=worst.place + 1,
        worst_character=f"{worst.expected} looks like {worst.rival}",
        worst_likeness=min(p.likeness for p in reading.places),
        text=reading.text,
        date=to_date(shown) if shown else None,
        time=":".join(clock) if clock else None,
        time_off_min=off,
        height_mm=None if scale is None else float(height) * scale,
        contrast=fit.contrast,
        score=fit.score,
        offset_x_mm=None if scale is None else float(offset[0]) * scale,
        offset_y_mm=None if scale is None else float(offset[1]) * scale,
        marks=_marks(prepared.line, reading, matrix),
    )


def _marks(line: TextLine, reading: LineReading, matrix: np.ndarray) -> Marks:
    """Draw the line, and a box round each place that shows another character."""

    def box(left: float, right: float, tone: str, text: str) -> Mark:
        half = line.glyphs.height / 2
        corners = np.array([[left, -half, 1], [right, -half, 1], [right, half, 1], [left, half, 1]])
        return Mark(corners @ matrix.T, kind="shape", text=text, tone=tone)

    marks = [box(-line.length / 2, line.length / 2, "measured", reading.text)]
    for middle, rows, place in zip(line.middles, line.allowed, reading.places, strict=True):
        if place.margin <= 0:
            left = middle - float(line.glyphs.before[rows[0]])
            right = middle + float(line.glyphs.after[rows[0]])
            marks.append(box(left, right, "difference", f"{place.expected}: {place.rival}"))
    return tuple(marks)


def teach(views: Sequence[View], params: PrintedTextParams, given: Given) -> Taught:
    """Take the shapes of characters from good cartons.

    Parameters
    ----------
    views : sequence of View
        Regions around the line on about ten good cartons.
    params : PrintedTextParams
        What the line says; `font` and `height_mm` help where they are given.
    given : Given
        The order of these cartons.

    Returns
    -------
    Taught
        The shapes, with their number by character; views that do not show the line are left out.

    Raises
    ------
    UnusableReference
        When the line is found in too few views, with the reason.

    Notes
    -----
    Characters that the pattern and the order name are taken as such; those of a time or date that
    is read are told by shapes already known. What was never seen stays unknown, except that print
    of 5 by 7 dots is completed by built-in characters at the measured size of the dots.
    """
    return teach_glyphs(
        views,
        _pattern(params, given),
        sheet=_sheet(params, given),
        height_mm=params.height_mm,
        light=params.print == "light",
        turn_deg=params.turn_deg,
    )
