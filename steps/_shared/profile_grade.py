"""Grades of scan reflectance profiles, and of a linear symbol from its scans."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from steps._shared.find_symbol import Found, find_symbol
from steps._shared.print_grades import (
    CLOSE,
    grade_parameter,
    letter_of,
    limiting,
    mean_grade,
    pass_or_fail,
)
from steps._shared.reference_decode import Decoded, decode_widths
from steps._shared.scan_profile import Floats, ScanElements, find_elements
from steps._shared.symbology_tables import Linear, linear_symbology

_LEAST_EC = 0.15
"""Smallest edge contrast that passes (ISO/IEC 15416:2016, from memory)."""
_QUIET_SLACK = 0.5
"""A quiet zone may be short by this much, as bar gain and edge noise take from it [X]."""


def _no_grades() -> dict[str, float]:
    return {}


@dataclass(frozen=True, slots=True, eq=False)
class ProfileGrade:
    """What one scan reflectance profile gives; reflectances as shares of 1."""

    rmax: float
    rmin: float
    sc: float
    """Symbol contrast, Rmax - Rmin."""
    ecmin: float
    """Smallest contrast of an edge; 0 where there is no edge."""
    mod: float
    """ECmin / SC; 0 where there is no contrast."""
    ernmax: float
    """Largest non-uniformity inside an element or quiet zone."""
    defects: float
    """ERNmax / SC; 0 where there is no contrast."""
    decodability: float | None
    """None where nothing was decoded."""
    edges: Floats
    """Places of all edges [samples]; sample centres at whole numbers."""
    levels: Floats
    """Reflectance at which each edge is taken."""
    decoded: str | None
    """Content by the reference decode."""
    quiet_left: float | None
    """Width of the quiet zone at the symbol's left, as far as it is seen [X]."""
    quiet_right: float | None
    """Width of the quiet zone at the symbol's right, as far as it is seen [X]."""
    module: float | None
    """Width of a module [samples]."""
    bar_gain: float | None
    """Mean excess width of the bars [X]."""
    reversed: bool
    """Whether the scan ran from the symbol's right to its left."""
    worst_edge: int | None
    """Index of the edge with ECmin."""
    worst_element: int | None
    """Index of the element with ERNmax; element k ends at edge k."""
    grades: dict[str, float] = field(default_factory=_no_grades)
    """Grade of each parameter."""
    grade: float = 0.0
    """Lowest of the parameter grades."""
    limited_by: str = ""
    """Parameter with the lowest grade; empty where all are 4."""


@dataclass(frozen=True, slots=True, eq=False)
class SymbolGrade:
    """What the scans of one symbol give together."""

    grade: float
    """Mean of the scan grades, one decimal; 0 where two scans hold different data."""
    letter: str
    limited_by: str
    """Parameter with the lowest mean grade; empty where all are 4."""
    decoded: str | None
    """The data most scans hold."""
    lines_decoded: int
    one_content: bool
    """Whether no two scans hold different data."""
    profiles: tuple[ProfileGrade, ...]


def grade_profiles(
    profiles: NDArray[Any],
    symbology: str | None,
    *,
    decimals: bool = True,
    quiet_zones: bool = True,
) -> list[ProfileGrade]:
    """Grade several profiles of one length.

    Parameters
    ----------
    profiles : (P, N) float
        Reflectance from 0 to 1 along P scans, evenly spaced.
    symbology : str or None
        As ``"ean13"``; None grades what needs no decode.
    decimals : bool
        Interpolate grades between thresholds.
    quiet_zones : bool
        Whether a quiet zone that is too narrow fails the scan.

    Returns
    -------
    list of ProfileGrade

    Raises
    ------
    ValueError
        For an unknown symbology, or an array that is not two-dimensional.

    Examples
    --------
    >>> bars = np.repeat([0.9, 0.1, 0.8, 0.2, 0.9], [4, 2, 2, 2, 4])
    >>> grade = grade_profiles(bars[None], None)[0]
    >>> round(grade.sc, 2), round(grade.mod, 2), len(grade.edges)
    (0.8, 0.75, 4)
    """
    values = np.asarray(profiles, np.float64)
    if values.ndim != 2:
        raise ValueError(f"profiles are (P, N), not {values.ndim}-dimensional")
    known = None if symbology is None else linear_symbology(symbology)
    if values.shape[1] < 2 or not len(values):
        return [_nothing() for _ in values]
    sound: NDArray[np.bool_] = np.asarray(np.isfinite(values).all(axis=1))
    elements = find_elements(np.where(sound[:, None], values, 0.0))
    found: list[Found | None] = [None] * len(values)
    if known is not None:
        found = _decode_all(elements, known)
    rules = _Rules(known, quiet_zones, decimals)
    grades: list[ProfileGrade] = []
    for p, hit in enumerate(found):
        if not sound[p]:
            grades.append(_nothing())
        elif known is not None and hit is not None and _stands_among_others(elements, p, hit):
            grades.append(_grade_cut_out(values[p], elements, p, hit, rules))
        else:
            room = _room_at_ends(elements, p, values.shape[1])
            grades.append(_measure(elements, p, hit, room, rules))
    return grades


def grade_symbol(profiles: Sequence[ProfileGrade]) -> SymbolGrade:
    """Put the scans of one symbol together.

    Parameters
    ----------
    profiles : sequence of ProfileGrade
        Ten scans, as the standard asks; fewer are taken too.

    Returns
    -------
    SymbolGrade

    Examples
    --------
    >>> bars = np.repeat([0.9, 0.1, 0.8, 0.2, 0.9], [4, 2, 2, 2, 4])
    >>> grade_symbol(grade_profiles(np.stack([bars, bars]), None)).letter
    'A'
    """
    texts = Counter(p.decoded for p in profiles if p.decoded is not None)
    one_content = len(texts) <= 1
    grade = mean_grade([p.grade for p in profiles]) if one_content else 0.0
    names = dict.fromkeys(name for p in profiles for name in p.grades)
    means = {n: sum(p.grades.get(n, 0.0) for p in profiles) / len(profiles) for n in names}
    return SymbolGrade(
        grade=grade,
        letter=letter_of(grade),
        limited_by=limiting(means) if one_content else "Decode",
        decoded=texts.most_common(1)[0][0] if texts else None,
        lines_decoded=sum(texts.values()),
        one_content=one_content,
        profiles=tuple(profiles),
    )


@dataclass(frozen=True, slots=True)
class _Rules:
    """How profiles are graded."""

    symbology: Linear | None
    quiet_zones: bool
    decimals: bool


def _nothing() -> ProfileGrade:
    """Give the grade of a profile in which nothing can be measured."""
    none = np.zeros(0)
    return ProfileGrade(
        0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, None, none, none, None, None, None, None, None,
        False, None, None, {"Edges": 0.0}, 0.0, "Edges",
    )  # fmt: skip


def _decode_all(elements: ScanElements, symbology: Linear) -> list[Found | None]:
    """Decode each profile: all its bars as one symbol, else the symbol among its bars."""
    bounds = elements.bounds
    count = len(bounds) - 1
    found: list[Found | None] = [None] * count
    by_length: dict[int, list[int]] = {}
    for p in range(count):
        if not elements.starts_dark[p]:
            by_length.setdefault(int(bounds[p + 1] - bounds[p]), []).append(p)
    for length, rows in by_length.items():
        if length < 4:
            continue
        edges = np.stack([elements.edges[bounds[p] : bounds[p + 1]] for p in rows])
        for p, decoded in zip(rows, decode_widths(np.diff(edges), symbology), strict=True):
            found[p] = None if decoded is None else (0, length - 1, decoded)
    for p in range(count):
        if found[p] is None and bounds[p + 1] - bounds[p] >= 4:
            edges = elements.edges[bounds[p] : bounds[p + 1]]
            found[p] = find_symbol(edges, int(elements.starts_dark[p]), symbology)
    return found


def _stands_among_others(elements: ScanElements, p: int, found: Found) -> bool:
    """Whether the profile holds bars beside those of the symbol."""
    return found[0] > 0 or found[1] < elements.bounds[p + 1] - elements.bounds[p] - 1


def _room_at_ends(elements: ScanElements, p: int, length: int) -> tuple[float, float]:
    """Space before the first and after the last edge of a profile [samples]."""
    a, b = elements.bounds[p], elements.bounds[p + 1]
    if b == a:
        return 0.0, 0.0
    return float(elements.edges[a]) + 0.5, length - 0.5 - float(elements.edges[b - 1])


def _measure(
    elements: ScanElements,
    p: int,
    found: Found | None,
    room: tuple[float, float],
    rules: _Rules,
    start: int = 0,
) -> ProfileGrade:
    """Measure and grade one profile; `room` is what is free beside it, `start` its first sample."""
    a, b = int(elements.bounds[p]), int(elements.bounds[p + 1])
    edges, contrasts = elements.edges[a:b], elements.contrasts[a:b]
    uneven = elements.uneven[a + p : b + p + 1]
    rmax, rmin = float(elements.rmax[p]), float(elements.rmin[p])
    sc = rmax - rmin
    worst_edge = int(contrasts.argmin()) if b > a else None
    ecmin = 0.0 if worst_edge is None else float(contrasts[worst_edge])
    worst_element = int(uneven.argmax())
    ernmax = float(uneven[worst_element])
    mod, defects = (ecmin / sc, ernmax / sc) if sc > 0 else (0.0, 0.0)
    decoded = found[2] if found else None
    quiet: tuple[float, float] | None = None
    if decoded is not None:
        before, after = room[0] / decoded.module, room[1] / decoded.module
        quiet = (after, before) if decoded.reversed else (before, after)
    grades = {
        **_decode_grades(decoded, len(edges), quiet, rules),
        "SC": grade_parameter("SC", sc, decimals=rules.decimals),
        "Rmin": pass_or_fail(rmin <= 0.5 * rmax + CLOSE),
        "ECmin": pass_or_fail(ecmin >= _LEAST_EC - CLOSE),
        "MOD": grade_parameter("MOD", mod, decimals=rules.decimals),
        "Defects": grade_parameter("Defects", defects, decimals=rules.decimals),
    }
    return ProfileGrade(
        rmax=rmax,
        rmin=rmin,
        sc=sc,
        ecmin=ecmin,
        mod=mod,
        ernmax=ernmax,
        defects=defects,
        decodability=decoded and decoded.decodability,
        edges=edges + start if start else edges,
        levels=elements.levels[a:b],
        decoded=decoded and decoded.text,
        quiet_left=quiet and quiet[0],
        quiet_right=quiet and quiet[1],
        module=decoded and decoded.module,
        bar_gain=decoded and decoded.bar_gain,
        reversed=decoded is not None and decoded.reversed,
        worst_edge=worst_edge,
        worst_element=worst_element if ernmax > 0 else None,
        grades=grades,
        grade=min(grades.values()),
        limited_by=limiting(grades),
    )


def _decode_grades(
    decoded: Decoded | None, edges: int, quiet: tuple[float, float] | None, rules: _Rules
) -> dict[str, float]:
    """Grade what depends on the symbology."""
    symbology = rules.symbology
    if symbology is None:
        return {}
    fits = edges == symbology.elements + 1 if symbology.elements else edges >= 26
    grades = {
        "Edges": pass_or_fail(fits and edges % 2 == 0),
        "Decode": pass_or_fail(decoded is not None),
    }
    if decoded is not None:
        grades["Decodability"] = grade_parameter(
            "Decodability", decoded.decodability, decimals=rules.decimals
        )
    if quiet is not None and rules.quiet_zones:
        grades["Quiet zones"] = pass_or_fail(
            quiet[0] >= symbology.quiet_left - _QUIET_SLACK
            and quiet[1] >= symbology.quiet_right - _QUIET_SLACK
        )
    return grades


def _grade_cut_out(
    profile: Floats, elements: ScanElements, p: int, found: Found, rules: _Rules
) -> ProfileGrade:
    """Grade the symbol and its quiet zones alone; other print beside it bounds the quiet zones."""
    first, last, decoded = found
    symbology = rules.symbology
    assert symbology is not None  # noqa: S101 - decoded, so there is one
    edges = elements.edges[elements.bounds[p] : elements.bounds[p + 1]]
    asked = (symbology.quiet_left, symbology.quiet_right)
    before, after = asked[::-1] if decoded.reversed else asked
    x = decoded.module
    room = (
        float(edges[first] - (edges[first - 1] if first else -0.5)),
        float((edges[last + 1] if last + 1 < len(edges) else len(profile) - 0.5) - edges[last]),
    )
    start = _flank_end(profile, edges[first] - min(room[0], before * x), edges[first], 1)
    stop = _flank_end(profile, edges[last] + min(room[1], after * x), edges[last], -1) + 1
    part = find_elements(profile[None, start:stop])
    hit = _decode_all(part, symbology)[0]
    if hit is None or _stands_among_others(part, 0, hit):
        room = _room_at_ends(part, 0, stop - start)
    return _measure(part, 0, hit, room, rules, start)


def _flank_end(profile: Floats, outer: float, inner: float, direction: int) -> int:
    """First sample from `outer` towards the symbol that belongs to the quiet zone's plateau."""
    low, high = sorted((outer, inner))
    a, b = max(int(np.ceil(low)), 0), min(int(np.floor(high)), len(profile) - 1)
    zone = profile[a : b + 1]
    if not len(zone):
        return a if direction > 0 else b
    # A neighbouring bar's flank is left out: begin where 90 % of the way up is reached.
    flat = np.nonzero(zone >= zone.max() - 0.1 * (zone.max() - profile.min()))[0]
    return a + int(flat[0] if direction > 0 else flat[-1])
