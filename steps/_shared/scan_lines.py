"""Scan reflectance profiles from a picture: lines over the bars' area through a round aperture."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.bars_area import BarsArea

Floats = NDArray[np.float64]

_MOST_GAIN = 3.0
"""How much the sharpening raises a spatial frequency at most."""
_PASS, _STOP = 0.30, 0.45
"""Spatial frequencies up to which sharpening is full, and from which there is none [1/px]."""


@dataclass(frozen=True, slots=True, eq=False)
class Scans:
    """Profiles, and how their samples lie."""

    profiles: Floats
    """(P, N) light along P lines."""
    samples_per_px: float
    """Samples a pixel of the picture, at the middle of the code."""


def scan_lines(
    light: NDArray[np.float32],
    area: BarsArea,
    places: Floats,
    *,
    margin: tuple[float, float],
    step_px: float,
    aperture_px: float,
    blur_px: float = 0.0,
    height_ratio: float = 1.0,
) -> Scans:
    """Scan lines across the bars through a round aperture.

    Parameters
    ----------
    light : (M, N) float32
        Light, linear.
    area : BarsArea
        Where the bars lie.
    places : (P,) float64
        Where the lines run, as shares of the bars' height.
    margin : (float, float)
        What is scanned before and after the bars, as shares of their width.
    step_px : float
        Distance of samples [px].
    aperture_px : float
        Diameter of the aperture along the scan [px]; 0 for single points.
    blur_px : float
        Standard deviation of the picture's blur, which is undone as far as its pixels allow, with
        the area of a pixel; 0 undoes nothing [px].
    height_ratio : float
        Scale along the bars over that along the scan, where the picture is foreshortened.

    Returns
    -------
    Scans

    Notes
    -----
    The disc is cut into strips along the scan, about one a pixel; each is a moving mean over its
    chord. Samples between pixels are cubic.

    Examples
    --------
    >>> light = np.tile(np.repeat([1.0, 0.0, 1.0], 20).astype(np.float32), (30, 1))
    >>> area = BarsArea(np.array([[19.5, 5], [39.5, 5], [39.5, 25], [19.5, 25]]), np.ones(1))
    >>> scans = scan_lines(
    ...     light, area, np.array([0.5]), margin=(0.5, 0.5), step_px=0.5, aperture_px=4
    ... )
    >>> scans.profiles.shape, np.abs(scans.profiles[0, [0, 40, 80]] - [1, 0, 1]).max() < 0.01
    ((1, 81), np.True_)
    """
    width = area.width_px
    count = max(8, round(width * (1.0 + margin[0] + margin[1]) / step_px) + 1)
    s = np.linspace(-margin[0], 1.0 + margin[1], count)
    radius = aperture_px / 2.0
    strips = int(np.clip(np.ceil(aperture_px / 1.2), 1, 8))
    offsets = (np.arange(strips) + 0.5) / strips * 2.0 - 1.0  # of the radius
    t = places[:, None] + offsets[None, :] * radius * height_ratio / max(area.height_px, 1e-9)
    raw = _sample(light, area.matrix, s, t.T.ravel()).reshape(strips, len(places), count)
    samples_per_px = (count - 1) / (width * (1.0 + margin[0] + margin[1]))
    chords = np.sqrt(1.0 - offsets**2) * radius * samples_per_px
    profiles = _through_disc(raw, chords)
    if blur_px > 0.0:
        kernel = sharpening(blur_px, samples_per_px, area.direction)
        sharp = cv2.filter2D(profiles, -1, kernel[None], borderType=cv2.BORDER_REPLICATE)
        # Wide elements reach their level before sharpening; what passes it is overshoot.
        low, high = profiles.min(axis=1, keepdims=True), profiles.max(axis=1, keepdims=True)
        profiles = np.clip(np.asarray(sharp, np.float64), low, high)
    return Scans(profiles, samples_per_px)


def _sample(
    light: NDArray[np.float32], matrix: Floats, s: Floats, t: Floats
) -> NDArray[np.float32]:
    """Values at the crossings of s and t, shares of the bars' width and height."""
    m, across, down = matrix.astype(np.float32), s.astype(np.float32), t.astype(np.float32)
    x, y, w = (m[k, 0] * across[None] + (m[k, 1] * down + m[k, 2])[:, None] for k in range(3))
    x /= w
    y /= w
    values = cv2.remap(light, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, np.float32)


def _through_disc(raw: NDArray[np.float32], chords: Floats) -> Floats:
    """Mean of strips (S, P, N), each first averaged over its chord; half chords in samples."""
    if chords.max() < 0.5:
        return np.asarray(np.mean(raw, axis=0), np.float64)
    weights = chords / float(chords.sum())
    profiles: NDArray[np.float32] = np.zeros(raw.shape[1:], np.float32)
    for values, half, weight in zip(raw, np.maximum(chords, 0.5), weights, strict=True):
        kernel = (weight * _chord(float(half))).astype(np.float32)
        profiles += cv2.filter2D(
            np.asarray(values, np.float32), -1, kernel[None], borderType=cv2.BORDER_REPLICATE
        )
    return profiles.astype(np.float64)


def _chord(half: float) -> Floats:
    """Kernel of a mean over `half` samples to either side, each constant over its own step."""
    reach = int(np.ceil(half - 0.5))
    place = np.arange(-reach, reach + 1, dtype=np.float64)
    covered = np.minimum(place + 0.5, half) - np.maximum(place - 0.5, -half)
    return np.clip(covered, 0.0, 1.0) / (2.0 * half)


def sharpening(
    blur_px: float, samples_per_px: float, direction: tuple[float, float] = (1.0, 0.0)
) -> Floats:
    """Kernel that undoes blur, the area of a pixel and interpolation, as far as pixels can hold.

    Parameters
    ----------
    blur_px : float
        Standard deviation of the blur [px].
    samples_per_px : float
        Samples a pixel.
    direction : (float, float)
        Unit vector of the scan in the picture.

    Returns
    -------
    (K,) float64
        Its sum is 1; K is odd.

    Examples
    --------
    >>> kernel = sharpening(0.5, 2.0)
    >>> round(float(kernel.sum()), 6), bool(kernel.max() > 0.5)
    (1.0, True)
    """
    frequency = np.linspace(0.0, _STOP, 64)  # cycles a pixel
    # A moving mean over samples takes each as constant over its own step.
    response = blur_response(frequency, blur_px) * np.sinc(frequency / samples_per_px)
    for part in direction:
        along = np.minimum(frequency * abs(part), 1.0)
        response = response * np.sinc(along) * np.interp(along, _FREQUENCIES, _CUBIC)
    return inverse_kernel(frequency, response, samples_per_px)


def blur_response(frequency: Floats, blur_px: float) -> Floats:
    """Share of each spatial frequency that a Gaussian blur leaves.

    Examples
    --------
    >>> blur_response(np.array([0.0, 0.5]), 0.5).round(3).tolist()
    [1.0, 0.291]
    """
    return np.exp(-2.0 * (np.pi * blur_px * frequency) ** 2)


def inverse_kernel(frequency: Floats, response: Floats, samples_per_px: float) -> Floats:
    """Kernel that gives back what a response took, up to the frequencies that pixels hold.

    Parameters
    ----------
    frequency : (F,) float64
        From 0 in even steps to where there is no sharpening [1/px].
    response : (F,) float64
        What is left of each.
    samples_per_px : float
        Samples a pixel.

    Returns
    -------
    (K,) float64
        Its sum is 1; K is odd.

    Examples
    --------
    >>> frequency = np.linspace(0.0, 0.45, 64)
    >>> kernel = inverse_kernel(frequency, blur_response(frequency, 0.5), 1.0)
    >>> len(kernel), round(float(kernel.sum()), 6)
    (13, 1.0)
    """
    half = int(np.ceil(6.0 * samples_per_px))
    gain = np.minimum(1.0 / np.maximum(response, 1e-3), _MOST_GAIN)
    fade = np.clip((_STOP - frequency) / (_STOP - _PASS), 0.0, 1.0)
    extra = (gain - 1.0) * fade * fade * (3.0 - 2.0 * fade)
    # Sharpening = 1 + band-limited rest, so frequencies above the band pass unchanged.
    place = np.arange(-half, half + 1, dtype=np.float64) / samples_per_px
    waves = np.cos(2.0 * np.pi * frequency[None] * place[:, None])
    step = float(frequency[1] - frequency[0])
    ends = (waves[:, 0] * extra[0] + waves[:, -1] * extra[-1]) / 2.0
    kernel = 2.0 * step * (waves @ extra - ends)
    kernel = kernel / samples_per_px * np.hanning(2 * half + 3)[1:-1]
    kernel[half] += 1.0
    return kernel / kernel.sum()


def _cubic_response(frequencies: Floats) -> Floats:
    """Fourier transform of the cubic interpolation that samples between pixels (a = -0.75)."""
    x = np.linspace(0.0, 2.0, 401)
    a = -0.75
    inner = (a + 2.0) * x**3 - (a + 3.0) * x**2 + 1.0
    outer = a * (x**3 - 5.0 * x**2 + 8.0 * x - 4.0)
    kernel = np.where(x <= 1.0, inner, outer)
    waves = np.cos(2.0 * np.pi * frequencies[:, None] * x[None])
    return 2.0 * np.trapezoid(waves * kernel[None], x, axis=1)


_FREQUENCIES = np.linspace(0.0, 1.0, 101)
_CUBIC = _cubic_response(_FREQUENCIES)


def estimate_blur(profiles: Floats, edges: list[Floats], samples_per_px: float) -> float | None:
    """Estimate the blur of the picture from edges that stand free.

    Parameters
    ----------
    profiles : (P, N) float64
        Light along lines, sampled as points (no aperture, nothing sharpened).
    edges : list of (K,) float64
        Places of the edges of each line [samples].
    samples_per_px : float
        Samples a pixel.

    Returns
    -------
    float or None
        Median standard deviation of the edges, the pixel's own area taken out [px]; None where
        fewer than 4 edges stand free.

    Notes
    -----
    For a Gaussian edge of height D, the rise within 1 px to either side is D erf(1 / (s sqrt 2)).
    Soft print cannot be told from a soft picture.

    Examples
    --------
    >>> x = np.arange(200) / 4.0
    >>> line = np.ones(200)
    >>> for k, place in enumerate(range(4, 48, 8)):
    ...     line += (-1) ** (k + 1) / (1 + np.exp(-1.702 * (x - place) / 0.9))
    >>> edges = [np.arange(4, 48, 8) * 4.0]
    >>> bool(abs(estimate_blur(line[None], edges, 4.0) - 0.85) < 0.1)
    True
    """
    spreads: list[Floats] = []
    for line, places in zip(profiles, edges, strict=True):
        gaps = np.diff(places)
        if len(gaps) < 2:
            continue
        room = np.minimum(gaps[:-1], gaps[1:]) / samples_per_px
        free = np.nonzero(room >= max(4.0, 0.999 * float(np.quantile(room, 0.6))))[0]
        middle = places[1:-1][free]
        reach = np.minimum(room[free] / 2.0, 4.0) * samples_per_px
        rise = _change(line, middle, np.full(len(middle), samples_per_px))
        height = _change(line, middle, reach)
        spreads.append(spread_of(rise / np.maximum(height, 1e-9)))
    if not spreads or sum(len(s) for s in spreads) < 4:
        return None
    total = float(np.median(np.concatenate(spreads)))
    # The area of a pixel has a variance of 1/12.
    return float(np.sqrt(max(total * total - 1.0 / 12.0, 0.0)))


def spread_of(ratio: Floats) -> Floats:
    """Give the standard deviation of an edge, by its rise within 1 px over its whole height [px].

    Examples
    --------
    >>> spread_of(np.array([0.6827])).round(2).tolist()
    [1.0]
    """
    return np.asarray(np.interp(ratio, _RATIOS, _SPREADS), np.float64)


def _change(line: Floats, middle: Floats, reach: Floats) -> Floats:
    """Size of the change of a line over `reach` to either side of places."""
    x = np.arange(len(line), dtype=np.float64)
    after = np.asarray(np.interp(np.add(middle, reach), x, line))
    before = np.asarray(np.interp(np.subtract(middle, reach), x, line))
    return np.abs(np.subtract(after, before))


def erf(x: Floats) -> Floats:
    """Error function to 2e-7, after Abramowitz and Stegun 7.1.26 (x >= 0).

    Examples
    --------
    >>> erf(np.array([0.0, 1.0])).round(5).tolist()
    [0.0, 0.8427]
    """
    t = 1.0 / (1.0 + 0.3275911 * x)
    series = t * (
        0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))
    )
    return 1.0 - series * np.exp(-x * x)


_SPREADS = np.linspace(4.0, 0.25, 200)
_RATIOS = erf(1.0 / (_SPREADS * np.sqrt(2.0)))
