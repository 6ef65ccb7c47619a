"""A known line fitted to an image as a whole, then each of its places held against all shapes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from steps._shared.glyphs import Ink
from steps._shared.line_search import starts
from steps._shared.text_line import (
    FREEDOM,
    Floats,
    Ints,
    Slopes,
    TextLine,
    distances,
    shifted,
    soften,
)


@dataclass(frozen=True, slots=True, eq=False)
class LineFit:
    """A line found on an image."""

    matrix: Floats
    """(2, 3) maps (along, across) of the line, its middle at 0, to pixels of the image."""
    ground: Floats
    """(3,) level of the bare ground and its slope along and across the line."""
    contrast: float
    """Full ink against the ground [grey levels]."""
    score: float
    """Correlation of the image with the line's shapes [fraction]."""
    rows: Ints
    """(P,) shape taken at each place."""


@dataclass(frozen=True, slots=True, eq=False)
class PlaceScores:
    """How far each place is from each shape."""

    distances: Ink
    """(P, G) least distance within the freedom of a place, missing ink weighed less."""
    plain: Ink
    """(P, G) the same with all ink counted alike."""
    blank: Ink
    """(P,) distance from the bare ground."""
    ink: Ink
    """(P, H, W) what the places show, ground 0, full ink 1."""


def find_line(
    image: Ink,
    line: TextLine,
    *,
    stretch: float,
    turn_deg: float,
    weights: Ink | None = None,
) -> LineFit | None:
    """Find a line on an image.

    Parameters
    ----------
    image : ndarray
        (M, N) float32, larger where there is ink, at the scale of the line's shapes.
    line : TextLine
        The line.
    stretch : float
        How much longer or shorter the line may be [fraction].
    turn_deg : float
        How far the line may be turned either way [deg].
    weights : ndarray, optional
        (M, N) float32 0 to 1: what of the image counts.

    Returns
    -------
    LineFit or None
        None where no line can be fitted.

    Notes
    -----
    From the best coarse starts, least squares over the whole line with six parameters of place
    and shape and four of light. No place moves on its own here, so one wrong character cannot
    draw the fit towards what is expected.
    """
    best: LineFit | None = None
    blurred = soften(image, line.glyphs.height)
    for matrix, rows in starts(image, line, stretch=stretch, turn_deg=turn_deg):
        fit = _fit((blurred, image), line, matrix, rows, weights)
        if fit is not None and (best is None or fit.score > best.score):
            best = fit
        if best is not None and best.score > 0.8:
            break
    return best


def _fit(
    images: tuple[Ink, Ink], line: TextLine, matrix: Floats, rows: Ints, weights: Ink | None
) -> LineFit | None:
    """Fit the line from a start: blurred shapes, then what is read there, then sharp shapes."""
    fit = _least_squares(images[0], line, line.soft, matrix, rows, weights, (2, 5))
    if fit is None:
        return None
    if any(len(r) > 1 for r in line.allowed):
        near = score_places(images[0], line, fit, freedom=0).distances
        rows = np.array([r[int(near[k, r].argmin())] for k, r in enumerate(line.allowed)], np.int64)
    return _least_squares(images[1], line, line.sharp, fit.matrix, rows, weights, (1, 3))


def _grid(line: TextLine, margin: int, stride: int) -> tuple[Ink, Ink]:
    """Give the line coordinates of the places' pixels: (P, H + 2m, W + 2m) along, rows across."""
    height, width = line.glyphs.ink.shape[1:]
    y = np.arange(-margin, height + margin, stride, dtype=np.float32) - (height - 1) / 2
    x = np.arange(-margin, width + margin, stride, dtype=np.float32) - (width - 1) / 2
    along = line.middles.astype(np.float32)[:, None, None] + x.astype(np.float32)
    return along, y.astype(np.float32)[None, :, None]


def sample(image: Ink, matrix: Floats, along: Ink, across: Ink) -> Ink:
    """Sample the image at line coordinates: (P, H, W)."""
    m = matrix.astype(np.float32)
    at_x = m[0, 0] * along + (m[0, 1] * across + m[0, 2])
    at_y = m[1, 0] * along + (m[1, 1] * across + m[1, 2])
    flat = (-1, along.shape[2])
    sampled = cv2.remap(
        image,
        at_x.reshape(flat),
        at_y.reshape(flat),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(sampled, np.float32).reshape(at_x.shape)


def _least_squares(
    image: Ink,
    line: TextLine,
    shapes: Slopes,
    matrix: Floats,
    rows: Ints,
    weights: Ink | None,
    effort: tuple[int, int],
) -> LineFit | None:
    """Fit place, shape and light of the whole line; `effort` is (pixel stride, rounds)."""
    stride, rounds = effort
    along, across = _grid(line, 0, stride)
    root = line.root_weights[:, ::stride, ::stride]
    if weights is not None:
        root = root * sample(weights, matrix, along, across)
    half = (max(line.length / 2, 1.0), line.glyphs.height / 2)
    u, v = along / np.float32(half[0]), across / np.float32(half[1])
    ink = shapes.ink[rows, ::stride, ::stride]
    basis = np.empty((len(ink), 10, *ink.shape[1:]), np.float32)
    basis[:, 0] = root
    np.multiply(root, u, out=basis[:, 1])
    np.multiply(root, v, out=basis[:, 2])
    np.multiply(root, ink, out=basis[:, 3])
    for first, slope in ((4, shapes.across), (7, shapes.down)):
        np.multiply(root, slope[rows, ::stride, ::stride], out=basis[:, first])
        np.multiply(basis[:, first], u, out=basis[:, first + 1])
        np.multiply(basis[:, first], v, out=basis[:, first + 2])
    flat = basis.reshape(len(ink), 10, -1)
    normal = (flat @ flat.transpose(0, 2, 1)).sum(axis=0, dtype=np.float64)
    # A little of each parameter's own weight holds what the line does not show.
    held = normal.diagonal() * np.array([1e-4] * 4 + [0.02] * 6) + 1e-6
    inverse = np.asarray(np.linalg.inv(normal + np.diag(held)), np.float64)
    found, level = np.zeros(10), ink
    for _ in range(rounds):
        level = sample(image, matrix, along, across)
        seen = (level * root).reshape(len(ink), -1, 1)
        sums = (flat @ seen).sum(axis=0, dtype=np.float64)[:, 0]
        found = np.asarray(inverse @ sums, np.float64)
        if not found[3] > 1e-3:
            return None
        matrix = _moved(matrix, found[4:] / found[3], half)
        if not _sane(matrix, image.shape):
            return None
    light = found[:3] / np.array([1, half[0], half[1]])
    at = found.astype(np.float32)
    bare = np.asarray(level - (at[0] + at[1] * u + at[2] * v), np.float32)
    return LineFit(matrix, light, float(found[3]), _score(bare, ink, root), rows)


def _moved(matrix: Floats, move: Floats, half: tuple[float, float]) -> Floats:
    """Take a move of the shapes into the matrix; at most two pixels a round."""
    x, x_along, x_across, y, y_along, y_across = np.minimum(np.maximum(move, -2.0), 2.0)
    change = np.array(
        [
            [1 + x_along / half[0], x_across / half[1], x],
            [y_along / half[0], 1 + y_across / half[1], y],
            [0, 0, 1],
        ]
    )
    return (np.vstack([matrix, [0, 0, 1]]) @ np.linalg.inv(change))[:2]


def _sane(matrix: Floats, shape: tuple[int, ...]) -> bool:
    """Tell whether a fit is still a line on the image."""
    if not np.isfinite(matrix).all():
        return False
    size = np.hypot(matrix[0, :2], matrix[1, :2])
    inside = -20 < matrix[0, 2] < shape[1] + 20 and -20 < matrix[1, 2] < shape[0] + 20
    lean = abs(math.degrees(math.atan2(matrix[0, 1], matrix[1, 1])))
    return bool(inside and (size > 0.6).all() and (size < 1.6).all() and lean < 25)


def _score(level: Ink, ink: Ink, root: Ink) -> float:
    """Correlate what is seen with the line's ink, weighted."""
    weight = np.square(root)
    total = float(weight.sum()) + 1e-9
    a = level - np.float32((level * weight).sum() / total)
    b = ink - np.float32((ink * weight).sum() / total)
    both = float((weight * a * b).sum())
    norm = math.sqrt(float((weight * a * a).sum()) * float((weight * b * b).sum()))
    return both / norm if norm > 1e-9 else 0.0


def score_places(
    image: Ink, line: TextLine, fit: LineFit, *, freedom: int = FREEDOM
) -> PlaceScores:
    """Compare each place of a found line with every shape.

    Each place may lie `freedom` pixels off, and be a quarter lighter or darker, alike for all
    shapes.
    """
    along, across = _grid(line, freedom, 1)
    level = sample(image, fit.matrix, along, across)
    ground = fit.ground.astype(np.float32)
    level -= ground[0] + ground[1] * along + ground[2] * across
    level /= np.float32(fit.contrast)
    cut = shifted(level, line.glyphs.ink.shape[1:]) * line.root_weights[:, None]
    flat = cut.reshape(len(cut), cut.shape[1], -1)
    middle = flat[:, flat.shape[1] // 2]
    blank = np.where(middle > 0, np.square(middle), 0).sum(axis=1)
    near, plain = distances(flat, line.weighted, line.energy, missing=line.glyphs.missing)
    inner = slice(freedom, level.shape[1] - freedom), slice(freedom, level.shape[2] - freedom)
    return PlaceScores(near, plain, blank, level[:, inner[0], inner[1]])
