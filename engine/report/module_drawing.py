"""A matrix symbol as shapes: its grid over the picture, and a map of its modules."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

_QUIET = 1
"""Quiet zone drawn about the map [modules]."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One fixed pattern."""

    name: str
    grade: float | None
    count: int
    wrong: int
    outline: str
    """SVG path over the picture."""


@dataclass(frozen=True, slots=True)
class ModuleDrawing:
    """Shapes over the picture (in its pixels) and on the map (in modules)."""

    grid: str
    wrong_over: str
    """Wrong modules over the picture."""
    segments: tuple[Segment, ...]
    map_box: str
    """View box of the map."""
    dark: str
    fixed_dark: str
    fixed_light: str
    weak: tuple[tuple[float, str], ...]
    """Modules with less than the best modulation: grade, and path of a square in each."""
    wrong: str
    """Crosses over wrong modules, the quiet zone included."""
    wrong_count: int


def draw_modules(survey: Mapping[str, Any], corner: tuple[float, float]) -> ModuleDrawing:
    """Draw a symbol.

    Parameters
    ----------
    survey : mapping
        What a step gives with a matrix symbol.
    corner : (float, float)
        Pixel of the view that is the picture's first one, (x, y).

    Returns
    -------
    ModuleDrawing
    """
    to_picture = np.array([[1, 0, 0.5 - corner[0]], [0, 1, 0.5 - corner[1]], [0, 0, 1.0]])
    matrix = to_picture @ np.asarray(survey["to_view"], np.float64)
    rows, columns = survey["rows"], survey["columns"]
    dark = np.asarray(survey["dark"], bool).reshape(rows, columns)
    fixed = {tuple(m) for s in survey["segments"] for m in s["modules"]}
    outside = {tuple(m) for s in survey["segments"] for m in s["wrong"] if _is_outside(m, dark)}
    wrong = [tuple(m) for m in survey["wrong"]]
    inner = [(r, c) for r in range(rows) for c in range(columns)]
    grades = survey["module_grades"]
    weak = {
        level: [(r, c) for r, c in inner if grades[r][c] == level and (r, c) not in set(wrong)]
        for level in (3.0, 2.0, 1.0, 0.0)
        if grades
    }
    return ModuleDrawing(
        grid=_grid(matrix, rows, columns),
        wrong_over=_over(matrix, [*wrong, *sorted(outside)]),
        segments=tuple(_segment(s, matrix) for s in survey["segments"]),
        map_box=f"{-_QUIET} {-_QUIET} {columns + 2 * _QUIET} {rows + 2 * _QUIET}",
        dark=_squares((r, c) for r, c in inner if dark[r, c] and (r, c) not in fixed),
        fixed_dark=_squares((r, c) for r, c in inner if dark[r, c] and (r, c) in fixed),
        fixed_light=_squares((r, c) for r, c in inner if not dark[r, c] and (r, c) in fixed),
        weak=tuple((level, _squares(places, 0.3)) for level, places in weak.items() if places),
        wrong="".join(
            f"M{c + 0.12:g} {r + 0.12:g}l.76 .76m0-.76l-.76 .76"
            for r, c in [*wrong, *sorted(outside)]
            if -_QUIET <= r < rows + _QUIET and -_QUIET <= c < columns + _QUIET
        ),
        wrong_count=len(wrong),
    )


def _is_outside(module: Sequence[int], dark: NDArray[np.bool_]) -> bool:
    r, c = module
    return not (0 <= r < dark.shape[0] and 0 <= c < dark.shape[1])


def _squares(places: Iterable[tuple[int, int]], inset: float = 0.0) -> str:
    side = 1.0 - 2.0 * inset
    return "".join(f"M{c + inset:g} {r + inset:g}h{side:g}v{side:g}h{-side:g}z" for r, c in places)


def _placed(matrix: NDArray[np.float64], points: Sequence[tuple[float, float]]) -> list[str]:
    """Places in modules (x, y) as coordinates of the picture."""
    wide = matrix @ np.vstack((np.asarray(points, np.float64).T, np.ones(len(points))))
    return [f"{x:.2f} {y:.2f}" for x, y in (wide[:2] / wide[2]).T]


def _grid(matrix: NDArray[np.float64], rows: int, columns: int) -> str:
    """Path of all grid lines."""
    lines = [((x, 0), (x, rows)) for x in range(columns + 1)]
    lines += [((0, y), (columns, y)) for y in range(rows + 1)]
    return "".join("M" + "L".join(_placed(matrix, line)) for line in lines)


def _over(matrix: NDArray[np.float64], places: Iterable[Sequence[int]]) -> str:
    """Path of the outlines of modules over the picture."""
    return "".join(
        "M" + "L".join(_placed(matrix, [(c, r), (c + 1, r), (c + 1, r + 1), (c, r + 1)])) + "z"
        for r, c in places
    )


def _segment(segment: Mapping[str, Any], matrix: NDArray[np.float64]) -> Segment:
    """Give a fixed pattern with the outline of all its modules together."""
    modules = {tuple(m) for m in segment["modules"]}
    sides: list[str] = []
    for r, c in sorted(modules):
        for other, line in (
            ((r - 1, c), ((c, r), (c + 1, r))),
            ((r + 1, c), ((c, r + 1), (c + 1, r + 1))),
            ((r, c - 1), ((c, r), (c, r + 1))),
            ((r, c + 1), ((c + 1, r), (c + 1, r + 1))),
        ):
            if other not in modules:
                sides.append("M" + "L".join(_placed(matrix, line)))
    return Segment(
        segment["name"], segment["grade"], len(modules), len(segment["wrong"]), "".join(sides)
    )
