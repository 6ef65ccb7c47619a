"""All recorded cartons held against limits and rules at once; says the same as `run.judge`."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from enum import IntEnum
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from engine.graph.plan import (
    Bound,
    DaysFromToday,
    Plan,
    PlannedAgreement,
    PlannedLimit,
    PlannedStep,
)
from engine.replay.columns import Coded, Columns, Numbers
from engine.replay.recorded import Held, Recorded
from engine.replay.rejudge_row import float_bounds, limit_json, typed, waits
from engine.result import plain
from engine.run.judge import judge

Flags: TypeAlias = NDArray[np.bool_]


class State(IntEnum):
    """What is recorded of a step on a carton."""

    SILENT = 0
    """Nothing: it was not run."""
    MEASURED = 1
    NOT_MEASURED = 2
    WAITED = 3
    """Not run, for want of a pose."""
    BROKE_DOWN = 4
    NO_FRAME = 5


States: TypeAlias = Mapping[tuple[str, str], NDArray[np.int8]]
"""The state of each step, by camera and step, on every carton."""


def steps_of(plan: Plan) -> Iterator[PlannedStep]:
    """Give all steps of a plan."""
    for camera in plan.cameras.values():
        yield from camera.steps


def compared_values(plan: Plan, step: PlannedStep) -> list[str]:
    """Name the values of a step that rules compare with others."""
    here = (step.camera, step.name)
    return [v[2] for rule in plan.agree for v in rule.values if v[:2] == here]


def judged_values(plan: Plan, step: PlannedStep) -> list[str]:
    """Name the values of a step that limits or rules judge."""
    limited = (limit.value for limit in step.limits)
    return list(dict.fromkeys([*limited, *compared_values(plan, step)]))


def column_of(columns: Columns, place: str) -> Numbers | Coded:
    """Give the column of a value."""
    return columns.numbers[place] if place in columns.numbers else columns.words[place]


def any_of(parts: Iterable[Flags], count: int) -> Flags:
    """Say where one of several holds."""
    found = np.zeros(count, bool)
    for part in parts:
        found |= part
    return found


def as_before(limit: PlannedLimit, held: Held) -> bool:
    """Say whether a limit judges as the recorded one did, so that its findings still hold."""
    place = f"{limit.camera}.{limit.step}.{limit.value}"
    moving = any(isinstance(b, DaysFromToday) for b in (limit.minimum, limit.maximum))
    if moving or limit.may_be_missing or place in held.compared:
        return False
    return held.limits.get(place) == limit_json(judge([limit], {}, None)[0].limit)


def needed(plan: Plan, held: Held) -> tuple[list[str], list[str]]:
    """Name the values that judging needs: numbers, and all others.

    Those under a limit as before are not needed: the recorded findings tell. Of a step of which
    nothing is known the first value is named too: it tells whether the step measured.
    """
    numbers: list[str] = []
    others: list[str] = []
    for step in steps_of(plan):
        kept = {limit.value for limit in step.limits if as_before(limit, held)}
        compared = compared_values(plan, step)
        values = [v for v in judged_values(plan, step) if v not in kept or v in compared]
        if not values and f"{step.camera}.{step.name}" not in held.steps:
            values = list(step.step.value_names[:1])
        for value in values:
            number = step.step.values[value].kind in ("number", "whole")
            (numbers if number else others).append(f"{step.camera}.{step.name}.{value}")
    return numbers, others


def read_states(plan: Plan, recorded: Recorded) -> States:
    """Say what is recorded of each step on every carton."""
    columns = recorded.columns
    faults: list[list[str]] = [json.loads(word) for word in columns.faults.words]
    missing: list[dict[str, str]] = [json.loads(word) for word in columns.missing.words]
    found: dict[tuple[str, str], NDArray[np.int8]] = {}
    for step in steps_of(plan):
        place = f"{step.camera}.{step.name}"
        by_fault = columns.faults.spread([_by_faults(step, told) for told in faults])
        by_reason = columns.missing.spread(
            [
                State.SILENT if place not in told
                else State.WAITED if waits(told[place], step.camera, plan)
                else State.NOT_MEASURED
                for told in missing
            ]
        )  # fmt: skip
        names = [f"{place}.{name}" for name in step.step.value_names]
        there = [
            column_of(columns, n).there for n in names if n in (*columns.numbers, *columns.words)
        ]
        known = place in recorded.held.steps or not there
        measured = np.ones(len(by_fault), bool) if known else any_of(there, len(by_fault))
        state = np.where(by_reason > 0, by_reason, np.where(measured, State.MEASURED, 0))
        found[step.camera, step.name] = np.where(by_fault > 0, by_fault, state).astype(np.int8)
    return found


def _by_faults(step: PlannedStep, told: Iterable[str]) -> State:
    place = f"{step.camera}.{step.name}"
    if any(text.startswith(f"{step.camera}: ") for text in told):
        return State.NO_FRAME
    if any(text.startswith(f"{place} raised ") or text == f"{place}: not run" for text in told):
        return State.BROKE_DOWN
    return State.SILENT


def broken_places(
    plan: Plan, recorded: Recorded, states: States, today: date | None
) -> dict[str, Flags]:
    """Say on which cartons each value breaks a limit or a rule, by `camera.step.value`."""
    columns = recorded.columns
    broken: dict[str, Flags] = {}
    for step in steps_of(plan):
        measured = states[step.camera, step.name] == State.MEASURED
        for limit in step.limits:
            place = f"{limit.camera}.{limit.step}.{limit.value}"
            if as_before(limit, recorded.held):
                told = _names(columns.broken, place) | _names(columns.nulls, place)
                broken[place] = measured & told
                continue
            column = column_of(columns, place)
            flags = measured & ~_good(limit, column, today)
            for i in _undecided(limit, column, columns.broken, place):
                if measured[i] and not flags[i]:
                    flags[i] = _broke_before(recorded.rows([i])[0], limit, today)
            broken[place] = flags
    for rule in plan.agree:
        for place, flags in _disagreeing(rule, columns, states):
            broken[place] = broken[place] | flags if place in broken else flags
    return broken


def _good(limit: PlannedLimit, column: Numbers | Coded, today: date | None) -> Flags:
    if isinstance(column, Numbers):
        return _numbers_good(limit, column)
    good = [_word_good(limit, word, today) for word in column.words]
    return column.spread(good, limit.may_be_missing).astype(bool)


def _numbers_good(limit: PlannedLimit, column: Numbers) -> Flags:
    values = column.values
    good = np.ones(len(values), bool)
    if limit.minimum is not None:
        good &= values >= _nine(limit.minimum)
    if limit.maximum is not None:
        good &= values <= _nine(limit.maximum)
    if limit.equals is not None:
        good &= values == _nine(limit.equals)
    if limit.one_of is not None:
        good &= np.isin(values, [_nine(bound) for bound in limit.one_of])
    good[np.isnan(values)] = limit.may_be_missing
    return good


def _nine(bound: Bound) -> Any:
    """Give a bound as results would keep it: to nine digits."""
    return plain(bound) if isinstance(bound, float) else bound


def _word_good(limit: PlannedLimit, word: bytes, today: date | None) -> bool:
    value = typed(json.loads(word), limit.kind)
    return judge([limit], {limit.value: value}, today)[0].good


def _undecided(
    limit: PlannedLimit, column: Numbers | Coded, told: Coded, place: str
) -> Iterable[int]:
    """Find the cartons on which nine digits do not tell, and the recorded finding was broken."""
    if not isinstance(column, Numbers) or not float_bounds(limit):
        return ()
    equal = np.isin(column.values, [_nine(bound) for bound in float_bounds(limit)])
    return np.flatnonzero(_names(told, place) & equal).tolist()


def _names(told: Coded, place: str) -> Flags:
    """Say on which cartons a place is among those that are named."""
    named = [place.encode() in word.split(b"\n") for word in told.words]
    return told.spread(named, absent=False).astype(bool)


def _broke_before(row: Mapping[str, Any], limit: PlannedLimit, today: date | None) -> bool:
    """Say whether a carton's recorded finding broke this very limit."""
    now = limit_json(judge([limit], {}, today)[0].limit)
    return any(
        not f["good"] and f["limit"] == now
        for f in row["findings"]
        if (f["camera"], f["step"], f["value"]) == (limit.camera, limit.step, limit.value)
    )


def _disagreeing(
    rule: PlannedAgreement, columns: Columns, states: States
) -> Iterator[tuple[str, Flags]]:
    """Give, for each value after the first, the cartons on which it is the first to differ."""
    places = [".".join(value) for value in rule.values]
    judged = np.ones(len(columns.triggers), bool)
    for value, place in zip(rule.values, places, strict=True):
        judged &= (states[value[:2]] == State.MEASURED) & column_of(columns, place).there
    first = column_of(columns, places[0])
    for place in places[1:]:
        differs = judged & ~_equal(first, column_of(columns, place), rule.tolerance)
        yield place, differs
        judged = judged & ~differs


def _equal(a: Numbers | Coded, b: Numbers | Coded, tolerance: float) -> Flags:
    if isinstance(a, Numbers) and isinstance(b, Numbers):
        return tolerance - np.abs(a.values - b.values) >= 0
    if isinstance(a, Numbers) or isinstance(b, Numbers):  # compiling refuses such a rule
        return np.zeros(len(a.there), bool)
    known = {word: i for i, word in enumerate(dict.fromkeys((*a.words, *b.words)))}
    ours = a.spread([known[word] for word in a.words], -1)
    theirs = b.spread([known[word] for word in b.words], -1)
    return (ours == theirs) & (ours != known.get(b"null", -1))
