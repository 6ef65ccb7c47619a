"""Read codes of named symbologies: a ladder of attempts, ordered by cost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from steps._shared.bar_extent import UprightLine, find_bar_extent, upright_line
from steps._shared.bar_strips import brought_out, goes_on, strips_of, texts_of
from steps._shared.code_read import CodeRead, ReadBars
from steps._shared.second_reader import second_reads
from steps._shared.straighten import BarPatch, bar_patches, cut_patch, restore_bars
from steps._shared.symbologies import Symbology
from steps.contract import Gray, Matrix

ENLARGE_UP_TO = 1_500_000
"""Views with more pixels are not enlarged as a whole [px]."""

_BLURS_PX = (1.33, 1.67)
"""Sigmas of blur that are undone in turn [px]."""
_SLANT = 0.04
"""Slope of a scan against the bars' right angle, above which a code is read again across."""


@dataclass(slots=True)
class Reading:
    """What the ladder came to."""

    codes: list[CodeRead] = field(default_factory=list[CodeRead])
    attempts: int = 0
    """Attempts that were made [count]."""
    damaged: list[NDArray[np.float64]] = field(default_factory=list[NDArray[np.float64]])
    """Corners of codes that were found but hold too many errors."""
    patches: list[BarPatch] | None = None
    """Patches of parallel bars; None where the ladder did not get so far as to look for them."""


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One picture of the ladder, and how it is given to the first reader."""

    image: Gray
    to_view: Matrix
    """Maps its pixels to those of the view."""
    quick: bool = False
    """Whether only its own size and dark print on light are tried."""
    errors: bool = False
    """Whether codes with too many errors are told as well."""
    forced: bool = False
    """Whether much was done to it: it may then show a code where there is none, and what it
    shows is believed only where strips of the view itself confirm it."""


def read_codes(
    gray: Gray,
    symbologies: Sequence[Symbology],
    *,
    expect: int = 1,
    attempts: int = 18,
    second_reader: bool = True,
    strips: int = 16,
) -> Reading:
    """Read codes until as many as expected are found, or the attempts are used up.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    symbologies : sequence of Symbology
        What may be read; nothing else is.
    expect : int
        How many codes end the search [count].
    attempts : int
        How many pictures are given to a reader at most [count].
    second_reader : bool
        Whether the second reader makes a last attempt; bars it reads must be confirmed by strips.
    strips : int
        In how many strips over their height the bars of a linear code are read again [count].

    Returns
    -------
    Reading
        Every different code that was read, in the order of reading.

    Notes
    -----
    The ladder: as it is, first at its own size only; evened out and enlarged; patches of parallel
    bars cut out upright (any tilt), plain, restored and evened out; the whole view enlarged,
    sharpened, binary (matrix codes); the second reader. Large views are not enlarged as a
    whole: there the patches come first.
    """
    reading = Reading()
    for picture in _pictures(gray, symbologies, reading):
        if reading.attempts >= attempts or reading.codes:
            break
        reading.attempts += 1
        for code in _reads(gray, picture, symbologies, strips, reading):
            if not any(_same(code, known) for known in reading.codes):
                reading.codes.append(code)
    left = attempts - reading.attempts
    if len(reading.codes) >= expect or left <= 0:
        return reading
    if reading.codes:
        more = read_codes(
            _covered(gray, reading.codes),
            symbologies,
            expect=expect - len(reading.codes),
            attempts=left,
            second_reader=second_reader,
            strips=strips,
        )
        reading.codes += more.codes
        reading.attempts += more.attempts
    elif second_reader:
        reading.attempts += 1
        found = (_confirmed(gray, c, strips) for c in second_reads(_even(gray), symbologies))
        reading.codes += [c for c in found if c and (c.votes or not c.symbology.linear)]
    return reading


def _reads(
    gray: Gray,
    picture: Picture,
    symbologies: Sequence[Symbology],
    strips: int,
    reading: Reading,
) -> Iterator[CodeRead]:
    """Give the codes read in one picture of the ladder; note damaged ones."""
    formats = list(dict.fromkeys(f for s in symbologies for f in s.formats))
    for found in _first_reader(picture, formats):
        if not found.valid:
            reading.damaged.append(_corners(found, picture.to_view, outer=False))
            continue
        code = _code(found, picture.to_view, symbologies)
        code = _across(gray, code, strips) if code else None
        if code is None:
            continue
        if picture.forced and code.bars and not code.votes:
            continue
        yield code


def _covered(gray: Gray, codes: Sequence[CodeRead]) -> Gray:
    """Paint over codes that are read, so that others can be looked for."""
    rest = gray.copy()
    for code in codes:
        corners = code.bars.extent.corners if code.bars else code.corners
        middle = corners.mean(axis=0)
        outline = np.rint(middle + 1.05 * (corners - middle)).astype(np.int32)
        cv2.fillConvexPoly(rest, outline, float(np.median(gray)))
    return rest


def _pictures(gray: Gray, symbologies: Sequence[Symbology], reading: Reading) -> Iterator[Picture]:
    """Give the pictures of the ladder."""
    yield Picture(gray, np.eye(3), quick=True)
    yield Picture(gray, np.eye(3), errors=True)
    small = gray.size <= ENLARGE_UP_TO
    even = _even(gray)
    if small:
        yield Picture(*_enlarge(even, 2.0), errors=True)
    if any(s.linear for s in symbologies):
        yield from _upright(gray, reading)
    if not small:
        yield Picture(even, np.eye(3), errors=True)
        return
    twice, to_view = _enlarge(gray, 2.0)
    matrix = not all(s.linear for s in symbologies)
    yield Picture(_sharpen(twice), to_view, errors=matrix, forced=True)
    yield Picture(_even(twice), to_view, errors=matrix, forced=True)
    if gray.size <= ENLARGE_UP_TO // 3:
        yield Picture(*_enlarge(gray, 3.0), errors=matrix, forced=True)
    if matrix:
        binary = cv2.threshold(twice, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1]
        yield Picture(np.asarray(binary, np.uint8), to_view, errors=True)
        yield Picture(np.asarray(cv2.medianBlur(gray, 7), np.uint8), np.eye(3))


def _upright(gray: Gray, reading: Reading) -> Iterator[Picture]:
    """Give patches of parallel bars, upright and enlarged: plain, restored, evened out."""
    reading.patches = bar_patches(gray)
    cuts = [cut for cut in (cut_patch(gray, p) for p in reading.patches) if cut is not None]
    for image, to_view in cuts:
        yield Picture(image, to_view)
    for blur_px in _BLURS_PX:
        for patch in reading.patches[:2]:
            cut = cut_patch(gray, patch, 3.0)
            if cut is not None:
                image = restore_bars(cut[0], 3.0 * blur_px)
                rows = cut[0].shape[0] / image.shape[0]
                yield Picture(image, cut[1] @ np.diag([1, rows, 1]), forced=True)
    for image, to_view in cuts:
        yield Picture(_sharpen(_even(image)), to_view, forced=True)


def _enlarge(gray: Gray, scale: float) -> tuple[Gray, Matrix]:
    big = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    shift = 0.5 / scale - 0.5
    to_view = np.array([(1 / scale, 0, shift), (0, 1 / scale, shift), (0, 0, 1.0)])
    return np.asarray(big, np.uint8), to_view


def _even(gray: Gray) -> Gray:
    """Even out local contrast (CLAHE)."""
    return np.asarray(cv2.createCLAHE(4.0, (16, 16)).apply(gray), np.uint8)


def _sharpen(gray: Gray) -> Gray:
    """Undo some blur (unsharp mask)."""
    soft = cv2.GaussianBlur(gray, (0, 0), 3.0)
    return np.asarray(cv2.addWeighted(gray, 2.5, soft, -1.5, 0), np.uint8)


def _first_reader(picture: Picture, formats: Sequence[zxingcpp.BarcodeFormat]) -> list[Any]:
    return zxingcpp.read_barcodes(
        np.ascontiguousarray(picture.image),
        formats=zxingcpp.BarcodeFormats(formats),
        try_downscale=not picture.quick,
        try_invert=not picture.quick,
        text_mode=zxingcpp.TextMode.Plain,
        return_errors=picture.errors,
    )


def _code(found: Any, to_view: Matrix, symbologies: Sequence[Symbology]) -> CodeRead | None:
    """Take over what the reader found; None where it is of no asked symbology."""
    fits = (
        s
        for s in symbologies
        if found.format in s.formats and found.symbology_identifier.startswith(s.identifier)
    )
    symbology = next(fits, None)
    if symbology is None or not found.text:
        return None
    return CodeRead(
        found.text,
        found.symbology_identifier,
        symbology,
        _corners(found, to_view, outer=symbology.linear),
        stacked="Stk" in found.format.name,
        grid=None if symbology.linear else _grid(found),
    )


def _corners(found: Any, to_view: Matrix, *, outer: bool) -> NDArray[np.float64]:
    """Corners in the view; of bars from the outer edge of the first to that of the last."""
    p = found.position
    places = (p.top_left, p.top_right, p.bottom_right, p.bottom_left)
    corners = np.array([(q.x, q.y) for q in places], float)
    if outer:  # the reader names the first and the last pixel
        line = corners[1] + corners[2] - corners[0] - corners[3]
        half = 0.5 * line / max(float(np.linalg.norm(line)), 1.0)
        corners += np.array([-half, half, half, -half])
    return corners @ to_view[:2, :2].T + to_view[:2, 2]


def _across(gray: Gray, code: CodeRead, strips: int) -> CodeRead | None:
    """Read a linear code again at a right angle to its bars where it was read at a slant; confirm.

    A slanted scan may leave the bars before their end, and a piece of an Interleaved 2 of 5 code
    is a shorter code: None where such a code cannot be read again.
    """
    if not code.symbology.linear or code.stacked:
        return code
    upright = upright_line(gray, code.corners)
    left, right, down = upright
    across, line = right - left, code.corners[1] - code.corners[0]
    length = float(np.linalg.norm(across))
    if length < 8 or abs(float(line @ down)) < _SLANT * float(np.linalg.norm(line)):
        return _confirmed(gray, code, strips, upright)
    unit = across / length
    u, v = float(left @ unit), float(left @ down)
    patch = BarPatch(float(np.arctan2(unit[1], unit[0])), (u - length, u + 2 * length), (v, v))
    cut = cut_patch(gray, patch)
    for found in _first_reader(Picture(*cut), code.symbology.formats) if cut else []:
        again = _code(found, cut[1], [code.symbology]) if cut else None
        if again is not None:
            return _confirmed(gray, again, strips)
    return None if code.symbology.name == "itf14" else _confirmed(gray, code, strips, upright)


def _confirmed(
    gray: Gray, code: CodeRead, strips: int, upright: UprightLine | None = None
) -> CodeRead | None:
    """Let strips over the whole height of the bars say what a linear code says.

    A reader takes the first lines that fit; a few wrong lines can fit with a right check digit.
    Where at least two strips, and more than say the same, say something else, that is the content.
    UPC-E, whose check is weak, needs at least one strip; an Interleaved 2 of 5 number beside which
    the bars go on is a piece of a torn one, and is not given.
    """
    if not code.symbology.linear or code.stacked:
        return code
    extent = find_bar_extent(gray, code.corners, upright)
    if code.symbology.name == "itf14" and goes_on(gray, extent):
        return None
    profiles = strips_of(gray, extent, strips)
    as_seen = texts_of(profiles, code.symbology)
    texts = as_seen or texts_of(brought_out(profiles), code.symbology)
    rival, most = texts.most_common(1)[0] if texts else ("", 0)
    text = rival if most >= 2 and most > texts[code.text] else code.text
    if code.symbology.name == "upce" and not texts[text]:
        return None
    bars = ReadBars(extent, profiles, as_seen[text] / strips)
    return replace(code, text=text, votes=texts[text], bars=bars)


def _grid(found: Any) -> tuple[int, int] | None:
    """Modules of a matrix code across and down, without its quiet zone."""
    dark = np.array(found.to_image(scale=1)) < 128
    columns, rows = np.flatnonzero(dark.any(axis=0)), np.flatnonzero(dark.any(axis=1))
    if not len(columns):
        return None
    return int(columns[-1] - columns[0] + 1), int(rows[-1] - rows[0] + 1)


def _same(a: CodeRead, b: CodeRead) -> bool:
    """Say whether two reads are of one code: equal content at nearly one place."""
    reach = max(float(np.linalg.norm(b.corners[1] - b.corners[0])), 8.0) / 2
    return a.text == b.text and float(np.linalg.norm(a.middle - b.middle)) < reach
