"""Known cartons against suggested limits: they check, and never have a say in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from engine.graph.plan import Plan, PlannedLimit
from engine.result import CameraResult, CartonVerdict
from engine.run.verdict import decide
from engine.teach.suggest import Suggestion


@dataclass(frozen=True, slots=True)
class Checked:
    """How known cartons fare with the recipe's limits, and with the suggested ones."""

    before: Mapping[int, CartonVerdict]
    after: Mapping[int, CartonVerdict]

    def passed(self, triggers: Sequence[int], *, suggested: bool) -> list[int]:
        """Give those of the cartons that pass."""
        verdicts = self.after if suggested else self.before
        return [t for t in triggers if verdicts[t].verdict == "pass"]

    def broken(self, place: str, triggers: Sequence[int], *, suggested: bool) -> int:
        """Count those of the cartons that break the limit on a value."""
        verdicts = self.after if suggested else self.before
        return sum(
            any(
                not f.good and f"{f.camera}.{f.step}.{f.value}" == place
                for f in verdicts[t].findings
            )
            for t in triggers
        )


def with_limits(plan: Plan, suggestions: Sequence[Suggestion]) -> Plan:
    """Give a plan with suggested bounds in the place of its own.

    Parameters
    ----------
    plan : Plan
        The recipe.
    suggestions : sequence of Suggestion
        Bounds that are None leave the plan's own.
    """
    by_place = {suggestion.place: suggestion for suggestion in suggestions}

    def moved(limit: PlannedLimit) -> PlannedLimit:
        suggestion = by_place.get(f"{limit.camera}.{limit.step}.{limit.value}")
        if suggestion is None:
            return limit
        return replace(
            limit,
            minimum=limit.minimum if suggestion.low is None else suggestion.low,
            maximum=limit.maximum if suggestion.high is None else suggestion.high,
        )

    cameras = {
        name: replace(
            camera,
            steps=tuple(
                replace(step, limits=tuple(moved(limit) for limit in step.limits))
                for step in camera.steps
            ),
        )
        for name, camera in plan.cameras.items()
    }
    return replace(plan, cameras=cameras)


def check_known(
    plan: Plan,
    results: Mapping[int, tuple[CameraResult, ...]],
    suggestions: Sequence[Suggestion],
    days: Mapping[int, date | None],
) -> Checked:
    """Judge known cartons by the recipe's limits and by suggested ones.

    Parameters
    ----------
    plan : Plan
        The recipe.
    results : mapping
        What steps said of the cartons, by trigger.
    suggestions : sequence of Suggestion
        Suggested limits.
    days : mapping
        The day of each trigger, where it is known.
    """
    other = with_limits(plan, suggestions)
    return Checked(
        {t: decide(plan, t, said, today=days.get(t)) for t, said in results.items()},
        {t: decide(other, t, said, today=days.get(t)) for t, said in results.items()},
    )
