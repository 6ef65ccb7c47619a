"""The bars of a linear code cut into strips over their height, each read on its own."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from steps._shared.bar_extent import BarExtent, sample_bars
from steps._shared.symbologies import Symbology
from steps.contract import Gray

_END_SHARE = 0.03
"""Share of the height that is left out at the top and at the bottom of the bars."""
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


def bars_only(profiles: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Cut the quiet zones off profiles of `strips_of`."""
    quiet = round(profiles.shape[1] * _QUIET_SHARE / (1 + 2 * _QUIET_SHARE))
    return profiles[:, quiet:-quiet]


def _trimmed(extent: BarExtent) -> BarExtent:
    """Take the very top and bottom off."""
    tl, tr, br, bl = extent.corners
    a, b = (bl - tl) * _END_SHARE, (br - tr) * _END_SHARE
    return BarExtent(np.array([tl + a, tr + b, br - b, bl - a]))
