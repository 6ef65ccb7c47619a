"""Pixel values to light: the inverse of a camera's coding, so that ratios mean reflectance."""

from typing import Any

import numpy as np
from numpy.typing import NDArray


def to_linear(
    values: NDArray[Any] | float, gamma: str | float, full_scale: float | None = None
) -> NDArray[np.float32]:
    """Turn coded pixel values into light, as a share of full scale.

    Parameters
    ----------
    values : array or float
        Coded values of any shape: uint8, uint16 or float grey levels.
    gamma : str or float
        `View.gamma`: ``"srgb"``, or the exponent g of ``value = light ** (1 / g)``.
    full_scale : float, optional
        The value of full light: by default the largest value of an unsigned type, else 255.

    Returns
    -------
    (...) float32
        Light from 0 to 1. Floats above full scale are taken as full scale, negative ones as 0.

    Notes
    -----
    uint8 goes through a table of 256 entries. Averaging belongs after this call: the mean of
    coded values is not the coded mean of the light.

    References
    ----------
    IEC 61966-2-1:1999, sRGB: light = ((v + 0.055) / 1.055) ** 2.4 above v = 0.04045, v / 12.92
    below.

    Examples
    --------
    >>> to_linear(np.array([0, 128, 255], np.uint8), "srgb").round(4)
    array([0.    , 0.2159, 1.    ], dtype=float32)
    >>> float(to_linear(127.5, 1.0))
    0.5
    """
    coded = np.asarray(values)
    if full_scale is None:
        full_scale = float(np.iinfo(coded.dtype).max) if coded.dtype.kind == "u" else 255.0
    if coded.dtype == np.uint8:
        return _decode(np.arange(256, dtype=np.float64) / full_scale, gamma)[coded]
    return _decode(coded.astype(np.float64) / full_scale, gamma)


def _decode(shares: NDArray[np.float64], gamma: str | float) -> NDArray[np.float32]:
    """Decode values given as shares of full scale."""
    shares = np.clip(shares, 0.0, 1.0)
    if gamma == "srgb":
        light = np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)
    else:
        light = shares ** float(gamma)
    return light.astype(np.float32)


def to_coded(light: NDArray[Any], gamma: str | float) -> NDArray[np.float32]:
    """Turn light (0 to 1) into grey levels (0 to 255, not rounded): the inverse of `to_linear`.

    Examples
    --------
    >>> to_coded(to_linear(np.array([0, 7, 128, 255], np.uint8), "srgb"), "srgb").round(3).tolist()
    [0.0, 7.0, 128.0, 255.0]
    """
    shares = np.clip(np.asarray(light, np.float64), 0.0, 1.0)
    if gamma == "srgb":
        coded = np.where(shares <= 0.0031308, shares * 12.92, 1.055 * shares ** (1 / 2.4) - 0.055)
    else:
        coded = shares ** (1 / float(gamma))
    return (255.0 * coded).astype(np.float32)
