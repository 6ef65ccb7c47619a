"""Verdicts held against truth: what was caught for the right reason, what was missed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from engine.report.truth import UNNAMED, Defect, Truth
from engine.result import trigger_name
from engine.study.statistics import clopper_pearson

if TYPE_CHECKING:
    from rich.table import Table

Outcome = Literal["right", "wrong reason", "missed", "good", "false reject", "false fault"]
"""Of a bad carton the first three, of a good one the last three."""

FRAME_WORD = "missing-frame"
"""The one defect that a fault is the right answer to."""


@dataclass(frozen=True, slots=True)
class Share:
    """So many out of so many, with the Clopper-Pearson interval at 95 %."""

    k: int
    n: int

    @property
    def interval(self) -> tuple[float, float] | None:
        """Give the interval [fraction]; None of nothing."""
        return clopper_pearson(self.k, self.n) if self.n else None

    def __str__(self) -> str:
        """Give count and per cent."""
        return f"{self.k} of {self.n} ({100 * self.k / self.n:.1f} %)" if self.n else "0 of 0"

    def between(self) -> str:
        """Give the interval in per cent.

        Examples
        --------
        >>> Share(0, 20).between()
        '0.0-16.8 %'
        """
        if self.interval is None:
            return "-"
        low, high = self.interval
        return f"{100 * low:.1f}-{100 * high:.1f} %"


@dataclass(frozen=True, slots=True)
class DefectScore:
    """How one defect, at one severity, fared."""

    defect: Defect
    right: int
    """Caught, and a reason catches this very defect."""
    wrong: int
    """Caught, for another reason."""
    missed: int
    """Passed."""

    @property
    def n(self) -> int:
        """Give how many cartons have the defect."""
        return self.right + self.wrong + self.missed

    @property
    def share(self) -> Share:
        """Give the share caught for the right reason."""
        return Share(self.right, self.n)


@dataclass(frozen=True, slots=True)
class CartonScore:
    """How one carton fared."""

    trigger: int
    truth: Truth
    verdict: str
    outcome: Outcome
    """Of a bad carton with several defects: `right` when any of them is caught for its reason."""


@dataclass(frozen=True, slots=True)
class Score:
    """Verdicts held against truth."""

    defects: tuple[DefectScore, ...]
    """By word, then by severity; a carton with several defects counts in each."""
    cartons: tuple[CartonScore, ...]
    """Every carton that has both verdict and truth, in order of trigger."""
    without_truth: tuple[int, ...] = ()
    """Triggers with a verdict that truth does not know."""
    without_verdict: tuple[int, ...] = ()
    """Triggers in truth without a verdict."""

    def count(self, *outcomes: Outcome) -> int:
        """Count cartons by outcome."""
        return sum(carton.outcome in outcomes for carton in self.cartons)

    @property
    def good(self) -> int:
        """Give the number of good cartons."""
        return self.count("good", "false reject", "false fault")

    @property
    def bad(self) -> int:
        """Give the number of bad cartons."""
        return len(self.cartons) - self.good

    @property
    def false_rejects(self) -> Share:
        """Give the good cartons that were rejected."""
        return Share(self.count("false reject"), self.good)

    @property
    def false_faults(self) -> Share:
        """Give the good cartons that ended as a fault."""
        return Share(self.count("false fault"), self.good)

    @property
    def bad_passed(self) -> Share:
        """Give the bad cartons that passed."""
        return Share(self.count("missed"), self.bad)

    @property
    def right_reason(self) -> Share:
        """Give the bad cartons caught for a right reason."""
        return Share(self.count("right"), self.bad)

    @property
    def right_defects(self) -> Share:
        """Give the defects caught for their reason; more than cartons where some have several."""
        return Share(sum(d.right for d in self.defects), sum(d.n for d in self.defects))

    @property
    def as_expected(self) -> bool:
        """Tell whether every verdict is the one truth asks for (reasons aside)."""
        if any(carton.outcome in _AGAINST_TRUTH for carton in self.cartons):
            return False
        return all(not _fault_for_other(carton) for carton in self.cartons)


_AGAINST_TRUTH = ("missed", "false reject", "false fault")


def _fault_for_other(carton: CartonScore) -> bool:
    words = {defect.word for defect in carton.truth.defects}
    return carton.verdict == "fault" and FRAME_WORD not in words


def score(rows: Iterable[Mapping[str, Any]], truth: Mapping[int, Truth]) -> Score:
    """Hold verdicts against truth.

    Parameters
    ----------
    rows : iterable of mapping
        Verdicts as `engine.result.to_json` gives them.
    truth : mapping
        The truth by trigger.

    Notes
    -----
    A bad carton is caught by `reject`, and by `fault`. The reason is right for a defect when a
    reason's `catches` holds its word, alone or with this severity; for `missing-frame` also when
    the carton has a fault. A fault for any other defect is a wrong reason. Where truth names no
    defect, any reject is right.
    """
    tallies: dict[Defect, dict[str, int]] = {}
    cartons: list[CartonScore] = []
    unknown: list[int] = []
    seen: set[int] = set()
    for row in rows:
        trigger = int(row["trigger"])
        known = truth.get(trigger)
        if known is None:
            unknown.append(trigger)
            continue
        seen.add(trigger)
        outcome: Outcome
        if known.verdict == "pass":
            outcome = _OF_GOOD[row["verdict"]]
        else:
            each = [(defect, _caught(defect, row)) for defect in known.defects or (UNNAMED,)]
            for defect, how in each:
                tally = tallies.setdefault(defect, {"right": 0, "wrong reason": 0, "missed": 0})
                tally[how] += 1
            found = {how for _, how in each}
            outcome = next(how for how in _BEST_FIRST if how in found)
        cartons.append(CartonScore(trigger, known, row["verdict"], outcome))
    return Score(
        tuple(
            DefectScore(defect, tally["right"], tally["wrong reason"], tally["missed"])
            for defect, tally in sorted(tallies.items(), key=lambda item: _order(item[0]))
        ),
        tuple(sorted(cartons, key=lambda carton: carton.trigger)),
        tuple(sorted(unknown)),
        tuple(sorted(set(truth) - seen)),
    )


_OF_GOOD: dict[str, Outcome] = {"pass": "good", "reject": "false reject", "fault": "false fault"}
_BEST_FIRST: tuple[Outcome, ...] = ("right", "wrong reason", "missed")


def _caught(defect: Defect, row: Mapping[str, Any]) -> Literal["right", "wrong reason", "missed"]:
    if row["verdict"] == "pass":
        return "missed"
    if defect.word == FRAME_WORD and row["faults"]:
        return "right"
    if row["verdict"] == "fault":
        return "wrong reason"
    if defect == UNNAMED or {defect.word, str(defect)} & set(row["catches"]):
        return "right"
    return "wrong reason"


def _order(defect: Defect) -> tuple[str, float, str]:
    """Order severities by their number, where they are one."""
    number = re.fullmatch(r"[-+]?[0-9]+(\.[0-9]+)?", defect.severity)
    return defect.word, float(defect.severity) if number else float("inf"), defect.severity


def defect_rows(found: Score) -> list[tuple[str, int, int, int, int, str]]:
    """Give the table of defects: defect, n, right, wrong, missed, interval of the right ones."""
    return [
        (str(d.defect), d.n, d.right, d.wrong, d.missed, d.share.between()) for d in found.defects
    ]


def summary_rows(found: Score) -> list[tuple[str, str, str]]:
    """Give the lines above the table: what, how many, between which shares at 95 %."""
    shares = [
        ("good cartons rejected", found.false_rejects),
        ("good cartons ended as a fault", found.false_faults),
        ("bad cartons passed", found.bad_passed),
        ("bad cartons with the right reason", found.right_reason),
    ]
    if found.right_defects.n != found.right_reason.n:
        shares.append(("defects with the right reason", found.right_defects))
    rows = [(what, str(share), share.between()) for what, share in shares]
    if found.without_truth:
        rows.append(("cartons that truth does not know", _some(found.without_truth), ""))
    if found.without_verdict:
        rows.append(("cartons in truth without a verdict", _some(found.without_verdict), ""))
    return rows


def _some(triggers: tuple[int, ...], most: int = 5) -> str:
    names = ", ".join(map(trigger_name, triggers[:most]))
    more = f" and {len(triggers) - most} more" if len(triggers) > most else ""
    return f"{len(triggers)} ({names}{more})"


def score_table(found: Score) -> Table:
    """Give the verdicts against truth as a table for the terminal.

    Parameters
    ----------
    found : Score
        The result of `score`.

    Returns
    -------
    rich.table.Table
        Readable from 80 columns on.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    defects = Table(box=box.SIMPLE_HEAD)
    defects.add_column("defect", overflow="fold", min_width=20)
    for name in ("cartons", "right\nreason", "wrong\nreason", "missed"):
        defects.add_column(name, justify="right")
    defects.add_column("right reason,\n95 %", justify="right", no_wrap=True)
    for name, n, right, wrong, missed, between in defect_rows(found):
        cells = [Text(name), str(n), str(right)]
        cells += [str(wrong) if wrong else "", Text(str(missed), "bold red") if missed else ""]
        defects.add_row(*cells, between, style="" if right == n else "yellow")
    summary = Table(box=box.SIMPLE_HEAD)
    summary.add_column("all cartons", overflow="fold")
    summary.add_column("", justify="right", overflow="fold")
    summary.add_column("95 %", justify="right", no_wrap=True)
    for what, share, between in summary_rows(found):
        summary.add_row(Text(what), share, between)
    both = Table.grid()
    if found.defects:
        both.add_row(defects)
    both.add_row(summary)
    return both
