"""Agreement, capability and claims as rows of words, for the terminal and for pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from engine.report.wording import number_text, unit_text
from engine.result import trigger_name
from engine.study.agreement import Agreement, Part, SetupAgreement, kappa_word
from engine.study.capability import Capability
from engine.study.kappa import Kappa
from engine.study.shares import ClaimSize
from engine.study.values import Limits, ValueStudy

PRACTICE = (
    "Bands by common practice (from memory): effectiveness acceptable from 90 %, marginal from "
    "80 %; miss rate up to 2 % and 5 %; false alarm rate up to 5 % and 10 %; kappa good above "
    "0.75, poor below 0.40. Kappa of two is Cohen's, of a set-up's trials and of all Fleiss'."
)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a set-up."""

    setup: str
    what: str
    measured: str
    between: str
    band: str


def setup_figures(setup: SetupAgreement) -> list[Figure]:
    """Give the figures of one set-up, with their bands."""
    bands = setup.bands
    rows = [
        Figure(setup.name, what, part_text(part), between(part.interval), bands[what] or "-")
        for what, part in (
            ("effectiveness", setup.right),
            ("miss rate", setup.missed),
            ("false alarm rate", setup.false_alarms),
        )
    ]
    if setup.trials > 1:
        rows.append(
            Figure(setup.name, "same each time", part_text(setup.same),
                   between(setup.same.interval), "")
        )  # fmt: skip
    rows.append(_kappa(setup.name, "kappa, reference", setup.against_reference))
    if setup.within is not None:
        rows.append(_kappa(setup.name, "kappa, its trials", setup.within))
    return rows


def common_figures(found: Agreement) -> list[Figure]:
    """Give the figures of set-ups against each other and of all together."""
    rows = [_kappa(f"{a} and {b}", "kappa, the two", kappa) for a, b, kappa in found.pairs]
    if found.together is not None:
        rows.append(_kappa("all", "kappa, all trials", found.together))
    if len(found.setups) > 1:
        right = found.all_right
        rows.append(
            Figure("all", "all trials right", part_text(right),
                   between(right.interval), "")
        )  # fmt: skip
    return rows


def part_text(part: Part) -> str:
    """Give so many of so many.

    Examples
    --------
    >>> part_text(Part(42, 50)), part_text(Part(0, 0))
    ('42 of 50 (84.0 %)', '0 of 0')
    """
    if part.share is None:
        return "0 of 0"
    return f"{part.k} of {part.n} ({100 * part.share:.1f} %)"


def between(interval: tuple[float, float] | None) -> str:
    """Give an interval of a share in per cent."""
    return "-" if interval is None else f"{100 * interval[0]:.1f}-{100 * interval[1]:.1f} %"


def _kappa(name: str, what: str, kappa: Kappa) -> Figure:
    if kappa.kappa != kappa.kappa:
        return Figure(name, what, "-", "-", "cannot be told: all decisions are the same")
    span = "-" if kappa.low != kappa.low else f"{kappa.low:.2f} to {kappa.high:.2f}"
    return Figure(name, what, f"{kappa.kappa:.3f}", span, kappa_word(kappa.kappa))


def left_out_texts(left_out: Mapping[str, tuple[int, ...]]) -> list[str]:
    """Say which cartons an agreement study left out, and why."""
    return [f"not in {what}: {cartons_text(cartons)}" for what, cartons in left_out.items()]


def cartons_text(triggers: tuple[int, ...], most: int = 8) -> str:
    """Name cartons, the first few by their number.

    Examples
    --------
    >>> cartons_text((7, 9)), cartons_text(tuple(range(30)), most=1)
    ('000007, 000009', '000000 and 29 more')
    """
    more = f" and {len(triggers) - most} more" if len(triggers) > most else ""
    return ", ".join(map(trigger_name, triggers[:most])) + more


def limits_text(limits: Limits, unit: str = "") -> str:
    """Give two limits as people read them.

    Examples
    --------
    >>> limits_text((None, 1.2), "mm"), limits_text((-3.0, 3.0)), limits_text((None, None))
    ('at most 1.2 mm', '-3 to 3', 'none')
    """
    low, high = limits
    if low is not None and high is not None:
        return f"{number_text(low)} to {number_text(high)}{unit_text(unit)}"
    if high is not None:
        return f"at most {number_text(high)}{unit_text(unit)}"
    return "none" if low is None else f"at least {number_text(low)}{unit_text(unit)}"


def cpk_text(found: Capability | None) -> str:
    """Give Cpk with its interval.

    Examples
    --------
    >>> from engine.study.capability import cp_cpk
    >>> cpk_text(cp_cpk(0.2, 0.1, usl=0.8, n=30)), cpk_text(None)
    ('2.00 (1.47-2.53)', '-')
    """
    if found is None:
        return "-"
    span = found.cpk_interval
    return f"{found.cpk:.2f}" + ("" if span is None else f" ({span[0]:.2f}-{span[1]:.2f})")


def out_texts(found: ValueStudy) -> list[str]:
    """Say which cartons lie beyond the limits of the charts."""
    triggers = found.series.triggers
    said: list[str] = []
    for what, at in (
        ("single values", found.chart.out),
        ("moving ranges", tuple(i + 1 for i in found.chart.range_out)),
        ("moving average", found.average.out if found.average else ()),
    ):
        if at:
            said.append(
                f"{what} beyond their limits: {cartons_text(tuple(triggers[i] for i in at))}"
            )
    return said


def claim_text(claim: ClaimSize, done: int, what: str) -> str:
    """Say what a claim needs, in one or two sentences.

    Examples
    --------
    >>> from engine.study.shares import sample_size_for_claim
    >>> claim_text(sample_size_for_claim(0.9, 0.95), 0, "bad cartons caught")
    'At least 90 % of bad cartons caught, with 95 % confidence and no failure: 29 cartons.'
    """
    failures = {0: "no failure", 1: "1 failure"}.get(claim.failures, f"{claim.failures} failures")
    said = (
        f"At least {100 * claim.share:.6g} % of {what}, with {100 * claim.confidence:.6g} % "
        f"confidence and {failures}: {claim.n} cartons."
    )
    if not done:
        return said
    shown = 100 * (claim.shown or 0.0)
    said += f" The {done} at hand show at least {shown:.4g} %"
    if claim.more == 0:
        return f"{said}: the claim stands."
    return f"{said}; {claim.more} more are needed, all of them without a failure."
