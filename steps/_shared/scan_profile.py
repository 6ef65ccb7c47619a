"""Scan reflectance profiles: bars and spaces, edges, contrasts and non-uniformity, many at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_LEVEL = 1e-9
"""A smaller change from sample to sample is rounding, not a slope."""


@dataclass(frozen=True, slots=True, eq=False)
class ScanElements:
    """Bars and spaces of P profiles; edges of all profiles stand in one array.

    Edges of profile p are those from ``bounds[p]`` to ``bounds[p + 1]``; its elements, one more
    than its edges, start at ``bounds[p] + p``.
    """

    rmax: Floats
    """(P,) highest reflectance."""
    rmin: Floats
    """(P,) lowest reflectance."""
    bounds: NDArray[np.intp]
    """(P + 1,) where the edges of each profile begin."""
    edges: Floats
    """Place of each edge [samples], centres of samples at whole numbers."""
    levels: Floats
    """Reflectance at which each edge is taken: the middle between its two elements."""
    contrasts: Floats
    """Contrast of each edge, Rs - Rb."""
    starts_dark: NDArray[np.bool_]
    """(P,) whether the first element is a bar."""
    uneven: Floats
    """Non-uniformity of each element: highest peak - lowest valley."""


def find_elements(profiles: Floats) -> ScanElements:
    """Split profiles into bars and spaces and place their edges.

    Parameters
    ----------
    profiles : (P, N) float64
        Reflectance along P scans, evenly spaced, N >= 2.

    Returns
    -------
    ScanElements
        Elements by the global threshold (Rmax + Rmin) / 2, edges where the profile crosses the
        middle between the extremes of two neighbours, interpolated between samples.

    Notes
    -----
    Works on all profiles as one row of numbers; O(P N). Where a profile crosses the middle more
    than once, the crossing next to that of the global threshold counts.

    References
    ----------
    ISO/IEC 15416:2016 (from memory).

    Examples
    --------
    >>> found = find_elements(np.array([[0.8, 0.8, 0.1, 0.1, 0.7, 0.7]]))
    >>> found.edges.tolist(), found.contrasts.round(3).tolist()
    ([1.5, 3.5], [0.7, 0.6])
    """
    count, length = profiles.shape
    rmax, rmin = profiles.max(axis=1), profiles.min(axis=1)
    light = profiles >= ((rmax + rmin) / 2.0)[:, None]
    rows, cols = np.nonzero(light[:, 1:] != light[:, :-1])
    bounds = np.zeros(count + 1, np.intp)
    np.cumsum(np.bincount(rows, minlength=count), out=bounds[1:])
    flat = profiles.ravel()
    changes = rows * length + cols + 1
    starts = np.empty(len(changes) + count, np.intp)
    starts[np.arange(len(changes)) + rows + 1] = changes
    starts[bounds[:-1] + np.arange(count)] = np.arange(count) * length
    is_space = light.ravel()[starts]
    extremes = np.where(
        is_space, np.maximum.reduceat(flat, starts), np.minimum.reduceat(flat, starts)
    )
    left = np.arange(len(changes)) + rows  # element before each edge
    levels = (extremes[left] + extremes[left + 1]) / 2.0
    contrasts = np.abs(extremes[left] - extremes[left + 1])
    before, share = _crossings(flat, changes, levels, is_space[left + 1])
    flat_edges = before.astype(np.float64) + share
    uneven = _non_uniformity(profiles, starts, bounds, flat_edges, is_space)
    return ScanElements(
        rmax,
        rmin,
        bounds,
        (before - rows * length).astype(np.float64) + share,
        levels,
        contrasts,
        ~light[:, 0],
        uneven,
    )


def _crossings(
    flat: Floats, changes: NDArray[np.intp], levels: Floats, rising: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], Floats]:
    """Place each crossing of its level, searched from where the global threshold is crossed.

    Returns the sample before each crossing and the share of a step from there.
    """
    if not len(changes):
        return np.zeros(0, np.intp), np.zeros(0)
    sign = np.where(rising, 1.0, -1.0)
    right = changes.copy()
    goal = sign * levels
    # The level is reached in one of the two elements, so each search ends inside them.
    open_ = np.nonzero(sign * flat[right] < goal)[0]
    while len(open_):
        right[open_] += 1
        open_ = open_[sign[open_] * flat[right[open_]] < goal[open_]]
    open_ = np.nonzero(sign * flat[right - 1] > goal)[0]
    while len(open_):
        right[open_] -= 1
        open_ = open_[sign[open_] * flat[right[open_] - 1] > goal[open_]]
    before, after = flat[right - 1], flat[right]
    step = after - before
    share = np.divide(levels - before, step, out=np.full(len(step), 0.5), where=step != 0)
    return right - 1, share


def _non_uniformity(
    profiles: Floats,
    starts: NDArray[np.intp],
    bounds: NDArray[np.intp],
    edges: Floats,
    is_space: NDArray[np.bool_],
) -> Floats:
    """Highest peak minus lowest valley inside each element, 0 where there is one extreme only.

    Between the first and the last peak of a space the lowest sample is its lowest valley; the
    slopes outside them belong to the edges. Bars likewise, upside down.
    """
    count, length = profiles.shape
    peaks, valleys = _extremes(profiles)
    ends = np.append(starts[1:], count * length)
    first = starts.copy()
    last = ends - 1
    inner = np.ones(len(starts), bool)
    inner[bounds[:-1] + np.arange(count)] = False
    first[inner] = np.ceil(edges).astype(np.intp)
    inner = np.ones(len(starts), bool)
    inner[bounds[1:] + np.arange(count)] = False
    last[inner] = np.floor(edges).astype(np.intp)
    uneven = np.zeros(len(starts))
    flat = profiles.ravel()
    for space, marks, values in ((True, peaks, flat), (False, valleys, -flat)):
        chosen = np.nonzero((is_space == space) & (last >= first))[0]
        places = np.nonzero(marks.ravel())[0]
        a = np.searchsorted(places, first[chosen])
        b = np.searchsorted(places, last[chosen], side="right") - 1
        several = b > a
        chosen, a, b = chosen[several], a[several], b[several]
        if len(chosen):
            spans = np.stack((places[a], places[b] + 1), axis=1).ravel()
            padded = np.append(values, values[-1])
            high = np.maximum.reduceat(padded, spans)[::2]
            low = np.minimum.reduceat(padded, spans)[::2]
            uneven[chosen] = high - low
    return uneven


def _extremes(profiles: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mark peaks and valleys, whole plateaus, the ends of a profile included."""
    count, length = profiles.shape
    slope = np.zeros((count, length + 1), np.int8)
    change = np.diff(profiles, axis=1)
    rising, falling = change > _LEVEL, change < -_LEVEL
    slope[:, 1:-1] = rising
    slope[:, 1:-1] -= falling
    if (rising | falling).all():  # no plateaus: the slopes beside a sample are the next ones
        before, after = slope[:, :-1], slope[:, 1:]
        return (before >= 0) & (after <= 0), (before <= 0) & (after >= 0)
    column = np.arange(length + 1, dtype=np.int32)
    here = np.where(slope != 0, column, 0)
    before = np.take_along_axis(slope, np.maximum.accumulate(here, axis=1), axis=1)[:, :-1]
    here = np.where(slope != 0, column, length)[:, ::-1]
    nearest = np.minimum.accumulate(here, axis=1)[:, ::-1]
    after = np.take_along_axis(slope, nearest, axis=1)[:, 1:]
    return (before >= 0) & (after <= 0), (before <= 0) & (after >= 0)
