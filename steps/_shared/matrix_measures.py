"""Measures of matrix symbols: modulation, non-uniformity, blur, aperture, error correction left."""

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.matrix_grid import Floats, MatrixGrid, centres, sample
from steps._shared.scan_lines import blur_response, inverse_kernel, spread_of

PIXEL_VARIANCE = 0.25
"""Variance that the area of a pixel (1/12) and linear interpolation (1/6) add in the mean [px2]."""


def unused_error_correction(errors: int, check: int, erasures: int = 0, kept: int = 0) -> float:
    """Give the share of the error correction that is left, 1 - (e + 2 t) / (d - p).

    Parameters
    ----------
    errors, erasures : int
        Wrong codewords t and missing ones e.
    check : int
        Check codewords d.
    kept : int
        Codewords p that are kept for protection against misdecodes.

    Returns
    -------
    float
        Not below 0.

    Examples
    --------
    >>> round(unused_error_correction(3, 14), 4), round(unused_error_correction(3, 14, 2), 4)
    (0.5714, 0.4286)
    """
    return max(0.0, 1.0 - (erasures + 2 * errors) / (check - kept))


def module_modulation(reflectance: Floats, threshold: float, contrast: float) -> Floats:
    """Modulation of modules, 2 |R - GT| / SC.

    Examples
    --------
    >>> module_modulation(np.array([0.50, 0.20]), 0.45, 0.70).round(4).tolist()
    [0.1429, 0.7143]
    """
    return 2.0 * np.abs(np.subtract(reflectance, threshold)) / max(contrast, 1e-9)


def axial_nonuniformity(along: float, down: float) -> float:
    """Difference of mean module sizes along both axes, over their mean.

    Examples
    --------
    >>> round(axial_nonuniformity(0.5, 0.54), 4)
    0.0769
    """
    return abs(along - down) / ((along + down) / 2.0)


def grid_nonuniformity(grid: MatrixGrid) -> float:
    """Largest distance of a grid crossing from the fitted grid [X].

    Notes
    -----
    A crossing lies where the edges within two modules of it lie in the mean, so that one damaged
    module does not bend the grid; at least four edges along each axis are needed.
    """
    shape = (grid.rows + 1, grid.columns + 1)
    moved: list[Floats] = []
    for sideways in (True, False):
        chosen = grid.edges.sideways == sideways
        at, off = grid.edges.at[chosen], np.clip(grid.edges.off[chosen], -0.5, 0.5)
        total, count = np.zeros(shape), np.zeros(shape)
        r, c = np.floor(at[:, 1]).astype(np.intp), np.floor(at[:, 0]).astype(np.intp)
        np.add.at(total, (np.clip(r, 0, grid.rows), np.clip(c, 0, grid.columns)), off)
        np.add.at(count, (np.clip(r, 0, grid.rows), np.clip(c, 0, grid.columns)), 1.0)
        total, count = _box_sum(total), _box_sum(count)
        moved.append(np.where(count >= 4, np.divide(total, np.maximum(count, 1.0)), 0.0))
    return float(np.hypot(moved[0], moved[1]).max())


def _box_sum(values: Floats) -> Floats:
    """Sum over 5 x 5."""
    summed = cv2.boxFilter(
        values, -1, ksize=(5, 5), normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    return np.asarray(summed, np.float64)


def estimate_module_blur(picture: NDArray[np.float32], grid: MatrixGrid) -> float | None:
    """Estimate the blur from edges between modules that have equal neighbours behind them [px]."""
    x, y = centres(grid.rows, grid.columns, 2)
    values = sample(picture, grid.matrix, x, y)
    low, high = np.quantile(values, (0.05, 0.95))
    dark = values < (low + high) / 2.0
    spreads: list[Floats] = []
    for axis, px in enumerate(grid.px_per_module):
        chosen = grid.edges.sideways == (axis == 0)
        at = grid.edges.at[chosen]
        r, c = (np.floor(at[:, k]).astype(np.intp) + 2 for k in (1, 0))
        dr, dc = (0, 1) if axis == 0 else (1, 0)
        free = (dark[r, c] == dark[r + dr, c + dc]) & (
            dark[r - dr, c - dc] == dark[r - 2 * dr, c - 2 * dc]
        )
        place = at[free].copy()
        place[:, axis] += grid.edges.off[chosen][free] + (
            grid.edges.sign[chosen][free] * grid.gain[axis] / 2.0
        )
        steps = np.array([-1.0 / px, 1.0 / px, -1.0, 1.0])
        lines = [np.repeat(place[:, k : k + 1], 4, axis=1) for k in (0, 1)]
        lines[axis] = lines[axis] + steps[None]
        seen = sample(picture, grid.matrix, lines[0], lines[1])
        height = np.maximum(np.abs(seen[:, 3] - seen[:, 2]), 1e-9)
        spreads.append(spread_of(np.abs(seen[:, 1] - seen[:, 0]) / height))
    found = np.concatenate(spreads)
    if len(found) < 6:
        return None
    total = float(np.median(found))
    return float(np.sqrt(max(total * total - PIXEL_VARIANCE, 0.0)))


def sharpened(picture: NDArray[np.float32], blur_px: float) -> NDArray[np.float32]:
    """Undo blur, the area of pixels (seen and of the aperture) and linear interpolation.

    Parameters
    ----------
    picture : (M, N) float32
        Light.
    blur_px : float
        Standard deviation of the blur [px].

    Returns
    -------
    (M, N) float32
        Overshoots at edges; an aperture evens that out.

    Examples
    --------
    >>> sharpened(np.full((20, 20), 0.5, np.float32), 0.5).round(4)[10, 10]
    np.float32(0.5)
    """
    frequency = np.linspace(0.0, 0.45, 64)
    # Twice for pixels, twice for interpolation.
    response = blur_response(frequency, blur_px) * np.sinc(frequency) ** 4
    kernel = inverse_kernel(frequency, response, 1.0)
    sharp = cv2.sepFilter2D(picture, -1, kernel, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(sharp, np.float32)


def through_aperture(picture: NDArray[np.float32], diameter_px: float) -> NDArray[np.float32]:
    """Average a picture over a disc at each pixel.

    Examples
    --------
    >>> round(float(through_aperture(np.full((9, 9), 0.5, np.float32), 4.0)[4, 4]), 4)
    0.5
    """
    if diameter_px < 1.0:
        return picture
    half = int(np.ceil(diameter_px / 2.0))
    parts = 8
    place = (np.arange((2 * half + 1) * parts) + 0.5) / parts - half - 0.5
    inside = (place[:, None] ** 2 + place[None] ** 2 <= (diameter_px / 2.0) ** 2).astype(np.float64)
    side = 2 * half + 1
    disc = inside.reshape(side, parts, side, parts).sum(axis=(1, 3))
    kernel = (disc / disc.sum()).astype(np.float32)
    seen = cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.float32)
