"""Which limits a user asks for, and what good cartons suggest for them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from engine.graph.plan import Plan
from engine.teach.bounds_edit import Bound, limit_path
from engine.teach.suggest import Spread, Suggestion, suggest

ALL_TAUGHT = "all-taught"
"""Stands for all limits of the steps that were taught just now."""


def side_of(name: str) -> tuple[str, tuple[str, ...]]:
    """Give the place that a name of a limit means, and its sides; no side = those that it has."""
    place, _, side = name.rpartition(".")
    return (place, (side,)) if side in ("min", "max") and place.count(".") == 2 else (name, ())


def suggestions_for(
    plan: Plan, found: Sequence[Spread], names: Sequence[str], taught: Collection[str]
) -> list[Suggestion]:
    """Suggest bounds for every limit on a number.

    Parameters
    ----------
    plan : Plan
        The recipe.
    found : sequence of Spread
        The values over good cartons.
    names : sequence of str
        Limits that were asked for by name.
    taught : collection of str
        Each `camera.step` that was taught just now.
    """
    asked = dict(side_of(name) for name in names)
    own = _own_references(plan, taught)
    suggestions: list[Suggestion] = []
    for spread in found:
        limit = spread.limit
        if limit is None:
            continue
        sides = asked.get(spread.place) or tuple(
            side
            for side, bound in (("min", limit.minimum), ("max", limit.maximum))
            if isinstance(bound, (int, float))
        )
        suggestion = suggest(spread, low="min" in sides, high="max" in sides)
        if suggestion is None:
            continue
        step = spread.place.rpartition(".")[0]
        if step in own:
            reason = f"{suggestion.reason}; by a reference that these cartons may have made: "
            reason += f"--step {step} teaches it anew"
            suggestion = replace(suggestion, reason=reason, sound=False)
        suggestions.append(suggestion)
    return suggestions


def _own_references(plan: Plan, taught: Collection[str]) -> set[str]:
    """Name the steps whose reference was there before: it may be of these very cartons."""
    teachable = {
        f"{step.camera}.{step.name}"
        for camera in plan.cameras.values()
        for step in camera.steps
        if step.step.teach is not None
    }
    return teachable - set(taught)


def bounds_to_write(
    suggestions: Sequence[Suggestion], names: Sequence[str], taught: Collection[str]
) -> tuple[list[Bound], list[str]]:
    """Give the bounds to write, and why others that were asked for are not.

    Parameters
    ----------
    suggestions : sequence of Suggestion
        What good cartons suggest.
    names : sequence of str
        Limits that were asked for by name.
    taught : collection of str
        Each `camera.step` that was taught just now.
    """
    places = [side_of(name)[0] for name in names if name != ALL_TAUGHT]
    if ALL_TAUGHT in names:
        places += [s.place for s in suggestions if s.place.rpartition(".")[0] in taught]
    by_place = {suggestion.place: suggestion for suggestion in suggestions}
    bounds: list[Bound] = []
    refused: list[str] = []
    for place in dict.fromkeys(places):
        suggestion = by_place.get(place)
        if suggestion is None:
            refused.append(f"{place}: its values suggest no bounds")
        elif not suggestion.sound:
            refused.append(f"{place}: {suggestion.reason}")
        else:
            path = limit_path(place)
            if suggestion.low is not None:
                bounds.append(Bound(path, "min", suggestion.low))
            if suggestion.high is not None:
                bounds.append(Bound(path, "max", suggestion.high))
    return bounds, refused
