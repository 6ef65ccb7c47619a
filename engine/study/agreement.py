"""Agreement: the same cartons decided several times, held against each other and a reference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from engine.study.kappa import Kappa, cohen_kappa, fleiss_kappa
from engine.study.shares import clopper_pearson

Decisions = Mapping[int, bool]
"""By carton: whether it was kept back (rejected or faulted)."""

Band = Literal["acceptable", "marginal", "unacceptable"]

LIMITS: Mapping[str, tuple[float, float]] = {
    "effectiveness": (0.90, 0.80),
    "miss rate": (0.02, 0.05),
    "false alarm rate": (0.05, 0.10),
}
"""Bounds of `acceptable` and of `marginal`: common practice of attribute studies, from memory."""

KAPPA_GOOD, KAPPA_POOR = 0.75, 0.40
"""Above the first agreement is called good, below the second poor: common practice, from memory."""


@dataclass(frozen=True, slots=True)
class Part:
    """So many of so many."""

    k: int
    n: int

    @property
    def share(self) -> float | None:
        """Give the share [fraction]; None of nothing."""
        return self.k / self.n if self.n else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """Give the Clopper-Pearson interval, 95 % [fraction]; None of nothing."""
        return clopper_pearson(self.k, self.n) if self.n else None


@dataclass(frozen=True, slots=True)
class SetupAgreement:
    """How one set-up did against the reference."""

    name: str
    trials: int
    """How often it decided on each carton [count]."""
    right: Part
    """Cartons decided rightly in every trial: effectiveness."""
    same: Part
    """Cartons decided the same way in every trial, rightly or not."""
    missed: Part
    """Bad cartons let through, of all chances: miss rate."""
    false_alarms: Part
    """Good cartons kept back, of all chances: false alarm rate."""
    against_reference: Kappa
    """Over all trials; those of one carton depend on each other, so the interval is narrow."""
    within: Kappa | None
    """Fleiss' kappa of its own trials; None with one."""

    @property
    def bands(self) -> Mapping[str, Band | None]:
        """Give what common practice calls its figures; None without a carton to tell."""
        return {
            "effectiveness": band("effectiveness", self.right.share),
            "miss rate": band("miss rate", self.missed.share),
            "false alarm rate": band("false alarm rate", self.false_alarms.share),
        }


@dataclass(frozen=True, slots=True)
class Agreement:
    """The result of an agreement study."""

    cartons: tuple[int, ...]
    """Cartons that every trial decided on and the reference knows."""
    bad: int
    """Of those, bad ones by the reference [count]."""
    setups: tuple[SetupAgreement, ...]
    pairs: tuple[tuple[str, str, Kappa], ...]
    """Each two set-ups, trial by trial."""
    together: Kappa | None
    """Fleiss' kappa over all trials of all set-ups; None with one trial."""
    all_right: Part
    """Cartons that every trial of every set-up decided rightly."""
    disputed: tuple[int, ...]
    """Cartons on which not every trial is right."""
    left_out: Mapping[str, tuple[int, ...]]
    """Cartons without a decision or reference, by what lacks them."""


def band(what: str, share: float | None) -> Band | None:
    """Give what common practice calls a share.

    Examples
    --------
    >>> band("effectiveness", 0.84), band("miss rate", 0.0625), band("false alarm rate", 0.049)
    ('marginal', 'unacceptable', 'acceptable')
    """
    if share is None:
        return None
    sign = 1 if what == "effectiveness" else -1
    good, fair = LIMITS[what]
    if sign * share >= sign * good:
        return "acceptable"
    return "marginal" if sign * share >= sign * fair else "unacceptable"


def kappa_word(kappa: float) -> str:
    """Give what common practice calls a kappa.

    Examples
    --------
    >>> kappa_word(0.8), kappa_word(0.5), kappa_word(0.1), kappa_word(float("nan"))
    ('good', 'fair', 'poor', 'cannot be told')
    """
    if np.isnan(kappa):
        return "cannot be told"
    if kappa > KAPPA_GOOD:
        return "good"
    return "poor" if kappa < KAPPA_POOR else "fair"


def agreement(setups: Mapping[str, Sequence[Decisions]], reference: Decisions) -> Agreement:
    """Hold repeated decisions against each other and against a reference.

    Parameters
    ----------
    setups : mapping
        By name of the set-up: its trials, each with a decision for every carton.
    reference : mapping
        By carton: whether it is bad.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        When there is no set-up or no carton that all know.

    References
    ----------
    The figures are those of attribute agreement studies in the trade (AIAG MSA manual, from
    memory): effectiveness, miss rate, false alarm rate, kappa.

    Examples
    --------
    >>> truth = {1: False, 2: False, 3: True, 4: True}
    >>> found = agreement({"a": [truth, {**truth, 3: False}]}, truth)
    >>> found.setups[0].right, found.setups[0].missed, found.disputed
    (Part(k=3, n=4), Part(k=1, n=4), (3,))
    """
    named = {
        name if len(trials) == 1 else f"{name}, trial {i}": trial
        for name, trials in setups.items()
        for i, trial in enumerate(trials, start=1)
    }
    if not named:
        message = "there must be at least one set-up with one trial"
        raise ValueError(message)
    known = {**named, "the reference": reference}
    every = set().union(*known.values())
    cartons = tuple(sorted(every.intersection(*known.values())))
    if not cartons:
        message = "no carton is in all of the trials and in the reference"
        raise ValueError(message)
    left_out = {n: tuple(sorted(every - d.keys())) for n, d in known.items() if every - d.keys()}
    truth = np.array([reference[c] for c in cartons])
    tables = {
        name: np.array([[trial[c] for c in cartons] for trial in trials])
        for name, trials in setups.items()
    }
    everything = np.concatenate(list(tables.values()))
    right = (everything == truth).all(axis=0)
    return Agreement(
        cartons,
        int(truth.sum()),
        tuple(_setup(name, table, truth) for name, table in tables.items()),
        tuple((a, b, _pair(tables[a], tables[b])) for a, b in combinations(tables, 2)),
        _fleiss(everything),
        Part(int(right.sum()), len(cartons)),
        tuple(c for c, is_right in zip(cartons, right, strict=True) if not is_right),
        left_out,
    )


def _setup(name: str, table: np.ndarray, truth: np.ndarray) -> SetupAgreement:
    """Hold the trials of one set-up, (trials, cartons) bool, against the truth."""
    n, trials = len(truth), len(table)
    return SetupAgreement(
        name,
        trials,
        right=Part(int((table == truth).all(axis=0).sum()), n),
        same=Part(int((table == table[0]).all(axis=0).sum()), n),
        missed=Part(int((~table & truth).sum()), int(truth.sum()) * trials),
        false_alarms=Part(int((table & ~truth).sum()), int((~truth).sum()) * trials),
        against_reference=_pair(table, np.broadcast_to(truth, table.shape)),
        within=_fleiss(table),
    )


def _pair(first: np.ndarray, second: np.ndarray) -> Kappa:
    """Give Cohen's kappa of two set-ups, as many trials as both have."""
    trials = min(len(first), len(second))
    a, b = first[:trials].ravel(), second[:trials].ravel()
    return cohen_kappa([[int(((a == i) & (b == j)).sum()) for j in (0, 1)] for i in (0, 1)])


def _fleiss(table: np.ndarray) -> Kappa | None:
    if len(table) < 2:
        return None
    kept = table.sum(axis=0)
    return fleiss_kappa(np.column_stack([len(table) - kept, kept]))
