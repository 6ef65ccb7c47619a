"""Colours as light over a white: CIE Lab and the CIEDE2000 difference."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

# Linear sRGB to XYZ, IEC 61966-2-1:1999; rows sum to the D65 white.
TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], np.float64
)


def to_lab(light: NDArray[np.floating], white: NDArray[np.floating]) -> NDArray[np.float64]:
    """Give L*, a*, b* of light (red, green, blue), (..., 3), as a share of a white's light, (3,).

    Each channel is divided by the white's, so that a cast or level of the light falls out.

    Examples
    --------
    >>> to_lab(np.array([0.2, 0.2, 0.1]), np.array([0.8, 0.8, 0.4])).round(6)
    array([57.075421,  0.      ,  0.      ])
    """
    share: NDArray[np.float64] = (light / white) @ TO_XYZ.T / TO_XYZ.sum(axis=1)
    slope, start = (29 / 6) ** 2 / 3, 4 / 29
    root: NDArray[np.float64] = np.where(
        share > (6 / 29) ** 3, share ** (1 / 3), slope * share + start
    )
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1).astype(np.float64)


def from_lab(lab: Sequence[float]) -> NDArray[np.float64]:
    """Give light (red, green, blue) as a share of the white's, (3,): the inverse of `to_lab`.

    Colours that such light cannot show are brought to the nearest share above 0.

    Examples
    --------
    >>> to_lab(from_lab((60, 20, -30)), np.ones(3)).round(6)
    array([ 60.,  20., -30.])
    """
    y = (lab[0] + 16) / 116
    root = np.array([y + lab[1] / 500, y, y - lab[2] / 200])
    share = np.where(root > 6 / 29, root**3, 3 * (6 / 29) ** 2 * (root - 4 / 29))
    light: NDArray[np.float64] = np.linalg.inv(TO_XYZ) @ (share * TO_XYZ.sum(axis=1))
    return np.maximum(light, 1e-4)


def ciede2000(one: Sequence[float], other: Sequence[float]) -> float:
    """Give the CIEDE2000 difference of two colours (L*, a*, b*).

    References
    ----------
    CIE 142-2001; notation of Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula",
    Color Research and Application 30 (2005).

    Examples
    --------
    >>> round(ciede2000((50, 2.6772, -79.7751), (50, 0, -82.7485)), 4)
    2.0425
    """
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - _strong(mean))
    c1, c2 = math.hypot((1 + g) * a1, b1), math.hypot((1 + g) * a2, b2)
    h1, h2 = (math.atan2(b, (1 + g) * a) % math.tau for a, b in ((a1, b1), (a2, b2)))
    turn, middle = 0.0, h1 + h2
    if c1 * c2 > 0:
        turn, middle = h2 - h1, (h1 + h2) / 2
        if abs(turn) > math.pi:
            turn -= math.copysign(math.tau, turn)
            middle = (middle + math.pi) % math.tau
    dl, dc, dh = l2 - l1, c2 - c1, 2 * math.sqrt(c1 * c2) * math.sin(turn / 2)
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * math.cos(middle - math.radians(30))
        + 0.24 * math.cos(2 * middle)
        + 0.32 * math.cos(3 * middle + math.radians(6))
        - 0.20 * math.cos(4 * middle - math.radians(63))
    )
    blue = math.radians(30) * math.exp(-(((math.degrees(middle) - 275) / 25) ** 2))
    sl = 1 + 0.015 * (light - 50) ** 2 / math.sqrt(20 + (light - 50) ** 2)
    sc, sh = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    rotation = -2 * _strong(chroma) * math.sin(2 * blue)
    parts = (dl / sl, dc / sc, dh / sh)
    return math.sqrt(max(0.0, sum(p * p for p in parts) + rotation * parts[1] * parts[2]))


def _strong(chroma: float) -> float:
    """Give the weight of strong colours, from 0 to 1."""
    return math.sqrt(chroma**7 / (chroma**7 + 25.0**7))
