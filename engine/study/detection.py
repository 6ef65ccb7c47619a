"""Detection over size: hits and misses of defects on a curve, with the sizes that matter."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from engine.study.binomial import Array, Link, link_named
from engine.study.checks import between_0_and_1, numbers, whole
from engine.study.detection_ends import STEEPEST, Sample
from engine.study.detection_line import Line
from engine.study.shares import zero_failure_n

POD = 0.90
"""The detection that a90 is the size of [fraction]."""

CONFIDENCE = 0.95
"""Of the bound a90/95, one-sided [fraction]."""

FEWEST = 60
"""Targets that a hit/miss study should have at least [count]."""

Kind = Literal["curve", "falling", "separated", "all hit", "all missed"]


@dataclass(frozen=True, slots=True, eq=False)
class PodFit:
    """How detection grows with size. Sizes are in the unit of the sizes given."""

    kind: Kind
    """`curve` when detection grows with size; else why there is no curve."""
    a50: float | None
    """Size of which half are detected; None where the data give none."""
    a90: float | None
    """Size of which 90 % are detected; None where the data give none."""
    a90_95: float | None
    """Size of which at least 90 % are detected, with 95 % confidence, by the likelihood ratio;
    without a curve by counting hits (see `pod_fit`); None where the data do not show it."""
    a90_95_wald: float | None
    """The same by Wald's bound of the line, which is rougher; only of a curve without ends."""
    coefficients: Array | None
    """Intercept and slope over size, or over ln size when `log`, (2,)."""
    covariance: Array | None
    """Of the coefficients, (2, 2)."""
    floor: float | None
    """Share of random hits however small the size [fraction]; None where none is found."""
    ceiling: float | None
    """Largest share detected however large the size [fraction]; None where none is found."""
    between: tuple[float, float] | None
    """Largest size missed and smallest size hit, where hits and misses lie apart."""
    false_calls: tuple[int, int]
    """Hits, and targets, of size 0: those without a defect [count]."""
    hits: int
    """Targets hit [count]."""
    targets: int
    """Targets in all [count]."""
    deviance: float | None
    """Residual deviance of the plain curve, sizes taken together."""
    df: int | None
    """Its degrees of freedom [count]."""
    link: str
    log: bool
    notes: tuple[str, ...]
    """What the reader must know: ends, targets too few, sizes beyond those tried ..."""
    _line: Line | None = field(default=None, repr=False)

    def pod(self, sizes: Iterable[float]) -> Array:
        """Give the detection of sizes [fraction]; nan without a curve."""
        at = np.asarray(list(sizes), np.float64)
        return np.full(at.shape, np.nan) if self._line is None else self._line.pod(at)

    def lower(self, sizes: Iterable[float]) -> Array:
        """Give the lower bound of the detection of sizes, one-sided, 95 % [fraction]."""
        at = np.asarray(list(sizes), np.float64)
        if self._line is None:
            return np.full(at.shape, np.nan)
        return np.array([self._line.bound(size) for size in at.tolist()])

    def size(self, pod: float) -> float | None:
        """Give the size of which a share is detected; None where there is none."""
        between_0_and_1(pod, "pod")
        return None if self._line is None else self._line.size(pod)

    def size_error(self, pod: float) -> float | None:
        """Give the standard error of that size, by the delta method; of ln size when `log`."""
        if self._line is None or self.size(pod) is None:
            return None
        return self._line.error(pod)


def pod_fit(
    size: Iterable[float],
    hit: Iterable[Any],
    link: str = "logit",
    log: bool = False,
    trials: Iterable[int] | None = None,
) -> PodFit:
    """Fit hits and misses of targets as a curve of detection over size.

    Parameters
    ----------
    size : (N,) iterable of float
        Size of each target, in any unit, from 0 on; 0 = no defect.
    hit : (N,) iterable of bool or int
        Whether each was hit; with `trials`, how many of them were.
    link : {"logit", "probit", "cloglog", "loglog"}
        Form of the curve.
    log : bool
        Whether detection grows with ln size instead of size. Targets of size 0 then stand apart
        from the curve, as false calls.
    trials : (N,) iterable of int, optional
        Targets of each size, where they are counted together.

    Returns
    -------
    PodFit

    Raises
    ------
    ValueError
        When the rows differ in length, a size is below 0, a hit is neither 0 nor 1 (or not
        between 0 and its trials), or all sizes are the same with some hit and some missed.

    Notes
    -----
    Maximum likelihood on single hits and misses, nothing binned. a90/95 is where twice the log
    likelihood falls by 2.706 when the curve has to pass through 90 % there (one-sided 95 %).

    Hits however small and misses however large are looked for by a curve with floor and ceiling.
    Where one is needed, every size given is one of that curve, and a note says so: the plain curve
    would be wrong. An end that is likely but not certain makes no a90/95 smaller: then the larger
    one of both curves is given. With 60 targets on a steep curve the bound held in about nine of
    ten made-up studies instead of 19 of 20: take more targets where hits turn into misses.

    Where hits and misses lie apart, or all are hit, no curve is the most likely. a90/95 is then
    the size at which the 29th hit in a row is reached, counted upwards from the largest miss: 29
    of 29 show 90 % at 95 %, and larger sizes are taken to be detected no less.

    References
    ----------
    MIL-HDBK-1823A (2009), appendices on hit/miss data (from memory); C. Annis, pages on
    statistical engineering, for floor, ceiling and 29 of 29.

    Examples
    --------
    >>> fit = pod_fit([1, 2, 3, 4, 5, 6], [0, 2, 6, 10, 12, 16], trials=[20] * 6)
    >>> fit.coefficients.round(4).tolist(), round(fit.a50, 3), round(fit.a90, 3)
    ([-3.8996, 0.906], 4.304, 6.729)
    >>> round(fit.a90_95, 2)
    7.93
    """
    form = link_named(link)
    sizes, hits, targets = _rows(size, hit, trials)
    bare = sizes == 0
    told = {
        "hits": int(hits.sum()), "targets": int(targets.sum()), "link": link, "log": bool(log),
        "false_calls": (int(hits[bare].sum()), int(targets[bare].sum())),
    }  # fmt: skip
    on = sizes > 0 if log else np.full(sizes.shape, True)
    if not on.any():
        message = "size must hold at least one size above 0"
        raise ValueError(message)
    notes = _first_notes(told["targets"], *told["false_calls"])
    spread = _grouped(sizes[on], hits[on], targets[on])
    missed = spread[0][spread[1] < spread[2]]
    was_hit = spread[0][spread[1] > 0]
    if not len(missed) or not len(was_hit) or missed.max() <= was_hit.min():
        if log and told["false_calls"][0]:
            notes.append("the random hits at size 0 are left out of what is said of sizes")
        return _without_curve(spread, missed, was_hit, told, notes)
    if missed.min() >= was_hit.max():
        what = f"every target up to {was_hit.max():g} was hit, from {missed.min():g} on missed"
        return _bare_fit("falling", told, [*notes, f"detection falls with size: {what}"])
    return _with_curve(spread, form, told, notes)


def _with_curve(
    spread: tuple[Array, Array, Array], link: Link, told: dict[str, Any], notes: list[str]
) -> PodFit:
    sizes, hits, targets = spread
    h = np.log(sizes) if told["log"] else sizes
    middle = float(np.average(h, weights=targets))
    scale = float(np.sqrt(np.average((h - middle) ** 2, weights=targets)))
    bare = told["false_calls"] if told["log"] else (0, 0)
    sample = Sample((h - middle) / scale, hits, targets, *map(float, bare))
    line = Line(sample, link, middle, scale, told["log"])
    plain, plain_bound = line.fit, None
    if line.b1 > 0:
        plain_bound = line.bound_of_size(POD)
        line.look_for_ends()
    coefficients, covariance = line.coefficients()
    if line.b1 <= 0:
        notes.append("detection does not grow with size: there is no size to give")
        return _bare_fit("falling", told, notes, coefficients=coefficients, covariance=covariance,
                         deviance=plain.deviance, df=plain.df, _line=line)  # fmt: skip
    a90, bound = line.size(POD), plain_bound
    if line.ends is not None:
        bound = line.bound_of_size(POD)
        if bound and plain_bound and plain_bound > bound and not line.is_sure_of_ends:
            bound = plain_bound
            notes.append("the ends are not certain: a90/95 is the larger one, of the plain curve")
    notes += _notes(line, a90, bound, float(sizes.max()))
    return _bare_fit(
        "curve", told, notes,
        a50=line.size(0.5), a90=a90, a90_95=bound, a90_95_wald=line.wald(POD),
        coefficients=coefficients, covariance=covariance,
        floor=line.floor if line.ends and line.ends.has_floor else None,
        ceiling=line.ceiling if line.ends and line.ends.has_ceiling else None,
        deviance=plain.deviance, df=plain.df, _line=line,
    )  # fmt: skip


def _notes(line: Line, a90: float | None, bound: float | None, largest: float) -> list[str]:
    notes: list[str] = []
    if line.ends is not None and line.ends.has_floor:
        notes.append(
            f"floor: about {line.floor:.1%} are hit however small they are (random hits); the "
            "plain curve does not hold, the sizes are those of a curve with a floor"
        )
    if line.ends is not None and line.ends.has_ceiling:
        notes.append(
            f"ceiling: about {1 - line.ceiling:.1%} are missed however large they are (random "
            "misses); the plain curve does not hold, the sizes are those of a curve with a ceiling"
        )
    if line.ends is not None and line.b1 > 0.9 * STEEPEST:
        notes.append("between its ends the curve is a step: its place is known, its slope is not")
    if a90 is None:
        notes.append("90 % are not reached at any size")
    elif bound is None:
        notes.append("the data do not show at any size that 90 % are detected, at 95 %")
    for what, size in (("a90", a90), ("a90/95", bound)):
        if size is not None and size > largest:
            notes.append(f"{what} lies beyond the largest size tried, {largest:g}")
    return notes


def _without_curve(
    spread: tuple[Array, Array, Array],
    missed: Array,
    was_hit: Array,
    told: dict[str, Any],
    notes: list[str],
) -> PodFit:
    """Say what can be said when hits and misses lie apart."""
    sizes, _, targets = spread
    if not len(was_hit):
        notes.append(f"no target was hit, up to size {sizes.max():g}: detection begins beyond")
        return _bare_fit("all missed", told, notes)
    above = sizes > missed.max() if len(missed) else np.full(sizes.shape, True)
    in_a_row = np.cumsum(targets[above])
    needed = zero_failure_n(POD, CONFIDENCE)
    enough = np.flatnonzero(in_a_row >= needed)
    bound = float(sizes[above][enough[0]]) if len(enough) else None
    counted = f"{needed} hits in a row from the smallest on"
    if not len(missed):
        notes.append(f"every target was hit, down to size {sizes.min():g}: smaller ones are needed")
        kind: Kind = "all hit"
        between = None
    else:
        between = (float(missed.max()), float(was_hit.min()))
        kind = "separated"
        notes.append(
            f"hits and misses lie apart: nothing above {between[0]:g} was missed, nothing below "
            f"{between[1]:g} hit; the curve is a step there, and sizes in between are needed"
        )
        counted = f"{needed} hits in a row above the largest miss"
    if bound is None:
        have = int(in_a_row[-1]) if len(in_a_row) else 0
        notes.append(f"a90/95 takes {counted}; there are {have}")
    else:
        notes.append(f"a90/95 is where {counted} are reached; no curve stands behind it")
    return _bare_fit(kind, told, notes, a90_95=bound, between=between)


def _bare_fit(kind: Kind, told: dict[str, Any], notes: list[str], **named: Any) -> PodFit:
    empty = dict.fromkeys(
        ("a50", "a90", "a90_95", "a90_95_wald", "coefficients", "covariance", "floor", "ceiling",
         "between", "deviance", "df")
    )  # fmt: skip
    return PodFit(kind=kind, notes=tuple(notes), **{**empty, **told, **named})


def _first_notes(targets: int, false_hits: int, bare: int) -> list[str]:
    notes: list[str] = []
    if targets < FEWEST:
        notes.append(f"{targets} targets are few: a hit/miss study takes at least {FEWEST}")
    if false_hits:
        notes.append(f"{false_hits} of {bare} targets without a defect were hit (random hits)")
    return notes


def _rows(
    size: Iterable[float], hit: Iterable[Any], trials: Iterable[int] | None
) -> tuple[Array, Array, Array]:
    sizes, hits = numbers(size, "size"), numbers(hit, "hit")
    targets = np.ones_like(hits) if trials is None else numbers(trials, "trials")
    if not len(sizes) == len(hits) == len(targets):
        message = (
            f"size, hit and trials must be equally long; got {len(sizes)}, {len(hits)}, "
            f"{len(targets)}"
        )
        raise ValueError(message)
    if (sizes < 0).any():
        message = f"size must be 0 or above; got {sizes.min():g}"
        raise ValueError(message)
    for count in targets.tolist():
        whole(count, "each of trials", least=1)
    if (hits < 0).any() or (hits > targets).any() or (hits != np.round(hits)).any():
        allowed = "0 or 1" if trials is None else "a whole number from 0 to its trials"
        message = f"each hit must be {allowed}"
        raise ValueError(message)
    if len(np.unique(sizes)) == 1 and 0 < hits.sum() < targets.sum():
        message = "size must hold at least two different sizes, as some were hit and some missed"
        raise ValueError(message)
    return sizes, hits, targets


def _grouped(sizes: Array, hits: Array, targets: Array) -> tuple[Array, Array, Array]:
    """Take equal sizes together."""
    each, place = np.unique(sizes, return_inverse=True)
    return (
        each,
        np.bincount(place, hits).astype(np.float64),
        np.bincount(place, targets).astype(np.float64),
    )
