"""Limits of a drafted step as lines of YAML, each with its reason as a comment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from engine.draft.draft import Draft


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit."""

    value: str
    reject_as: str
    words: Sequence[str] = ()
    """Defect words it may catch, where the set's truth knows them."""
    bound: str = ""
    """As YAML, `max: 1.2`; empty: what good cartons suggest, or nothing."""
    note: str = ""
    causes: Sequence[str] = ()
    may_be_missing: bool = False


def limit_lines(draft: Draft, place: str, limits: Sequence[Limit]) -> list[str]:
    """Write the limits of a step; one without a sound bound becomes a comment.

    Parameters
    ----------
    draft : Draft
        What good cartons suggest, and the defect words of the set's truth.
    place : str
        The step, as `camera.step`.
    limits : sequence of Limit
        Its limits.
    """
    written: list[str] = []
    ideas: list[str] = []
    for limit in limits:
        bound, note, sound = limit.bound, limit.note, True
        if not bound:
            suggested = draft.bounds.get(f"{place}.{limit.value}")
            if suggested is None:
                continue
            bound, note, sound = (
                suggested.text,
                f"good cartons: {suggested.reason}",
                suggested.sound,
            )
        if sound:
            written += _lines(draft, place, limit, bound, note)
        else:
            reason = f"reject_as: {_plain(limit.reject_as)}"
            ideas += [f"        # CHECK: {note}",
                      f"        #   {limit.value}: {{{bound}, {reason}}}"]  # fmt: skip
    head = ["        limits:"] if written else []
    return [*head, *written, *ideas]


def _lines(draft: Draft, place: str, limit: Limit, bound: str, note: str) -> list[str]:
    lines = [f"          {limit.value}:"]
    first, *others = bound.split(", ") if not bound.startswith("equals:") else [bound]
    lines.append(f"            {first}" + (f"     # {note}" if note else ""))
    lines += [f"            {other}" for other in others]
    lines.append(f"            reject_as: {_plain(limit.reject_as)}")
    if limit.may_be_missing:
        lines.append("            may_be_missing: true     # then `state` says so")
    known = [word for word in limit.words if word in draft.words]
    lines += [f"            catches: [{', '.join(known)}]"] if known else []
    causes = [cause for cause in limit.causes if cause != place]
    lines += [f"            explained_by: [{', '.join(causes)}]"] if causes else []
    return lines


def _plain(words: str) -> str:
    """Quote words that YAML would take apart."""
    return f'"{words}"' if ":" in words else words
