"""What bears a pose out: where edges agree, where there are any, and whether the pose is bent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from steps._shared.edge_fit import leaning
from steps.contract import Matrix

_BENT_STRETCH, _BENT_PERSPECTIVE = 0.015, 0.03
_GRID = (9, 7)
_STRIPS = 8
_LEAST_OF_STRIP, _SHARE_OF_STRIP = 5, 0.3


def filled(size_mm: tuple[float, float], points: NDArray[np.float64]) -> float:
    """Give the share of the cells of a grid in which there are edges."""
    across, down = _GRID
    reach = np.array(size_mm) / max(size_mm)
    place = np.clip((points / reach + 1) / 2, 0, 1 - 1e-9) * (across, down)
    cell = place[:, 1].astype(np.intp) * across + place[:, 0].astype(np.intp)
    return float((np.bincount(cell, minlength=across * down) >= _LEAST_OF_STRIP).mean())


def coverage(
    size_mm: tuple[float, float], points: NDArray[np.float64], agreeing: NDArray[np.bool_]
) -> float:
    """Give the share of the strips across the reference, or down it, that are borne out."""
    reach = np.array(size_mm) / max(size_mm)
    strips = np.clip((points / reach + 1) / 2 * _STRIPS, 0, _STRIPS - 1).astype(np.intp)
    shares: list[float] = []
    for strip in strips.T:
        there = np.bincount(strip, minlength=_STRIPS)
        agree = np.bincount(strip[agreeing[: len(points)]], minlength=_STRIPS)
        has = there >= _LEAST_OF_STRIP
        seen = agree[has] >= _SHARE_OF_STRIP * there[has]
        shares.append(float(seen.mean()) if has.any() else 0.0)
    return min(shares)


def is_bent(usual: Matrix, pose: Matrix) -> bool:
    """Say whether a pose differs from the nominal one by much that is no motion in the plane."""
    relative = np.asarray(np.linalg.solve(usual, pose), np.float64)
    lean = np.abs(leaning(relative)[0])
    return bool(lean[:2].max() > _BENT_STRETCH or lean[2:].max() > _BENT_PERSPECTIVE)
