"""The bars of a linear code cut into strips over their height, each read on its own."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from steps._shared.bar_extent import BarExtent, sample_bars
from steps._shared.bar_measures import element_widths
from steps._shared.symbologies import Symbology
from steps.contract import Gray

_END_SHARE = 0.03
"""Share of the height that is left out at the top and at the bottom of the bars."""
_BESIDE = 0.6
"""How far beside the bars more of them are looked for, as a share of the width."""
_MORE_ELEMENTS = 5
"""Bars and spaces beside the code that make it a piece of a larger one [count]."""
_MORE_CONTRAST = 0.5
"""Their contrast to that of the code, at least."""
_QUIET_SHARE = 0.16
"""How much is sampled beside the bars for their quiet zones, as a share of the width."""


def strips_of(gray: Gray, extent: BarExtent, strips: int) -> NDArray[np.uint8]:
    """Average the bars into strips from top to bottom.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    extent : BarExtent
        Where the bars are.
    strips : int
        How many [count].

    Returns
    -------
    (strips, K) uint8
        One scan profile a strip, with quiet zones, at one to two pixels for each of the view.
    """
    per_strip = int(np.clip(round(extent.height / strips), 1, 8))
    columns = int(np.clip(2 * extent.width, 100, max(900, extent.width)))
    upright = sample_bars(gray, _trimmed(extent), strips * per_strip, columns, _QUIET_SHARE)
    means = upright.reshape(strips, per_strip, -1).astype(np.float32).mean(axis=1)
    return np.asarray(np.rint(means), np.uint8)


def texts_of(profiles: NDArray[np.uint8], symbology: Symbology) -> Counter[str]:
    """Read each strip on its own.

    Parameters
    ----------
    profiles : (strips, K) uint8
        Scan profiles, see `strips_of`.
    symbology : Symbology
        What may be read.

    Returns
    -------
    Counter
        How many strips give each content.
    """
    texts: Counter[str] = Counter()
    formats = zxingcpp.BarcodeFormats(symbology.formats)
    for profile in profiles:
        found = zxingcpp.read_barcodes(
            np.repeat(profile[None], 4, axis=0),
            formats=formats,
            try_rotate=False,
            try_downscale=False,
            try_invert=False,
            text_mode=zxingcpp.TextMode.Plain,
        )
        texts.update({f.text for f in found})
    return texts


def brought_out(profiles: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Sharpen scan profiles and stretch them to full contrast everywhere.

    Parameters
    ----------
    profiles : (strips, K) uint8
        Scan profiles.

    Returns
    -------
    (strips, 2 K) uint8
        The same, twice enlarged.
    """
    lines = profiles.astype(np.float32)
    lines = cv2.resize(lines, (2 * lines.shape[1], len(lines)), interpolation=cv2.INTER_CUBIC)
    lines += 1.5 * (lines - cv2.GaussianBlur(lines, (0, 0), sigmaX=4.0, sigmaY=1e-3))
    side = max(9, lines.shape[1] // 10)
    kernel = np.ones((1, side), np.uint8)
    high = cv2.blur(cv2.dilate(lines, kernel), (side, 1))
    low = cv2.blur(cv2.erode(lines, kernel), (side, 1))
    return np.clip(20 + 215 * (lines - low) / (high - low + 8), 0, 255).astype(np.uint8)


def goes_on(gray: Gray, extent: BarExtent) -> bool:
    """Say whether more bars of the same height stand beside those that were read.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    extent : BarExtent
        The bars that were read.

    Returns
    -------
    bool
        True where, within three fifths of the width, several more bars stand on either side: a
        tear can leave a piece of a code that reads as a shorter code.
    """
    columns = int(np.clip(2 * extent.width, 100, 900))
    upright = sample_bars(gray, _trimmed(extent), 24, columns, _BESIDE)
    profile = upright.astype(np.float64).mean(axis=0)
    beside = round(_BESIDE * columns)
    inside = profile[beside:-beside]
    step = _MORE_CONTRAST * float(inside.max() - inside.min())
    gap = round(0.03 * columns)
    return any(
        len(element_widths(part)) >= _MORE_ELEMENTS and float(part.max() - part.min()) > step
        for part in (profile[: beside - gap], profile[gap - beside :])
    )


def bars_only(profiles: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Cut the quiet zones off profiles of `strips_of`."""
    quiet = round(profiles.shape[1] * _QUIET_SHARE / (1 + 2 * _QUIET_SHARE))
    return profiles[:, quiet:-quiet]


def _trimmed(extent: BarExtent) -> BarExtent:
    """Take the very top and bottom off."""
    tl, tr, br, bl = extent.corners
    a, b = (bl - tl) * _END_SHARE, (br - tr) * _END_SHARE
    return BarExtent(np.array([tl + a, tr + b, br - b, bl - a]))
