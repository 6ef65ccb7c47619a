"""A set of character shapes, each with the room it takes in a line."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.dot_glyphs import COLUMNS, PITCH, ROWS, dot_patterns, render_dots

FORMAT = 1
"""Number of the layout of the arrays in a taught file."""

_MISSING_DOT = 0.4
_ORIGINS = ("taught", "font", "dots", "drawn")

Ink = NDArray[np.float32]
"""1 where the ink is full, 0 on the bare ground."""


@dataclass(frozen=True, slots=True, eq=False)
class GlyphSet:
    """Shapes of characters at one scale; one character may have several shapes.

    Distances are in pixels of the shapes. The middle of each image lies half way up the capitals;
    `before` and `after` are what the character adds to the distance to its neighbours' middles.
    """

    characters: tuple[str, ...]
    ink: Ink
    """(G, H, W) float32."""
    before: NDArray[np.float64]
    after: NDArray[np.float64]
    space: float
    """Width of a space [px]."""
    height: float
    """Height of a capital [px]."""
    mm_per_px: float
    """Scale [mm/px]; nan where the views it was taught from had none."""
    origin: tuple[str, ...]
    """For each shape: `taught`, `font` (a sheet), `dots` (the built-in table), or `drawn`: a
    stand-in, held against the print as a rival, never expected."""
    dotted: bool = False
    """Whether the print is of dots, of which single ones may be missing."""

    def rows_of(self, character: str) -> list[int]:
        """Give the indices of a character's shapes."""
        return [k for k, c in enumerate(self.characters) if c == character]

    @property
    def missing(self) -> float:
        """Weight of missing ink against ink where none belongs [fraction].

        Nozzles fail, but a dot hardly ever lands by chance where another character has one.
        """
        return _MISSING_DOT if self.dotted else 1.0

    @property
    def drawn(self) -> NDArray[np.bool_]:
        """Tell which shapes are stand-ins."""
        return np.array([o == "drawn" for o in self.origin], np.bool_)

    def rival_to(self, character: str) -> NDArray[np.bool_]:
        """Tell which shapes to hold against a character: stand-ins only those of its kind."""
        same = [_kind(c) == _kind(character) for c in self.characters]
        return np.array(same, np.bool_) | ~self.drawn

    def only(self, keep: Sequence[int]) -> GlyphSet:
        """Give the set of some of the shapes."""
        at = list(keep)
        return replace(
            self,
            characters=tuple(self.characters[k] for k in at),
            ink=self.ink[at],
            before=self.before[at],
            after=self.after[at],
            origin=tuple(self.origin[k] for k in at),
        )

    def scaled(self, factor: float, mm_per_px: float, across: float = 1.0) -> GlyphSet:
        """Give the set enlarged by `factor`, and stretched `across`, to be called `mm_per_px`."""
        wide = factor * across
        if abs(factor - 1) < 1e-6 and abs(wide - 1) < 1e-6:
            ink = self.ink
        else:
            rows, columns = self.ink.shape[1:]
            size = (max(3, math.ceil(columns * wide)), max(3, math.ceil(rows * factor)))
            ink = np.stack([_resized(g, size, (wide, factor)) for g in self.ink])
        return GlyphSet(
            self.characters,
            ink,
            self.before * wide,
            self.after * wide,
            self.space * wide,
            self.height * factor,
            mm_per_px,
            self.origin,
            self.dotted,
        )

    def joined(self, other: GlyphSet) -> GlyphSet:
        """Add the shapes of characters that this set lacks, from a set of the same height."""
        named = set(other.characters) if "drawn" not in other.origin else set[str]()
        own = [
            k
            for k, (c, o) in enumerate(zip(self.characters, self.origin, strict=True))
            if o != "drawn" or c not in named
        ]
        if len(own) < len(self.characters):
            return self.only(own).joined(other)
        take = [k for k, c in enumerate(other.characters) if c not in self.characters]
        if not take:
            return self
        rows, columns = (
            max(a, b) for a, b in zip(self.ink.shape[1:], other.ink.shape[1:], strict=True)
        )
        return GlyphSet(
            self.characters + tuple(other.characters[k] for k in take),
            np.concatenate(
                [padded(self.ink, rows, columns), padded(other.ink[take], rows, columns)]
            ),
            np.concatenate([self.before, other.before[take]]),
            np.concatenate([self.after, other.after[take]]),
            self.space,
            self.height,
            self.mm_per_px,
            self.origin + tuple(other.origin[k] for k in take),
            self.dotted,
        )

    def to_arrays(self) -> dict[str, NDArray[Any]]:
        """Give the arrays of a taught file."""
        return {
            "format": np.array([FORMAT]),
            "characters": np.array([ord(c) for c in self.characters], np.int32),
            "ink": np.round(np.clip(self.ink, -0.5, 1.5) * 1000).astype(np.int16),
            "before": self.before,
            "after": self.after,
            "size": np.array([self.space, self.height, self.mm_per_px, float(self.dotted)]),
            "origin": np.array([_ORIGINS.index(o) for o in self.origin]),
        }


def _kind(character: str) -> str:
    """Sort a character into digits, letters and the rest."""
    return "digit" if character.isdigit() else "letter" if character.isalpha() else "other"


def from_arrays(arrays: Mapping[str, NDArray[Any]]) -> GlyphSet:
    """Make a set from the arrays of a taught file; ValueError says what is wrong with them."""
    wanted = ("format", "characters", "ink", "before", "after", "size", "origin")
    missing = [name for name in wanted if name not in arrays]
    if missing:
        raise ValueError(f"holds no taught characters (no array `{missing[0]}`)")
    number = int(np.asarray(arrays["format"]).ravel()[0])
    if number != FORMAT:
        raise ValueError(f"format {number} cannot be read here, only {FORMAT}: teach it again")
    ink = np.asarray(arrays["ink"])
    count = len(arrays["characters"])
    if ink.ndim != 3 or len(ink) != count or count == 0:
        raise ValueError("its arrays do not belong together: teach it again")
    space, height, mm_per_px, dotted = (float(n) for n in np.asarray(arrays["size"]))
    return GlyphSet(
        tuple(chr(int(n)) for n in arrays["characters"]),
        (ink / 1000).astype(np.float32),
        np.asarray(arrays["before"], np.float64),
        np.asarray(arrays["after"], np.float64),
        space,
        height,
        mm_per_px,
        tuple(_ORIGINS[int(k)] for k in arrays["origin"]),
        dotted > 0,
    )


def _resized(glyph: Ink, size: tuple[int, int], factor: tuple[float, float]) -> Ink:
    """Resize one shape about its middle, (across, down)."""
    soft = cv2.GaussianBlur(glyph, (0, 0), 0.45 / min(factor)) if min(factor) < 0.8 else glyph
    scale = 1 / np.array(factor)
    centre = np.array([(glyph.shape[1] - 1) / 2, (glyph.shape[0] - 1) / 2])
    shift = centre - np.array([(size[0] - 1) / 2, (size[1] - 1) / 2]) * scale
    matrix = np.column_stack([np.diag(scale), shift])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(soft, matrix, size, flags=flags).astype(np.float32)


def padded(ink: Ink, rows: int, columns: int) -> Ink:
    """Pad shapes with bare ground to at least rows by columns, their middles kept."""
    size = (columns, rows)
    return (
        np.stack([_resized(g, size, (1.0, 1.0)) for g in ink])
        if ink.shape[1:] != (rows, columns)
        else ink
    )


def dot_glyphs(
    height: float,
    mm_per_px: float,
    *,
    pitch: tuple[float, float] | None = None,
    spread: tuple[float, float] | None = None,
    characters: str | None = None,
) -> GlyphSet:
    """Render the built-in characters of 5 by 7 dots.

    Parameters
    ----------
    height : float
        Height of a capital over its dots, edge to edge [px].
    mm_per_px : float
        Scale of the pixels [mm/px].
    pitch, spread : tuple of float, optional
        Distance of dots and standard deviation of a spot, down and across [px]; without them
        square dots that just touch.
    characters : str, optional
        Only these.

    Returns
    -------
    GlyphSet
        All of one width, six dots.
    """
    down, across = pitch or (height / ROWS, height / ROWS)
    spread = spread or (0.42 * down, 0.42 * across)
    size = (math.ceil(down * (ROWS + 2)), math.ceil(across * (COLUMNS + 1.4)))
    patterns = dot_patterns(characters)
    ink = np.stack([render_dots(dots, size, (down, across), spread) for _, dots in patterns])
    half = np.full(len(patterns), PITCH * across / 2)
    names = tuple(c for c, _ in patterns)
    return GlyphSet(
        names,
        ink,
        half,
        half.copy(),
        PITCH * across,
        height,
        mm_per_px,
        ("dots",) * len(names),
        True,
    )


def layout(glyphs: GlyphSet, line: Sequence[int | None]) -> NDArray[np.float64]:
    """Place the middles of a line's characters, the middle of the line at 0.

    Parameters
    ----------
    glyphs : GlyphSet
        The shapes.
    line : sequence of int or None
        Index of the shape at each place, None for a space.

    Returns
    -------
    ndarray
        (number of places) float64; for a space the middle of the gap.
    """
    pen, middles = 0.0, list[float]()
    for row in line:
        before = glyphs.space / 2 if row is None else float(glyphs.before[row])
        after = glyphs.space / 2 if row is None else float(glyphs.after[row])
        middles.append(pen + before)
        pen += before + after
    return np.array(middles) - pen / 2
