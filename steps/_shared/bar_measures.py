"""What is measured over the area of a code: contrast, module width, whether there are bars."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.light import to_linear
from steps._shared.symbologies import Symbology
from steps.contract import Gray

_STRAIGHT = 0.87
"""Correlation of rows with their mean, at least: bars are the same along their height."""
_TALL = 6.0
"""Length of bars to their median width, at least."""
_LEAST_ELEMENTS = 19
"""Bars and spaces of a code, at least (Code 128 with one character has 25) [count]."""


def contrast_of(samples: NDArray[np.uint8], gamma: str | float) -> float | None:
    """Give (light - dark) / light of a code in linear light.

    Parameters
    ----------
    samples : (strips, K) uint8
        Grey levels over the code without its surroundings; one row a strip.
    gamma : str or float
        How grey levels are coded, see `View.gamma`.

    Returns
    -------
    float or None
        Median over the strips [fraction]; None where there is no light.

    Notes
    -----
    Light and dark are the 90th and 10th percentile of each strip: the wide spaces and bars, which
    blur reaches least.
    """
    light, dark = np.percentile(to_linear(samples, gamma), [90, 10], axis=1)
    lit = light > 0
    return float(np.median((light[lit] - dark[lit]) / light[lit])) if lit.any() else None


def modules_across(symbology: Symbology, profiles: NDArray[np.uint8]) -> float | None:
    """Give the width of a linear code in modules; None where its bars cannot be counted.

    Notes
    -----
    Laid down for EAN and UPC. For the others the bars and spaces are counted in the median
    profile; with two widths (ITF-14, Code 39) the narrow ones are averaged.
    """
    if symbology.modules:
        return float(symbology.modules)
    widths = element_widths(np.median(profiles, axis=0))
    count, total = len(widths), float(widths.sum())
    name = symbology.name
    if name in ("code128", "gs1_128"):
        return 11.0 * (count - 7) / 6 + 13 if count % 6 == 1 and count >= 19 else None
    if name == "databar":
        return 96.0
    if name == "databar_expanded":
        fits = (c for c in range(3, 23) if 8 * c + 5 * -(-c // 2) + 4 in (count + 1, count + 2))
        characters = next(fits, None)  # the outermost elements may be spaces, which nobody sees
        return None if characters is None else 17.0 * characters + 15 * -(-characters // 2)
    right = count % 10 == 7 if name == "itf14" else count % 10 == 9
    if not right or count < 17:
        return None
    wide = 4 * (count // 10) + 1 if name == "itf14" else 3 * (count // 10 + 1)
    narrow = np.sort(widths)[: count - wide]
    return total / float(narrow.mean())


def element_widths(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Widths of bars and spaces between the first and the last bar, in samples."""
    kernel = np.ones(max(3, len(profile) // 12), np.uint8)[None]
    line = profile.astype(np.float32)[None]
    high, low = cv2.dilate(line, kernel)[0], cv2.erode(line, kernel)[0]
    level = (high + low) / 2
    steady = high - low > 0.25 * float((high - low).max())
    above = (line[0] > level) | ~steady
    change = np.flatnonzero(above[1:] != above[:-1])
    if len(change) < 2:
        return np.zeros(0)
    a, b = line[0][change] - level[change], line[0][change + 1] - level[change + 1]
    edges = change + a / np.where(a == b, 1, a - b)
    return np.diff(edges)


def _alike(rows: NDArray[np.float32], mean: NDArray[np.float32]) -> float:
    """Give the mean correlation of rows with their mean."""
    parts = rows - rows.mean(axis=1, keepdims=True)
    whole = mean - mean.mean()
    power = np.linalg.norm(parts, axis=1) * np.linalg.norm(whole) + 1e-3
    return float((parts @ whole / power).mean())


def holds_bars(upright: Gray) -> bool:
    """Say whether an upright patch holds the bars of a code, readable or not.

    Parameters
    ----------
    upright : (M, N) uint8
        A patch whose bars, if any, run down the columns.

    Returns
    -------
    bool
        True where at least 20 edges run straight through each of two thirds of it.

    Notes
    -----
    The rows of each third are correlated with their mean: bars are the same in every row, letters
    and pictures are not. Bars are also much longer than wide, the strokes of a line of
    letters are not.
    """
    smooth = cv2.GaussianBlur(upright, (0, 0), 1.0).astype(np.float32)
    barred = 0
    for part in np.array_split(smooth, 3):
        if len(part) < 4:
            continue
        profile = part.mean(axis=0)
        widths = element_widths(profile)
        tall = len(widths) >= _LEAST_ELEMENTS and len(upright) >= _TALL * float(np.median(widths))
        barred += tall and _alike(part, profile) > _STRAIGHT
    return barred >= 2
