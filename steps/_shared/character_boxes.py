"""Where the characters of a line stand on a picture, when only their number is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
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


def cut_glyphs(cuts: Sequence[tuple[Ink, str, Boxes]], mm_per_px: float, origin: str) -> GlyphSet:
    """Cut lines of known characters into shapes.

    Parameters
    ----------
    cuts : sequence of (ink, text, boxes)
        Lines as ground 0 and full ink 1, their texts with spaces and `?` for what is unknown, and
        the boxes of their visible characters.
    mm_per_px : float
        Scale, or nan.
    origin : str
        Where the shapes come from.

    Returns
    -------
    GlyphSet
        One shape for each known character.

    Raises
    ------
    ValueError
        When no capital or digit shows the height of the line.
    """
    rows = [_row_of(text, boxes) for _, text, boxes in cuts]
    height = float(np.median([r[0] for r in rows]))
    known = sorted({c for _, text, _ in cuts for c in text if c not in " ?"})
    widths = np.concatenate([b[:, 2] - b[:, 0] for _, _, b in cuts])
    size = (math.ceil(height * 1.34), math.ceil(float(widths.max()) + 0.3 * height))
    patches: dict[str, list[Ink]] = {c: [] for c in known}
    for (ink, text, boxes), (_, slope, start) in zip(cuts, rows, strict=True):
        for c, box in zip(text.replace(" ", ""), boxes, strict=True):
            if c != "?":
                x = (box[0] + box[2] - 1) / 2
                own = ink.copy()
                own[:, : max(0, int(box[0]) - 1)] = 0
                own[:, int(box[2]) + 1 :] = 0
                patch = cv2.getRectSubPix(own, (size[1], size[0]), (x, start + slope * x))
                patches[c].append(np.asarray(patch, np.float32))
    before, after, space = _room(cuts, known)
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


def _row_of(text: str, boxes: Boxes) -> tuple[float, float, float]:
    """Give the height of capitals, and slope and start of the row's middle."""
    visible = text.replace(" ", "")
    tall = np.array([is_tall(c) or c == "?" for c in visible])
    if not tall.any():
        raise ValueError("the line shows no capital or digit to tell the height by")
    chosen = boxes[tall]
    height = float(np.median(chosen[:, 3] - chosen[:, 1]))
    x, y = (chosen[:, 0] + chosen[:, 2] - 1) / 2, (chosen[:, 1] + chosen[:, 3] - 1) / 2
    near = abs(y - np.median(y)) < 0.3 * height
    if near.sum() < 3:
        return height, 0.0, float(np.median(y))
    slope, start = np.polyfit(x[near], y[near], 1)
    return height, float(slope), float(start)


def _room(
    cuts: Sequence[tuple[Ink, str, Boxes]], known: Sequence[str]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Give the room before and after each character, and that of a space, by least squares."""
    names = [*known, "?"]
    n = len(names)
    index = {c: k for k, c in enumerate(names)}
    rows: list[NDArray[np.float64]] = []
    wanted: list[float] = []
    gaps: list[float] = []
    widths: dict[str, list[float]] = {c: [] for c in names}
    for _, text, boxes in cuts:
        places = [k for k, c in enumerate(text) if c != " "]
        for place, box in zip(places, boxes, strict=True):
            widths[text[place]].append(float(box[2] - box[0]))
        for k, (a, b) in enumerate(pairwise(places)):
            row = np.zeros(2 * n + 1)
            row[n + index[text[a]]] = row[index[text[b]]] = 1
            row[-1] = b - a - 1
            rows.append(row)
            wanted.append(float(boxes[k + 1, [0, 2]].mean() - boxes[k, [0, 2]].mean()))
            if b - a == 1:
                gaps.append(float(boxes[k + 1, 0] - boxes[k, 2]))
    gap = float(np.median(gaps)) if gaps else 2.0
    typical = float(np.median([w for some in widths.values() for w in some]))
    half = [(float(np.mean(widths[c])) if widths[c] else typical) / 2 + gap / 2 for c in names]
    prior = np.array([*half, *half, typical + gap])
    hold = 0.2 * math.sqrt(max(1, len(cuts)))
    a = np.vstack([*rows, np.eye(2 * n + 1) * hold])
    b = np.concatenate([wanted, prior * hold])
    found = np.asarray(np.linalg.lstsq(a, b, rcond=None)[0], np.float64)
    return found[: n - 1], found[n : 2 * n - 1], float(found[-1])
