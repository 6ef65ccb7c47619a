"""What values of good cartons suggest as limits."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from engine.graph.plan import Plan, PlannedLimit
from engine.result import Value

SPREADS = 7.0
"""Suggested limits lie this many standard deviations from the mean of good cartons."""


@dataclass(frozen=True, slots=True)
class Spread:
    """The values of one quantity over good cartons."""

    place: str
    """`camera.step.value`."""
    unit: str
    numbers: tuple[float, ...]
    others: tuple[str, ...]
    """Different values of a text, date or truth value."""
    missing: int
    """Cartons on which it was not measured."""
    limit: PlannedLimit | None

    @property
    def mean(self) -> float:
        """Give the mean."""
        return statistics.fmean(self.numbers) if self.numbers else math.nan

    @property
    def sd(self) -> float:
        """Give the standard deviation of the sample, n - 1."""
        return statistics.stdev(self.numbers) if len(self.numbers) > 1 else math.nan

    @property
    def low(self) -> float:
        """Give the lower suggestion: mean less `SPREADS` standard deviations."""
        return self.mean - SPREADS * self.sd

    @property
    def high(self) -> float:
        """Give the upper suggestion: mean and `SPREADS` standard deviations."""
        return self.mean + SPREADS * self.sd


def spreads(
    plan: Plan, rows: Sequence[Mapping[tuple[str, str], Mapping[str, Value] | None]]
) -> list[Spread]:
    """Gather each value over good cartons.

    Parameters
    ----------
    plan : Plan
        The recipe.
    rows : sequence of mapping
        For each carton, by (camera, step), the values or None where it was not measured.
    """
    found: list[Spread] = []
    for camera in plan.cameras.values():
        for planned in camera.steps:
            said = [row.get((planned.camera, planned.name)) for row in rows]
            limits = {limit.value: limit for limit in planned.limits}
            for name, info in planned.step.values.items():
                values = [None if s is None else s.get(name) for s in said]
                found.append(
                    Spread(
                        place=f"{planned.camera}.{planned.name}.{name}",
                        unit=info.unit,
                        numbers=tuple(
                            float(v)
                            for v in values
                            if isinstance(v, (int, float)) and not isinstance(v, bool)
                        ),
                        others=tuple(
                            dict.fromkeys(
                                str(v)
                                for v in values
                                if v is not None
                                and (isinstance(v, bool) or not isinstance(v, (int, float)))
                            )
                        ),
                        missing=sum(v is None for v in values),
                        limit=limits.get(name),
                    )
                )
    return found
