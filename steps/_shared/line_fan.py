"""A nearly straight line in a band: found by a fan of slopes, then followed to sub-pixel.

All places are pixels of the band: x to the right, y down, pixel centres at whole numbers. A line
is y = `offset` + `slope` * (x - middle of the band).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

CLIP = 4.0
"""Response of one place that may count in the fan, in units of the noise, unless the strongest
response of most columns is larger: print in a few columns cannot lead."""
SATURATED = 254
"""Where a whole kernel lies on pixels this bright, nothing can be seen [grey levels]."""
GROUP_PX = 48
"""Columns summed along a few slopes first; the fan adds groups."""
SLOPE_PX = 1.0
"""Distance between two slopes of the fan at the end of the band [px]."""


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Response of a band to a step or a line, in blocks of columns."""

    response: Floats
    """(M, K) change of grey per pixel (step) or its curvature (line); 0 where nothing is seen."""
    visible: NDArray[np.bool_]
    """(M, K) whether the response rests on pixels that are neither masked nor saturated."""
    x: Floats
    """(K,) middle of each block, from the middle of the band [px]."""
    noise: float
    """Robust spread of the response of one block."""
    margin: int
    """Rows at the top and bottom without a response."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line in a band."""

    offset: float
    slope: float
    sign: float
    """+1 or -1: the sign of the response along it."""
    snr: float
    """Mean response along the line in units of its own noise."""


def middle_value(values: NDArray[np.floating[Any]]) -> float:
    """Give the (upper) median; several times quicker than `numpy.median` on few values."""
    flat = values.ravel()
    return float(np.partition(flat, len(flat) // 2)[len(flat) // 2])


def kernel(kind: str, sigma: float) -> Floats:
    """Column kernel: derivative (`step`) or negative curvature (`line`) of a Gaussian.

    Scaled so that a step of 1 grey level, or a wide parabola of curvature -1, answers with 1.
    """
    reach = int(np.ceil(3 * sigma))
    t = np.arange(-reach, reach + 1, dtype=np.float64)
    bell = np.exp(-t * t / (2 * sigma * sigma))
    if kind == "step":
        k = t * bell
        return (k / np.abs(k[: reach + 1].sum())).astype(np.float32).reshape(-1, 1)
    k = (1 - t * t / sigma**2) * bell
    k -= k.mean()
    return (k / k[k > 0].sum()).astype(np.float32).reshape(-1, 1)


def band_response(
    gray: NDArray[np.uint8], mask: NDArray[np.uint8] | None, kind: str, sigma: float, block: int
) -> Band:
    """Filter a band down its columns.

    Parameters
    ----------
    gray, mask : (M, N) uint8
        Grey levels; mask 0 where nothing may be measured.
    kind : str
        `step` or `line`.
    sigma : float
        Spread of the kernel [px].
    block : int
        Columns averaged before the filter [px].

    Returns
    -------
    Band
        Positive response: brighter below (step), or a bright line.
    """
    rows, count = gray.shape[0], gray.shape[1] // block
    width = count * block
    k = kernel(kind, sigma)
    reach = len(k) // 2
    window = np.ones((2 * reach + 1, 1), np.uint8)
    lost = np.asarray(cv2.erode((gray[:, :width] >= SATURATED).astype(np.float32), window))
    source = gray[:, :width].astype(np.float32)
    if mask is not None and not mask[:, :width].all():
        hidden = mask[:, :width] == 0
        source[hidden] = 0.0 if hidden.all() else middle_value(source[~hidden])
        lost = np.maximum(lost, cv2.dilate(hidden.astype(np.float32), window))
    blocks = cv2.resize(source, (count, rows), interpolation=cv2.INTER_AREA)
    response = np.asarray(
        cv2.filter2D(blocks, cv2.CV_32F, k, borderType=cv2.BORDER_REPLICATE), np.float32
    )
    visible = np.ones((rows, count), np.bool_)
    if np.any(lost):
        visible = np.asarray(
            cv2.resize(lost, (count, rows), interpolation=cv2.INTER_AREA) <= 0.25, np.bool_
        )
        response[~visible] = 0
    response[:reach] = 0
    response[rows - reach :] = 0
    inner = visible[reach : rows - reach]
    size = np.abs(response[reach : rows - reach])
    seen = size if inner.all() else size[inner]
    noise = 1.4826 * middle_value(seen) if seen.size else 0.0
    x = (np.arange(count, dtype=np.float32) * block + (block - gray.shape[1]) / 2).astype(
        np.float32
    )
    return Band(response, visible, x, max(noise, 0.05), reach)


def sampled(part: Floats, x: Floats, slopes: Floats, first: int, rows: int) -> Floats:
    """Sample a band along every slope, (S, `rows`, K): row r is the line with offset first + r."""
    count = len(x)
    y = np.arange(first, first + rows, dtype=np.float32)
    down = slopes[:, None, None] * x[None, None, :] + y[None, :, None]
    across = np.broadcast_to(np.arange(count, dtype=np.float32), down.shape)
    taken = cv2.remap(
        part,
        np.ascontiguousarray(across).reshape(-1, count),
        down.reshape(-1, count),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    return np.asarray(taken, np.float32).reshape(len(slopes), rows, count)


def fan(band: Band, middle: float, spread: float) -> tuple[Floats, Floats]:
    """Mean clipped response along every line of a fan.

    The columns are first summed in groups along a few slopes, then the groups along all slopes,
    so the cost is that of two small samplings instead of one for each slope.

    Parameters
    ----------
    band : Band
        What is searched.
    middle, spread : float
        Slopes run from middle - spread to middle + spread.

    Returns
    -------
    slopes : (S,) float32
    means : (S, M) float32
    """
    rows, count = band.response.shape
    largest = np.abs(band.response).max(axis=0)
    answering = largest[largest > 0]
    usual = middle_value(answering) if len(answering) else 0.0
    limit = max(CLIP * band.noise, usual)
    clipped = np.clip(band.response, -limit, limit)
    half = float(band.x[-1] - band.x[0]) / 2 + 1
    steps = int(np.ceil(spread * half / SLOPE_PX))
    slopes = (middle + np.linspace(-spread, spread, 2 * steps + 1)).astype(np.float32)
    groups = max(1, round(2 * half / GROUP_PX))
    bounds = np.array([round(count * g / groups) for g in range(groups)], np.intp)
    sizes = np.diff(bounds, append=count).astype(np.float32)
    centers = (np.add.reduceat(band.x, bounds) / sizes).astype(np.float32)
    few = 1 + 2 * int(np.ceil(spread * GROUP_PX / 2))
    coarse = (middle + np.linspace(-spread, spread, few)).astype(np.float32)
    reach = 2 + int(np.ceil((abs(middle) + spread) * GROUP_PX / 2))
    x = band.x - np.repeat(centers, sizes.astype(int))
    parts = sampled(clipped, x, coarse, -reach, rows + 2 * reach)
    sums = np.add.reduceat(parts, bounds, axis=2) * np.float32(groups / count)
    nearest = np.abs(coarse[None, :] - slopes[:, None]).argmin(axis=1)
    means = np.empty((len(slopes), rows), np.float32)
    for c in range(few):
        mine = nearest == c
        if mine.any():
            taken = sampled(sums[c], centers, slopes[mine], reach, rows)
            means[mine] = taken.mean(axis=2)
    return slopes, means


def candidates(band: Band, middle: float, spread: float, wanted: int, most: int = 6) -> list[Line]:
    """Lines that stand out of the fan, strongest first.

    Parameters
    ----------
    band : Band
        What is searched.
    middle, spread : float
        Slopes that are tried.
    wanted : int
        +1 or -1: only responses of this sign; 0: either.
    most : int
        Largest number of lines.

    Returns
    -------
    list of Line
        One for each row where the fan has a peak; lines that cross a stronger one are left out.
    """
    slopes, means = fan(band, middle, spread)
    low, high = band.margin, len(means[0]) - band.margin
    means = means - np.float32(middle_value(means[:, low:high]))
    signed = np.abs(means) if wanted == 0 else wanted * means
    best = signed.argmax(axis=0)
    peaks = signed.max(axis=0)
    usable = max(1.0, float(band.visible.any(axis=0).sum()))
    single = band.noise * np.sqrt(usable) / len(band.x)
    noise = max(single, 1.4826 * middle_value(np.abs(means[:, low:high])))
    around = cv2.dilate(peaks.reshape(-1, 1), np.ones((5, 1), np.uint8))[:, 0]
    rows = np.flatnonzero((peaks >= around) & (peaks > 0))
    rows = rows[(rows >= low) & (rows < high)]
    half = float(band.x[-1])
    kept: list[Line] = []
    for y in rows[np.argsort(-peaks[rows], kind="stable")]:
        s = best[y]
        sign = 1.0 if means[s, y] > 0 else -1.0
        line = Line(float(y), float(slopes[s]), sign, float(peaks[y] / noise))
        if not any(crosses(line, other, half) for other in kept):
            kept.append(line)
        if len(kept) == most:
            break
    return kept


def crosses(a: Line, b: Line, half: float, apart: float = 2.0) -> bool:
    """Whether two lines meet, or nearly, within `half` px of the middle: the wing of a peak."""
    left = a.offset - b.offset - (a.slope - b.slope) * half
    right = a.offset - b.offset + (a.slope - b.slope) * half
    return left * right <= 0 or min(abs(left), abs(right)) <= apart


def along(band: Band, line: Line, reach: int) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Take the response of each block in the rows nearest to a line.

    Returns
    -------
    taken : (2 reach + 1, K) float32
        Response, positive where it has the line's sign.
    away : (K,) float32
        Place of the middle row from the line [px].
    visible : (K,) bool
        Whether the line could be seen there.
    """
    rows = len(band.response)
    y = line.offset + line.slope * band.x
    middle = np.rint(y).astype(np.intp)
    inside = (middle >= 1) & (middle <= rows - 2)
    at = np.clip(middle[None, :] + np.arange(-reach, reach + 1)[:, None], 0, rows - 1)
    columns = np.arange(len(y))
    taken = band.response[at, columns] * np.float32(line.sign)
    away = (middle - y).astype(np.float32)
    return taken, away, band.visible[at[reach], columns] & inside


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A line after the fit, and where it shows."""

    line: Line
    seen: NDArray[np.bool_]
    """(K,) blocks that answer with the line's sign, near enough and strongly enough."""
    visible: NDArray[np.bool_]
    """(K,) blocks where the line could be seen at all."""
    scatter: float
    """Robust spread of the blocks' own places about the line [px]."""


def follow(band: Band, line: Line, held: bool) -> Followed:
    """Fit a line to where each block has its own peak within 2 px of a first line.

    A peak's place is that of the bell through its three largest responses (a parabola through
    their logarithms, right for a blurred step whatever its blur). The fit is weighted by the
    response, and a place far from the line counts for nothing (Tukey's biweight).

    Parameters
    ----------
    band : Band
        What the line lies in.
    line : Line
        Its first place, from the fan.
    held : bool
        Keep the slope.

    Returns
    -------
    Followed
    """
    line = centred(band, line)
    scatter = 0.0
    for _ in range(2):
        taken, away, visible = along(band, line, 3)
        place, strength, good = own_peaks(taken)
        good &= visible
        if good.sum() < 4:
            break
        cap = 2 * middle_value(strength[good])
        weight = np.where(good, np.minimum(strength, cap), 0).astype(np.float64)
        x, y = band.x.astype(np.float64), place + away
        step, turn, scatter = robust_line(x, y, weight, held)
        line = Line(line.offset + step, line.slope + turn, line.sign, line.snr)
    taken, _, visible = along(band, line, 1)
    best = taken.max(axis=0)
    usual = middle_value(best[visible]) if visible.any() else 0.0
    seen = visible & (best >= max(0.35 * usual, 1.5 * band.noise))
    return Followed(line, seen, visible, scatter)


def centred(band: Band, line: Line) -> Line:
    """Move a line to the row of the largest response: a strong edge is clipped to a flat top."""
    reach = 5
    taken, _, visible = along(band, line, reach)
    if not visible.any():
        return line
    taken = taken[:, visible]
    cap = max(middle_value(taken.max(axis=0)), CLIP * band.noise)
    best = int(np.clip(taken, -cap, cap).mean(axis=1).argmax())
    return Line(line.offset + best - reach, line.slope, line.sign, line.snr)


def own_peaks(taken: Floats) -> tuple[NDArray[np.float64], Floats, NDArray[np.bool_]]:
    """Place of each peak from the middle row to sub-pixel, its height, and whether it is one."""
    columns = np.arange(len(taken[0]))
    at = taken[1:-1].argmax(axis=0) + 1
    a, m, b = taken[at - 1, columns], taken[at, columns], taken[at + 1, columns]
    good = (m >= a) & (m >= b) & (m > 0)
    top = np.where(good, m, 1.0).astype(np.float64)
    low = np.log(np.maximum(a / top, 0.05))
    high = np.log(np.maximum(b / top, 0.05))
    bend = low + high
    good &= bend < 0
    move = 0.5 * (low - high) / np.where(good, bend, -1.0)
    return at - len(taken) // 2 + np.where(good, move, 0.0), m, good


def robust_line(
    x: NDArray[np.float64], y: NDArray[np.float64], weight: NDArray[np.float64], held: bool
) -> tuple[float, float, float]:
    """Offset at x = 0, slope and robust spread of weighted places; slope 0 where it is held."""
    w, off, slope, spread = weight, 0.0, 0.0, 0.0
    for _ in range(4):
        total = w.sum()
        if total <= 0:
            break
        mx, my = float((w * x).sum() / total), float((w * y).sum() / total)
        vary = float((w * (x - mx) ** 2).sum())
        slope = 0.0 if held or vary <= 0 else float((w * (x - mx) * (y - my)).sum()) / vary
        off = my - slope * mx
        away = y - off - slope * x
        spread = 1.4826 * middle_value(np.abs(away[weight > 0]))
        u = away / (4.7 * max(spread, 0.03))
        w = weight * np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0.0)
    return off, slope, spread
