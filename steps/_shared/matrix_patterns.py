"""Fixed pattern damage of Data Matrix and QR symbols, by segment.

References
----------
ISO/IEC 16022 Annex M and ISO/IEC 18004 Annex G (from memory, not confirmed).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps._shared.data_matrix import data_matrix_regions
from steps._shared.print_grades import grade_parameter
from steps._shared.qr import alignment_places

QR_QUIET = 4
"""Quiet zone of a QR symbol [X]."""

Places = NDArray[np.intp]
"""(K, 2) row and column of modules; the quiet zone has -1 and the like."""


@dataclass(frozen=True, slots=True, eq=False)
class ModuleGrades:
    """Grades of all modules, and what colour they should have, a quiet zone about them."""

    margin: int
    """Width of the quiet zone in the arrays [X]."""
    dark: NDArray[np.bool_]
    """Colour that each should have."""
    grade: NDArray[np.float64]
    """Grade of each by its modulation; 0 on the wrong side."""

    def at(self, places: Places) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
        """Colours and grades at places."""
        r, c = places[:, 0] + self.margin, places[:, 1] + self.margin
        return self.dark[r, c], self.grade[r, c]


def best_level(score: Callable[[float], float]) -> float:
    """Try all levels: modules below the level count as wrong; the best of min(level, score).

    Parameters
    ----------
    score : callable
        Grade when modules with a grade below the given level are wrong.

    Returns
    -------
    float

    Examples
    --------
    >>> best_level(lambda level: 4.0 - level / 2.0)
    2.5
    """
    return max(min(float(level), score(float(level))) for level in range(4, -1, -1))


def share_grade(
    modules: ModuleGrades, places: Places, scale: str, *, counted: bool = False
) -> float:
    """Grade a segment by its wrong modules, as a share or counted.

    Parameters
    ----------
    modules : ModuleGrades
        All modules.
    places : (K, 2) intp
        The segment.
    scale : str
        Scale of `print_grades` for that value.
    counted : bool
        Whether wrong modules are counted.

    Returns
    -------
    float
    """
    if not len(places):
        return 4.0
    _, grades = modules.at(places)

    def score(level: float) -> float:
        wrong = float(np.count_nonzero(grades < level))
        return grade_parameter(scale, wrong if counted else wrong / len(places), decimals=False)

    return best_level(score)


def clock_grade(modules: ModuleGrades, clock: Places, solid: Places) -> float:
    """Grade a clock track with the solid line or quiet zone beside it.

    Parameters
    ----------
    modules : ModuleGrades
        All modules.
    clock, solid : (K, 2) intp
        The track and what lies beside it, in order.

    Returns
    -------
    float

    Notes
    -----
    Lowest of: colour changes of the solid line (less one) over those of the track; at most two
    wrong of five neighbours in the track, else 0; share of wrong modules of both.
    """
    (track_dark, track), (solid_dark, line) = modules.at(clock), modules.at(solid)

    def score(level: float) -> float:
        seen = track_dark ^ (track < level)
        beside = solid_dark ^ (line < level)
        changes = int(np.count_nonzero(seen[1:] != seen[:-1]))
        spare = max(0, int(np.count_nonzero(beside[1:] != beside[:-1])) - 1)
        ratio = spare / changes if changes else 1.0
        wrong = (track < level).astype(int)
        runs = np.convolve(wrong, np.ones(5, int), "valid") if len(wrong) >= 5 else wrong
        if runs.max(initial=0) > 2:
            return 0.0
        share = (wrong.sum() + np.count_nonzero(line < level)) / (len(track) + len(line))
        return min(
            grade_parameter("FPD clock", ratio, decimals=False),
            grade_parameter("FPD track", float(share), decimals=False),
        )

    return best_level(score)


def _line(row: int | range, column: int | range) -> Places:
    """Modules of a row or column."""
    rows = [row] * len(column) if isinstance(row, int) and isinstance(column, range) else row
    columns = [column] * len(row) if isinstance(column, int) and isinstance(row, range) else column
    return np.stack((np.asarray(rows, np.intp), np.asarray(columns, np.intp)), axis=1)


def fixed_patterns(rows: int, columns: int, qr: bool) -> dict[str, Places]:
    """Modules of each fixed pattern, by the name of its segment.

    Parameters
    ----------
    rows, columns : int
        Modules of the symbol.
    qr : bool
        QR, else Data Matrix.

    Returns
    -------
    dict
        Data Matrix: the solid sides ``L1`` (left) and ``L2`` (bottom), their quiet zones ``QZL1``
        and ``QZL2``, all ``clock tracks``. QR: three finder patterns (with separator and quiet
        zone), two timing lines, ``alignment`` where there is one.

    Examples
    --------
    >>> {name: len(places) for name, places in fixed_patterns(10, 10, False).items()}
    {'L1': 10, 'L2': 10, 'QZL1': 10, 'QZL2': 10, 'clock tracks': 20}
    """
    if qr:
        return _qr_patterns(rows)
    tracks = [track for track, _ in _clock_tracks(rows, columns)]
    return {
        "L1": _line(range(rows), 0),
        "L2": _line(rows - 1, range(columns)),
        "QZL1": _line(range(rows), -1),
        "QZL2": _line(rows, range(columns)),
        "clock tracks": np.concatenate(tracks),
    }


def _clock_tracks(rows: int, columns: int) -> list[tuple[Places, Places]]:
    """Each clock track of a Data Matrix, with what lies beside it."""
    down, across = data_matrix_regions(rows, columns)
    high, wide = rows // down, columns // across
    tracks: list[tuple[Places, Places]] = []
    for top in range(0, rows, high):
        for left in range(0, columns, wide):
            c, r = range(left, left + wide), range(top, top + high)
            # The module row above is a quiet zone or the solid line of the region above.
            tracks.append((_line(top, c), _line(top - 1, c)))
            right = left + wide - 1
            tracks.append((_line(r, right), _line(r, right + 1)))
    return tracks


def _qr_patterns(size: int) -> dict[str, Places]:
    """Modules of the fixed patterns of a QR symbol."""
    margin = QR_QUIET
    r, c = np.mgrid[-margin : size + margin, -margin : size + margin]
    near = np.stack((r.ravel(), c.ravel()), axis=1).astype(np.intp)
    patterns: dict[str, Places] = {
        "finder top left": near[(near[:, 0] < 8) & (near[:, 1] < 8)],
        "finder top right": near[(near[:, 0] < 8) & (near[:, 1] >= size - 8)],
        "finder bottom left": near[(near[:, 0] >= size - 8) & (near[:, 1] < 8)],
        "timing row": _line(6, range(8, size - 8)),
        "timing column": _line(range(8, size - 8), 6),
    }
    places = alignment_places((size - 17) // 4)
    alignment = [
        (row + i, column + j)
        for row in places
        for column in places
        if (row, column) not in ((6, 6), (6, size - 7), (size - 7, 6))
        for i in range(-2, 3)
        for j in range(-2, 3)
    ]
    if alignment:
        patterns["alignment"] = np.array(alignment, np.intp)
    return patterns


def data_matrix_segments(modules: ModuleGrades, rows: int, columns: int) -> dict[str, float]:
    """Grade the fixed patterns of a Data Matrix.

    Parameters
    ----------
    modules : ModuleGrades
        All modules, at least one module of quiet zone.
    rows, columns : int
        Modules of the symbol.

    Returns
    -------
    dict
        Grade of each of its `fixed_patterns`, the clock tracks by the worst, and their average.
    """
    patterns = fixed_patterns(rows, columns, False)
    grades = {
        name: share_grade(modules, patterns[name], "FPD share")
        for name in ("L1", "L2", "QZL1", "QZL2")
    }
    grades["clock tracks"] = min(
        clock_grade(modules, track, beside) for track, beside in _clock_tracks(rows, columns)
    )
    return _with_average(grades)


def qr_segments(modules: ModuleGrades, size: int) -> dict[str, float]:
    """Grade the fixed patterns of a QR symbol.

    Parameters
    ----------
    modules : ModuleGrades
        All modules, with four of quiet zone.
    size : int
        Modules of a side.

    Returns
    -------
    dict
        Grade of each of its `fixed_patterns`, and of their average.
    """
    grades = {
        name: share_grade(
            modules,
            places,
            f"FPD {name.partition(' ')[0]}",
            counted=name.startswith("finder"),
        )
        for name, places in fixed_patterns(size, size, True).items()
    }
    return _with_average(grades)


def _with_average(grades: dict[str, float]) -> dict[str, float]:
    """Add the grade of the segments' average."""
    mean = sum(grades.values()) / len(grades)
    return grades | {"average": grade_parameter("FPD average", mean, decimals=False)}
