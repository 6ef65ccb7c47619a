"""A graded code as plain data (numbers, texts, lists, dicts), for pages that draw it and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from steps._shared.bar_scans import SCAN_PLACES, mean_of
from steps._shared.matrix_grade import MatrixGrade
from steps._shared.matrix_grid import Floats, quad
from steps._shared.matrix_patterns import fixed_patterns
from steps._shared.print_grades import CAUSES, mean_grade
from steps._shared.profile_grade import ProfileGrade
from steps._shared.symbology_names import STANDARD_NAMES
from steps._shared.symbology_tables import linear_symbology

Plain = dict[str, Any]

_LINEAR = {
    "Edges": ("edges", ""),
    "Decode": ("reference decode", ""),
    "SC": ("symbol contrast SC", "sc"),
    "Rmin": ("lowest reflectance Rmin", "rmin"),
    "ECmin": ("smallest edge contrast ECmin", "ecmin"),
    "MOD": ("modulation MOD", "mod"),
    "Defects": ("defects", "defects"),
    "Decodability": ("decodability", "decodability"),
    "Quiet zones": ("quiet zones", ""),
}
_MATRIX = {
    "Decode": ("reference decode", ""),
    "SC": ("symbol contrast SC", "sc"),
    "MOD": ("modulation MOD, by overlay", ""),
    "RM": ("reflectance margin RM, by overlay", ""),
    "FPD": ("fixed pattern damage FPD", ""),
    "AN": ("axial non-uniformity AN", "an"),
    "GN": ("grid non-uniformity GN [X]", "gn"),
    "UEC": ("unused error correction UEC", "uec"),
    "Format": ("format and version information", ""),
}


def linear_survey(
    profiles: Sequence[ProfileGrade],
    reflectance: Floats,
    module: float,
    symbology: str,
    graded: bool,
) -> Plain:
    """Put down the scans of a linear code.

    Parameters
    ----------
    profiles : sequence of ProfileGrade
        The ten scans.
    reflectance : (P, N) float64
        The profiles they were graded on.
    module : float
        Width of a module [samples].
    symbology : str
        As ``"ean13"``.
    graded : bool
        Whether grades may be given; else there are no parameters, and of each scan no grades.

    Returns
    -------
    dict
        ``kind`` (``bars``), ``standard``, ``symbology``; ``parameters``: each with ``name``,
        ``text``, ``value``, ``grade`` (means of the scans that have it), ``passed`` (scans with
        grade 4 of a parameter that has no value), ``scans`` (that have it) and ``cause``;
        ``scans``: each with ``place`` (share of the bars' height), ``decoded``, ``quiet_left``,
        ``quiet_right``, ``grade``, ``limited_by``, ``grades``, ``values``, and its ``profile``
        (``start`` and ``step`` of its ``samples`` [X from the first edge], ``rmax``, ``rmin``,
        ``edges``, ``levels``, ``worst_edge``, ``worst_element``, ``quiet_asked``).
    """
    known = linear_symbology(symbology)
    names = [n for n in _LINEAR if graded and any(n in p.grades for p in profiles)]
    scans = [
        {
            "place": float(place),
            "decoded": p.decoded,
            "quiet_left": p.quiet_left,
            "quiet_right": p.quiet_right,
            **(_grades(p, names) if graded else {}),
            "profile": _profile(p, row, module, (known.quiet_left, known.quiet_right)),
        }
        for p, row, place in zip(profiles, reflectance, SCAN_PLACES, strict=False)
    ]
    return {
        "kind": "bars",
        "standard": "ISO/IEC 15416:2016",
        "symbology": STANDARD_NAMES[symbology],
        "parameters": [_parameter(n, profiles) for n in names],
        "scans": scans,
    }


def _grades(profile: ProfileGrade, names: Sequence[str]) -> Plain:
    """Grades and values of one scan."""
    values = {n: _value(profile, n) for n in names if _LINEAR[n][1]}
    return {
        "grade": profile.grade,
        "limited_by": profile.limited_by,
        "grades": profile.grades,
        "values": {"Rmax": profile.rmax, **values},
    }


def _value(profile: ProfileGrade, name: str) -> float | None:
    """Value of a parameter in one scan."""
    value = getattr(profile, _LINEAR[name][1])
    return None if value is None else float(value)


def _parameter(name: str, profiles: Sequence[ProfileGrade]) -> Plain:
    """One parameter over all scans."""
    text, attribute = _LINEAR[name]
    grades = [p.grades[name] for p in profiles if name in p.grades]
    return {
        "name": name,
        "text": text,
        "value": mean_of(profiles, attribute) if attribute else None,
        "grade": mean_grade(grades),
        "passed": None if attribute else sum(g >= 4.0 for g in grades),
        "scans": len(grades),
        "cause": CAUSES[name],
    }


def _profile(
    grade: ProfileGrade, samples: Floats, module: float, quiet: tuple[float, float]
) -> Plain:
    """One profile, its places in X from its first edge."""
    x = module if grade.module is None else grade.module
    origin = float(grade.edges[0]) if len(grade.edges) else 0.0
    edges = ((grade.edges - origin) / x).tolist()
    worst = None
    if grade.worst_edge is not None:
        level, half = float(grade.levels[grade.worst_edge]), grade.ecmin / 2.0
        worst = {"at": edges[grade.worst_edge], "space": level + half, "bar": level - half}
    return {
        "start": -origin / x,
        "step": 1.0 / x,
        "samples": np.round(samples, 4).tolist(),
        "rmax": grade.rmax,
        "rmin": grade.rmin,
        "edges": edges,
        "levels": grade.levels.tolist(),
        "worst_edge": worst,
        "worst_element": _worst_element(grade, samples, edges),
        "quiet_asked": list(quiet[::-1] if grade.reversed else quiet),
    }


def _worst_element(grade: ProfileGrade, samples: Floats, edges: list[float]) -> Plain | None:
    """Where the largest non-uniformity lies, between which reflectances; None where there is none.

    A bar is told from a space by its reflectance against the global threshold.
    """
    k = grade.worst_element
    if k is None or not edges:
        return None
    low = int(np.ceil(grade.edges[k - 1])) if k > 0 else 0
    high = int(np.floor(grade.edges[k])) if k < len(edges) else len(samples) - 1
    inside = samples[low : high + 1]
    if not len(inside):
        return None
    is_space = float(np.median(inside)) >= (grade.rmax + grade.rmin) / 2.0
    peak = float(inside.max()) if is_space else float(inside.min()) + grade.ernmax
    return {
        "start": edges[k - 1] if k > 0 else None,
        "end": edges[k] if k < len(edges) else None,
        "peak": peak,
        "valley": peak - grade.ernmax,
    }


def matrix_survey(grade: MatrixGrade, to_view: Floats, symbology: str, graded: bool) -> Plain:
    """Put down the modules of a matrix symbol.

    Parameters
    ----------
    grade : MatrixGrade
        The graded symbol.
    to_view : (3, 3) float64
        From modules to pixels of the view.
    symbology : str
        As ``"datamatrix"``.
    graded : bool
        Whether grades may be given; else there are no parameters, and no grades of segments.

    Returns
    -------
    dict
        ``kind`` (``modules``), ``standard``, ``symbology``; ``parameters`` as of a linear code;
        ``rows``, ``columns``; ``dark``: rows of 0 and 1 as they were seen; ``wrong``: row and
        column of modules with another colour than they should have, where that is known;
        ``module_grades``: rows of grades by modulation, wrong ones 0; ``segments``: the fixed
        patterns, each with ``name``, ``grade``, ``modules`` and ``wrong`` (row and column; -1 and
        the like lie in the quiet zone); ``to_view`` and ``outline``.
    """
    parameters = [
        {
            "name": name,
            "text": text,
            "value": float(getattr(grade, attribute)) if attribute else None,
            "grade": grade.grades[name],
            "passed": None,
            "scans": 1,
            "cause": CAUSES[name],
        }
        for name, (text, attribute) in _MATRIX.items()
        if graded and name in grade.grades
    ]
    survey: Plain = {
        "kind": "modules",
        "standard": "ISO/IEC 15415:2011",
        "symbology": STANDARD_NAMES[symbology],
        "parameters": parameters,
        "rows": grade.rows,
        "columns": grade.columns,
        "dark": [] if grade.dark is None else grade.dark.astype(int).tolist(),
        "wrong": [],
        "module_grades": [],
        "segments": [],
        "to_view": to_view.tolist(),
        "outline": quad(to_view, grade.rows, grade.columns).tolist(),
    }
    modules = grade.modules
    if modules is None or grade.dark is None:
        return survey
    m = modules.margin
    wrong = np.asarray(modules.dark[m:-m, m:-m] != grade.dark)
    survey["wrong"] = np.argwhere(wrong).tolist()
    if graded:
        survey["module_grades"] = modules.grade[m:-m, m:-m].tolist()
    for name, places in fixed_patterns(grade.rows, grade.columns, "qr" in symbology).items():
        _, grades = modules.at(places)
        survey["segments"].append(
            {
                "name": name,
                "grade": grade.segments[name] if graded else None,
                "modules": places.tolist(),
                "wrong": places[grades <= 0.0].tolist(),
            }
        )
    return survey
