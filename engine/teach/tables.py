"""What `teach` shows: values of good cartons, suggested limits, and known cartons against them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from engine.graph.plan import DaysFromToday, PlannedLimit
from engine.teach.known import Checked
from engine.teach.suggest import Spread, Suggestion

if TYPE_CHECKING:
    from rich.table import Table


def values_table(found: Sequence[Spread], count: int, *, everything: bool) -> Table:
    """Show the spread of each value, or of those under a limit.

    Parameters
    ----------
    found : sequence of Spread
        The values.
    count : int
        Good cartons.
    everything : bool
        Whether values without a limit are shown too.
    """
    from rich.table import Table

    table = Table(title=f"values of {count} good cartons", title_justify="left")
    table.add_column("value", no_wrap=True)
    table.add_column("unit", no_wrap=True)
    for head in ("smallest", "mean", "largest", "spread s"):
        table.add_column(head, justify="right", no_wrap=True)
    table.add_column("not measured on", justify="right")
    for spread in found:
        if everything or spread.limit is not None:
            missing = str(spread.missing or "")
            table.add_row(spread.place, spread.unit, *_numbers(spread), missing)
    return table


def _numbers(spread: Spread) -> tuple[str, ...]:
    if not spread.numbers:
        said = ", ".join(spread.others[:3]) + (" ..." if len(spread.others) > 3 else "")
        return (said if len(said) <= 24 else said[:23] + "…", "", "", "")
    numbers = (min(spread.numbers), spread.mean, max(spread.numbers), spread.sd)
    return tuple(f"{number:.4g}" for number in numbers)


def suggestions_table(found: Sequence[Spread], suggestions: Sequence[Suggestion]) -> Table:
    """Show each limit, what good cartons suggest for it, and why.

    Parameters
    ----------
    found : sequence of Spread
        The values.
    suggestions : sequence of Suggestion
        What they suggest.
    """
    from rich.table import Table

    table = Table(title="suggested limits", title_justify="left")
    for head in ("value", "limit", "suggested"):
        table.add_column(head, no_wrap=True)
    table.add_column("why")
    limits = {spread.place: spread.limit for spread in found}
    for suggestion in suggestions:
        limit = limits.get(suggestion.place)
        own = "" if limit is None else bounds_text(limit)
        bounds = ", ".join(
            f"{word} {bound:.6g}"
            for word, bound in (("min", suggestion.low), ("max", suggestion.high))
            if bound is not None
        )
        table.add_row(suggestion.place, own, bounds or "none", suggestion.reason)
    return table


def bounds_text(limit: PlannedLimit) -> str:
    """Give a limit's bounds in words."""
    words = (("min", limit.minimum), ("max", limit.maximum), ("equals", limit.equals))
    said = [
        f"{word} {f'{bound.days} days from today' if isinstance(bound, DaysFromToday) else bound}"
        for word, bound in words
        if bound is not None
    ]
    return ", ".join(said)


def known_lines(
    checked: Checked,
    bad: Sequence[int],
    good: Sequence[int],
    suggestions: Sequence[Suggestion],
    truth: Mapping[int, str],
) -> list[str]:
    """Say how known cartons fare with the recipe's limits, and with the suggested ones.

    Parameters
    ----------
    checked : Checked
        Verdicts by both.
    bad, good : sequence of int
        What the cartons are known to be.
    suggestions : sequence of Suggestion
        The suggested limits.
    truth : mapping
        What is wrong with each bad carton, in words.
    """
    lines = ["Known cartons against the limits (they have no say in them):"]
    for words, triggers in (("bad cartons pass", bad), ("good cartons do not pass", good)):
        if not triggers:
            continue
        now, then = (_wrong(checked, triggers, bad, suggested=s) for s in (False, True))
        lines.append(
            f"  {words}: {len(now)} of {len(triggers)} by the recipe's limits, {len(then)} of "
            f"{len(triggers)} by the suggested ones"
        )
        lines += [
            f"    {trigger:06d} {truth.get(trigger, '')}: {which}".replace(" :", ":")
            for trigger in sorted({*now, *then})
            if (which := _which(trigger in now, trigger in then))
        ]
    for suggestion in suggestions:
        now, then = (checked.broken(suggestion.place, bad, suggested=s) for s in (False, True))
        lines.append(f"  {suggestion.place}: {now} bad cartons break it, {then} the suggested one")
    return lines


def _wrong(
    checked: Checked, triggers: Sequence[int], bad: Sequence[int], *, suggested: bool
) -> list[int]:
    passed = checked.passed(triggers, suggested=suggested)
    return passed if triggers is bad else [t for t in triggers if t not in passed]


def _which(now: bool, then: bool) -> str:
    if now and then:
        return "by both"
    return "by the recipe's limits only" if now else "by the suggested ones only"
