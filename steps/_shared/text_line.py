"""A line of places, ready to be looked for: what may stand where, and how alike the shapes are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from steps._shared.glyphs import GlyphSet, Ink, layout

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COARSE_HEIGHT = 7.0
"""Height of a capital at which the line is first looked for [px]."""
FREEDOM = 1
"""How far a single place may lie off its place in the line, either way [px]."""
_GAIN = (0.75, 1.3)
_ALIKE = 0.04
"""Shapes whose squared distance is below this share of their ink are one shape [fraction]."""
_NEAR = 8


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """Shapes with their slopes, for least squares."""

    ink: Ink
    """(G, H, W) float32."""
    across: Ink
    down: Ink


@dataclass(frozen=True, slots=True, eq=False)
class TextLine:
    """A line of places ready to be looked for; made once, never changed."""

    glyphs: GlyphSet
    allowed: tuple[Ints, ...]
    """For each place the shapes that may stand there."""
    middles: Floats
    """(P,) middles of the places along the line, the line's middle at 0 [px]."""
    length: float
    """Length of the line [px]."""
    root_weights: Ink
    """(P, H, W): 1 inside the place's own cell, 0 where its neighbours stand."""
    sharp: Slopes
    soft: Slopes
    """The shapes, blurred, for the first rounds of the fit."""
    coarse: Ink
    """(R, h, w) small shapes, mean 0 and norm 1."""
    coarse_rows: tuple[Ints, ...]
    """For each place, which of `coarse` may stand there."""
    factor: float
    """Scale of `coarse` against `glyphs`."""
    weighted: Ink
    """(P, H * W, G) every shape seen through each place's weights."""
    energy: Ink
    """(P, G) squared norms of `weighted`."""
    apart: tuple[Ink, ...]
    """For each place (allowed, G): distance from a shape that an allowed one has."""
    rivals: tuple[NDArray[np.bool_], ...]
    """For each place (allowed, G): which shapes are held against the allowed one."""
    drawn: NDArray[np.bool_]
    """(G,) which shapes are stand-ins."""


def text_line(glyphs: GlyphSet, allowed: Sequence[Sequence[int] | None]) -> TextLine:
    """Prepare a line of places.

    Parameters
    ----------
    glyphs : GlyphSet
        Shapes at the scale of the images to come.
    allowed : sequence of sequence of int, or None
        For each place the shapes that may stand there; None for a space.

    Returns
    -------
    TextLine
        Ready for `find_line` and `score_places`.
    """
    middles = layout(glyphs, [rows[0] if rows else None for rows in allowed])
    seen = [k for k, rows in enumerate(allowed) if rows]
    rows = tuple(np.array(sorted(allowed[k] or ()), np.int64) for k in seen)
    used = np.unique(np.concatenate(rows))
    factor = min(1.0, COARSE_HEIGHT / glyphs.height)
    roots = np.sqrt(_cells(glyphs, rows))
    flat = glyphs.ink.reshape(len(glyphs.ink), -1)
    weighted = (roots.reshape(len(seen), 1, -1) * flat).transpose(0, 2, 1)
    energy = np.square(weighted).sum(axis=1)
    alike = [_apart(glyphs, r, roots[k], weighted[k]) for k, r in enumerate(rows)]
    length = sum(
        glyphs.space if not r else float(glyphs.before[r[0]] + glyphs.after[r[0]]) for r in allowed
    )
    return TextLine(
        glyphs=glyphs,
        allowed=rows,
        middles=middles[seen],
        length=length,
        root_weights=roots,
        sharp=_slopes(glyphs.ink),
        soft=_slopes(np.stack([soften(g, glyphs.height) for g in glyphs.ink])),
        coarse=_small(glyphs.scaled(factor, glyphs.mm_per_px).ink[used]),
        coarse_rows=tuple(np.searchsorted(used, r) for r in rows),
        factor=factor,
        weighted=np.ascontiguousarray(weighted),
        energy=energy,
        apart=tuple(a for a, _ in alike),
        rivals=tuple(
            _rivals(glyphs, r, d, energy[k])
            for k, (r, (_, d)) in enumerate(zip(rows, alike, strict=True))
        ),
        drawn=glyphs.drawn,
    )


def soften(image: Ink, height: float) -> Ink:
    """Blur shapes or an image by a small part of the height of a capital."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), height / 14), np.float32)


def _slopes(ink: Ink) -> Slopes:
    """Take the slopes of shapes across and down."""
    across = np.gradient(ink, axis=2)
    down = np.gradient(ink, axis=1)
    return Slopes(ink, np.asarray(across, np.float32), np.asarray(down, np.float32))


def _small(ink: Ink) -> Ink:
    """Bring small shapes to mean 0 and norm 1."""
    level = ink - ink.mean(axis=(1, 2), keepdims=True)
    norm = np.sqrt(np.square(level).sum(axis=(1, 2), keepdims=True))
    return np.asarray(level / (norm + 1e-9), np.float32)


def _cells(glyphs: GlyphSet, rows: Sequence[Ints]) -> Ink:
    """Weigh each place's pixels: its own cell counts, with soft edges."""
    height, width = glyphs.ink.shape[1:]
    across = np.arange(width, dtype=np.float64) - (width - 1) / 2
    soft = max(1.0, glyphs.height / 20)
    left = np.array([float(glyphs.before[r].max()) for r in rows])[:, None]
    right = np.array([float(glyphs.after[r].max()) for r in rows])[:, None]
    inside = np.minimum(across + left + soft, right + soft - across) / soft
    profile = np.clip(inside, 0, 1)[:, None, :]
    return np.repeat(profile, height, axis=1).astype(np.float32)


def shifted(patches: Ink, size: tuple[int, int]) -> Ink:
    """Cut every shift of each patch: (P, H + 2f, W + 2f) to (P, shifts, H, W)."""
    cut = sliding_window_view(patches, size, axis=(1, 2))  # type: ignore[call-overload]
    return np.asarray(cut).reshape(len(patches), -1, *size)


def _apart(glyphs: GlyphSet, rows: Ints, root: Ink, weighted: Ink) -> tuple[Ink, Ink]:
    """Hold a place's allowed shapes against all shapes, as if they were printed there."""
    wide = np.pad(glyphs.ink[rows], ((0, 0), (FREEDOM, FREEDOM), (FREEDOM, FREEDOM)))
    cut = (shifted(wide, glyphs.ink.shape[1:]) * root).reshape(len(rows), -1, root.size)
    each = np.broadcast_to(weighted, (len(rows), *weighted.shape))
    energy = np.square(each).sum(axis=1)
    return distances(cut, each, energy, missing=glyphs.missing, near=weighted.shape[1])


def _rivals(glyphs: GlyphSet, rows: Ints, differ: Ink, energy: Ink) -> NDArray[np.bool_]:
    """Tell which shapes to hold against each allowed one.

    Not those of the same looks, such as the letter O and a 0 without a stroke; and of stand-ins
    only those of the same kind, digit or not.
    """
    out = np.zeros(differ.shape, np.bool_)
    for j, row in enumerate(rows):
        name = glyphs.characters[int(row)]
        other = np.array([c != name for c in glyphs.characters], np.bool_)
        alike = differ[j] <= _ALIKE * max(float(energy[int(row)]), 1e-6)
        out[j] = other & ~alike & glyphs.rival_to(name)
    return out


def distances(
    cut: Ink, weighted: Ink, energy: Ink, *, missing: float, near: int = _NEAR
) -> tuple[Ink, Ink]:
    """Give the distances of places from all shapes, each at its best shift and ink strength.

    Parameters
    ----------
    cut : ndarray
        (P, S, n) what each place shows at each shift.
    weighted : ndarray
        (P, n, G) the shapes through the place's weights.
    energy : ndarray
        (P, G) their squared norms.
    missing : float
        Weight of ink that is missing against ink where none belongs [fraction].
    near : int
        For how many of the nearest shapes missing ink is weighed apart [count].

    Returns
    -------
    tuple of ndarray
        (P, G) distances with missing ink counted `missing` (beyond the nearest ones: in full),
        and (P, G) plain squared distances.
    """
    cross = cut @ weighted
    own = np.square(cut).sum(axis=2)[:, :, None]
    norm = np.maximum(energy, 1e-6)[:, None, :]
    gain = np.minimum(np.maximum(cross / norm, _GAIN[0]), _GAIN[1])
    plain = own - gain * (2 * cross - gain * norm)
    shift = plain.argmin(axis=1)
    places, shapes = np.ogrid[: plain.shape[0], : plain.shape[2]]
    gain, plain = gain[places, shift, shapes], plain[places, shift, shapes]
    if missing == 1:
        return plain, plain
    order = np.argpartition(plain, min(near, plain.shape[1]) - 1, axis=1)[:, :near]
    at = np.arange(len(plain))[:, None]
    rest = cut[at, shift[at, order]]
    rest -= gain[at, order][:, :, None] * weighted.transpose(0, 2, 1)[at, order]
    square = np.square(rest)
    square *= np.where(rest < 0, np.float32(missing), np.float32(1))
    weighed = plain.copy()
    weighed[at, order] = square.sum(axis=2)
    return weighed, plain


def coarse_size(shape: tuple[int, ...], factor: float) -> tuple[int, int]:
    """Give columns and rows of an image reduced by `factor`."""
    return max(4, math.ceil(shape[1] * factor)), max(4, math.ceil(shape[0] * factor))
