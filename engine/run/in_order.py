"""Rules over the cartons of a run, judged in the order in which cartons pass."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TypeAlias

from engine.frame import TriggerSet
from engine.graph.plan import PlannedUnique
from engine.result import CartonVerdict, Finding, Reason, Value, trigger_name

Seen: TypeAlias = Mapping[str, Mapping[str, int]]
"""By `camera.step.value`: which carton had a value (as text) first."""
Pair: TypeAlias = tuple[TriggerSet, CartonVerdict]


def judged_in_order(
    rules: Sequence[PlannedUnique],
    pairs: Iterable[Pair],
    expected: Iterable[int] | None,
    seen: Seen,
) -> Iterator[Pair]:
    """Judge cartons against those before them, in the order in which they pass.

    Parameters
    ----------
    rules : sequence of PlannedUnique
        Values that no two cartons may share.
    pairs : iterable of (TriggerSet, CartonVerdict)
        Verdicts as they are done.
    expected : iterable of int or None
        Triggers in the order in which cartons pass; None = as they are done.
    seen : mapping
        Values of earlier cartons.

    Notes
    -----
    A carton is held back only until those before it are done. A value counts as used by the first
    carton that showed it, whatever that carton's verdict: it left a mark on the market or in the
    reject bin, and the second one is a copy either way.
    """
    register = {_place(rule): dict(seen.get(_place(rule), {})) for rule in rules}
    ordered = pairs if expected is None else _in_order(pairs, expected)
    for frames, verdict in ordered:
        yield frames, _judged(rules, verdict, register)


def _in_order(pairs: Iterable[Pair], expected: Iterable[int]) -> Iterator[Pair]:
    waiting: dict[int, Pair] = {}
    coming = iter(expected)
    following = next(coming, None)
    for pair in pairs:
        waiting[pair[1].trigger] = pair
        while following is not None and following in waiting:
            yield waiting.pop(following)
            following = next(coming, None)
    yield from (waiting[trigger] for trigger in sorted(waiting))


def _place(rule: PlannedUnique) -> str:
    return ".".join(rule.value)


def _judged(
    rules: Sequence[PlannedUnique], verdict: CartonVerdict, register: dict[str, dict[str, int]]
) -> CartonVerdict:
    values = {
        (step.camera, step.step): step.values or {}
        for camera in verdict.results
        for step in camera.steps
    }
    findings: list[Finding] = []
    reasons: list[Reason] = []
    for rule in rules:
        camera, step, name = rule.value
        value = values.get((camera, step), {}).get(name)
        if value is None:
            continue
        first = register[_place(rule)].setdefault(str(value), verdict.trigger)
        why = _why_not(rule, value, first, verdict.trigger)
        findings.append(_finding(rule, value, why))
        if why:
            text = f"{rule.reason.text}: {name} {value} {why}"
            reasons.append(Reason(text, "unique", rule.reason.catches, f"{camera}.{step}"))
    if not findings:
        return verdict
    faults = [reason for reason in verdict.reasons if reason.kind == "fault"]
    others = [reason for reason in verdict.reasons if reason.kind != "fault"]
    return replace(
        verdict,
        verdict="reject" if reasons else verdict.verdict,
        findings=(*verdict.findings, *findings),
        reasons=(*others, *reasons, *faults),
    )


def _why_not(rule: PlannedUnique, value: Value, first: int, trigger: int) -> str:
    if first != trigger:
        return f"was on carton {trigger_name(first)} already"
    if rule.among is not None and str(value) not in rule.among:
        return "is not in the order's list"
    return ""


def _finding(rule: PlannedUnique, value: Value, why: str) -> Finding:
    camera, step, name = rule.value
    return Finding(
        camera=camera,
        step=step,
        value=name,
        measured=value,
        unit="",
        limit={"unique": why or "only once in the run"},
        good=not why,
        margin=None,
        reason=rule.reason.text,
        catches=rule.reason.catches,
    )


def seen_in(rules: Sequence[PlannedUnique], rows: Iterable[Mapping[str, object]]) -> Seen:
    """Gather what recorded cartons of a run had, so that it can go on after a stop.

    Parameters
    ----------
    rules : sequence of PlannedUnique
        The recipe's rules.
    rows : iterable of mapping
        Result rows: `trigger` and `values` by `camera.step.value`.
    """
    seen: dict[str, dict[str, int]] = {_place(rule): {} for rule in rules}
    for row in rows:
        values = row.get("values")
        if not isinstance(values, Mapping):
            continue
        for place, known in seen.items():
            value = values.get(place)  # pyright: ignore[reportUnknownVariableType, reportUnknownMemberType]
            if value is not None:
                known.setdefault(str(value), int(str(row["trigger"])))  # pyright: ignore[reportUnknownArgumentType]
    return seen
