"""How far a camera's pixels and blur shift a modulation measured through an aperture."""

import numpy as np

from steps._shared.scan_lines import sharpening


def expected_mod_bias(px_per_module: float, blur_px: float, undone_px: float) -> float:
    """Modulation expected of a perfect print, less what a fine instrument would give.

    Parameters
    ----------
    px_per_module : float
        Pixels a module [px].
    blur_px : float
        Blur of the picture, standard deviation [px].
    undone_px : float
        Blur that is undone after scanning [px].

    Returns
    -------
    float
        0 or negative [fraction].

    Notes
    -----
    Two bars of 1.25 modules with a space of 0.75 modules between them (bar gain as it often is),
    between wide spaces, through a disc of 80 % of a module, by pixels (integrated and blurred) and
    finely; the contrast of the inner edges, over that of black and white.

    Examples
    --------
    >>> coarse, fine = expected_mod_bias(3.0, 0.8, 0.05), expected_mod_bias(10.0, 0.5, 0.5)
    >>> bool(-0.5 < coarse < -0.2), bool(-0.05 < fine <= 0.0)
    (True, True)
    """
    per_px = 16
    x = np.arange(-16 * per_px, 16 * per_px + 1, dtype=np.float64) / per_px
    place = x / px_per_module
    scene = 1.0 - ((np.abs(place) > 0.375) & (np.abs(place) < 1.625)).astype(np.float64)
    # The disc's projection on the scan, over a diameter of 0.8 modules.
    radius = 0.4 * px_per_module
    disc = np.sqrt(np.maximum(radius * radius - x * x, 0.0))
    fine = np.convolve(scene, disc / disc.sum(), "same")
    pixel = (np.abs(x) <= 0.5).astype(np.float64)
    spread = np.exp(-0.5 * (x / max(blur_px, 0.02)) ** 2)
    seen = fine
    for kernel in (pixel, spread):
        seen = np.convolve(seen, kernel / kernel.sum(), "same")
    seen = np.convolve(seen, sharpening(undone_px, float(per_px)), "same")
    seen = np.clip(seen, 0.0, 1.0)
    middle, inner = np.abs(place) < 0.5, np.abs(place) < 1.5
    contrast = float(seen[middle].max() - seen[inner].min())
    expected = float(fine[middle].max() - fine[inner].min())
    return float(np.clip(contrast - expected, -1.0, 0.0))


def expected_matrix_bias(px_per_module: float, blur_px: float, undone_px: float) -> float:
    """Modulation expected of the worst module of a good print, less what a fine instrument gives.

    Parameters
    ----------
    px_per_module : float
        Pixels a module [px].
    blur_px, undone_px : float
        Blur of the picture, and how much of it is undone, standard deviations [px].

    Returns
    -------
    float
        0 or negative [fraction].

    Notes
    -----
    A module that stands alone loses along both axes what a bar loses along one
    (`expected_mod_bias`), so about twice as much.

    Examples
    --------
    >>> expected_matrix_bias(4.0, 0.5, 0.5) == 2 * expected_mod_bias(4.0, 0.5, 0.5)
    True
    """
    return max(-1.0, 2.0 * expected_mod_bias(px_per_module, blur_px, undone_px))
