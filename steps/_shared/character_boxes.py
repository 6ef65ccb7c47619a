"""Where the characters of a line stand on a picture, when only their number is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.glyphs import GlyphSet, Ink

Boxes = NDArray[np.float64]
"""(K, 4) left, top, right, bottom of the ink, from left to right [px]."""


def ink_of(image: NDArray[np.float32]) -> Ink:
    """Bring a picture with ink upwards to ground 0 and full ink 1."""
    ground = float(np.median(image))
    full = float(np.percentile(image, 99.5)) - ground
    return ((image - ground) / max(full, 1e-3)).astype(np.float32)


def character_boxes(ink: Ink, count: int, *, clean: bool = False) -> Boxes | None:
    """Find the boxes of a known number of characters in one row.

    Parameters
    ----------
    ink : ndarray
        (M, N) float32, ground 0, full ink 1.
    count : int
        How many characters stand in the row.
    clean : bool
        Whether there is nothing but the row: then what touches the border counts too.

    Returns
    -------
    ndarray or None
        (count, 4) boxes; None where no way of joining strokes gives that many.

    Notes
    -----
    Strokes that share columns belong to one character. Where the print is of dots with gaps, the
    ink is spread step by step until the number is right.
    """
    mask = (ink > 0.45).astype(np.uint8)
    for reach in range(1 + ink.shape[0] // 8):
        spread = mask
        if reach:
            kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach + 1, 2 * reach + 1))
            spread = np.asarray(cv2.dilate(mask, kernel), np.uint8)
        boxes = _strokes(spread, mask, clean=clean)
        grouped = _grouped(boxes)
        if len(grouped) == count:
            return grouped
        if len(grouped) < count:
            return None
    return None


def _strokes(spread: NDArray[np.uint8], mask: NDArray[np.uint8], *, clean: bool) -> Boxes:
    """Give the box of the ink in each connected piece, clutter left out."""
    height, width = mask.shape
    number, labels, stats, _ = cv2.connectedComponentsWithStats(spread, connectivity=8)
    found: list[tuple[float, float, float, float]] = []
    for k in range(1, number):
        x, y, w, h = (int(n) for n in stats[k, :4])
        touches = y == 0 or y + h >= height or x == 0 or x + w >= width
        if not clean and (touches or w > 0.5 * width or h > 0.92 * height):
            continue
        part = (labels[y : y + h, x : x + w] == k) & (mask[y : y + h, x : x + w] > 0)
        rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
        found.append((x + columns[0], y + rows[0], x + columns[-1] + 1.0, y + rows[-1] + 1.0))
    if not found:
        return np.zeros((0, 4))
    boxes = np.array(found)
    tall = boxes[:, 3] - boxes[:, 1]
    # Specks: far smaller than the line's characters both ways.
    large = np.maximum(tall, boxes[:, 2] - boxes[:, 0]) >= 0.1 * tall.max()
    return _one_row(boxes[large]) if not clean else boxes[large]


def _one_row(boxes: Boxes) -> Boxes:
    """Keep the strokes of the row with the most ink height; others are other lines."""
    middle = (boxes[:, 1] + boxes[:, 3]) / 2
    tall = boxes[:, 3] - boxes[:, 1]
    best = max(
        range(len(boxes)),
        key=lambda k: float(tall[abs(middle - middle[k]) < 0.6 * tall[k]].sum()),
    )
    high = float(np.median(tall[abs(middle - middle[best]) < 0.6 * tall[best]]))
    return boxes[abs(middle - middle[best]) < 0.75 * max(high, tall[best])]


def _grouped(boxes: Boxes) -> Boxes:
    """Join strokes that share most of their columns."""
    groups: list[list[float]] = []
    for left, top, right, bottom in sorted(boxes.tolist()):
        if groups:
            last = groups[-1]
            shared = min(last[2], right) - max(last[0], left)
            if shared > 0.5 * min(last[2] - last[0], right - left):
                groups[-1] = [
                    min(last[0], left),
                    min(last[1], top),
                    max(last[2], right),
                    max(last[3], bottom),
                ]
                continue
        groups.append([left, top, right, bottom])
    return np.array(groups).reshape(-1, 4)


def is_tall(character: str) -> bool:
    """Tell whether a character reaches from the base line to the height of a capital."""
    return character.isdigit() or character.isupper()


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """A line whose characters are known, and where they stand."""

    ink: Ink
    """(M, N) float32, ground 0, full ink 1."""
    text: str
    """With spaces, and `?` for what is not known."""
    middles: Boxes
    """(K, 2) middle of each visible character, across and down [px]."""
    widths: NDArray[np.float64]
    """(K,) width of each visible character [px]."""


def cut_of(ink: Ink, text: str, boxes: Boxes) -> tuple[Cut, float]:
    """Take a line by the boxes of its characters; give it with the height of a capital.

    Raises
    ------
    ValueError
        When no capital or digit shows the height of the line.
    """
    visible = text.replace(" ", "")
    tall = np.array([is_tall(c) or c == "?" for c in visible])
    if not tall.any():
        raise ValueError("the line shows no capital or digit to tell the height by")
    edges = np.array([_edges(ink, box) for box in boxes])
    height = float(np.median((edges[:, 3] - edges[:, 1])[tall]))
    x, y = (edges[:, 0] + edges[:, 2]) / 2 - 0.5, (edges[:, 1] + edges[:, 3]) / 2 - 0.5
    near = tall & (abs(y - np.median(y[tall])) < 0.3 * height)
    slope, start = 0.0, float(np.median(y[tall]))
    if near.sum() >= 3:
        slope, start = (float(n) for n in np.polyfit(x[near], y[near], 1))
    middles = np.column_stack([x, start + slope * x])
    return Cut(ink, text, middles, edges[:, 2] - edges[:, 0]), height


def _edges(ink: Ink, box: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Find the edges of a character's ink to part of a pixel, at half its strength."""
    left, top, right, bottom = (int(n) for n in box)
    rows, columns = ink.shape
    part = ink[max(0, top - 1) : bottom + 1, max(0, left - 1) : right + 1]
    found: list[float] = []
    for axis, first, size in ((0, max(0, left - 1), columns), (1, max(0, top - 1), rows)):
        profile = part.max(axis=axis)
        half = 0.5 * float(profile.max())
        for line, sign in ((profile, 1), (profile[::-1], -1)):
            at = int(np.argmax(line >= half))
            share = 0.5
            if at > 0 and line[at] > line[at - 1]:
                share = float((line[at] - half) / (line[at] - line[at - 1]))
            edge = at + 0.5 - share
            found.append(first + (edge if sign > 0 else len(line) - edge))
        found[-1] = min(found[-1], float(size))
    return found[0], found[2], found[1], found[3]


def cut_glyphs(cuts: Sequence[Cut], height: float, mm_per_px: float, origin: str) -> GlyphSet:
    """Cut lines of known characters into shapes.

    Parameters
    ----------
    cuts : sequence of Cut
        Lines at one scale.
    height : float
        Height of a capital [px].
    mm_per_px : float
        Scale, or nan.
    origin : str
        Where the shapes come from.

    Returns
    -------
    GlyphSet
        One shape for each known character.
    """
    known = sorted({c for cut in cuts for c in cut.text if c not in " ?"})
    before, after, space = _room(cuts, known, height)
    room = float((before + after).max())
    size = (math.ceil(height * 1.34), math.ceil(room + 0.2 * height))
    patches: dict[str, list[Ink]] = {c: [] for c in known}
    for cut in cuts:
        for c, (x, y) in zip(cut.text.replace(" ", ""), cut.middles, strict=True):
            if c != "?":
                k = known.index(c)
                own = cut.ink.copy()
                own[:, : max(0, round(x - before[k]))] = 0
                own[:, max(0, round(x + after[k])) + 1 :] = 0
                patch = cv2.getRectSubPix(own, (size[1], size[0]), (float(x), float(y)))
                patches[c].append(np.asarray(patch, np.float32))
    return GlyphSet(
        tuple(known),
        np.stack([average(patches[c]) for c in known]),
        before,
        after,
        space,
        height,
        mm_per_px,
        (origin,) * len(known),
    )


def average(patches: Sequence[Ink]) -> Ink:
    """Average the looks of one character; from five on by the median, deaf to missing dots."""
    stack = np.stack(patches)
    return (np.median(stack, axis=0) if len(stack) >= 5 else stack.mean(axis=0)).astype(np.float32)


def _room(
    cuts: Sequence[Cut], known: Sequence[str], height: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Give the room before and after each character, and that of a space, by least squares."""
    names = [*known, "?"]
    n = len(names)
    index = {c: k for k, c in enumerate(names)}
    rows: list[NDArray[np.float64]] = []
    wanted: list[float] = []
    gaps: list[float] = []
    widths: dict[str, list[float]] = {c: [] for c in names}
    for cut in cuts:
        places = [k for k, c in enumerate(cut.text) if c != " "]
        for place, width in zip(places, cut.widths, strict=True):
            widths[cut.text[place]].append(float(width))
        for k, (a, b) in enumerate(pairwise(places)):
            row = np.zeros(2 * n + 1)
            row[n + index[cut.text[a]]] = row[index[cut.text[b]]] = 1
            row[-1] = b - a - 1
            rows.append(row)
            wanted.append(float(cut.middles[k + 1, 0] - cut.middles[k, 0]))
            if b - a == 1:
                gaps.append(wanted[-1] - float(cut.widths[k] + cut.widths[k + 1]) / 2)
    gap = float(np.median(gaps)) if gaps else 0.2 * height
    typical = float(np.median([w for some in widths.values() for w in some]))
    half = [(float(np.mean(widths[c])) if widths[c] else typical) / 2 + gap / 2 for c in names]
    prior = np.array([*half, *half, 0.4 * height])
    hold = 0.2 * math.sqrt(max(1, len(cuts)))
    a = np.vstack([*rows, np.eye(2 * n + 1) * hold])
    b = np.concatenate([wanted, prior * hold])
    found = np.asarray(np.linalg.lstsq(a, b, rcond=None)[0], np.float64)
    found = np.maximum(found, 0.12 * height)
    return found[: n - 1], found[n : 2 * n - 1], float(found[-1])
