"""New limits and rules on recorded values, without an image: which verdicts change, and by what.

All cartons are judged at once, as columns, for the verdict and for what broke; one carton at a
time (`rejudge_row`) for everything that is told of it.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.graph.plan import DaysFromToday, Plan
from engine.replay.columns import Columns
from engine.replay.recorded import Recorded
from engine.replay.rejudge_columns import (
    Flags,
    State,
    States,
    any_of,
    broken_places,
    judged_values,
    read_states,
    steps_of,
)

WORDS = ("pass", "reject", "fault")


@dataclass(frozen=True, slots=True)
class Group:
    """Cartons that changed in the same way."""

    before: str
    after: str
    now_broken: tuple[str, ...]
    """`camera.step.value`, `camera.step` or a fault that was good before."""
    now_good: tuple[str, ...]
    """What was broken and is not any more."""
    positions: NDArray[np.int64]
    """Which cartons, by their place in the results."""

    @property
    def verdict_changed(self) -> bool:
        """Whether the verdict itself is another."""
        return self.before != self.after


@dataclass(frozen=True, slots=True)
class Rejudged:
    """What became of recorded verdicts."""

    cartons: int
    before: Mapping[str, int]
    """How many passed, were rejected, faulted."""
    after: Mapping[str, int]
    groups: tuple[Group, ...]
    """All cartons of which anything changed."""

    @property
    def changed(self) -> int:
        """Give the number of cartons with another verdict."""
        return sum(len(g.positions) for g in self.groups if g.verdict_changed)

    @property
    def otherwise(self) -> int:
        """Give the number of cartons with the same verdict for another reason."""
        return sum(len(g.positions) for g in self.groups if not g.verdict_changed)

    def by_place(self) -> dict[str, tuple[int, int]]:
        """Count, over changed verdicts, where each place newly broke, and where it broke before."""
        broken: Counter[str] = Counter()
        good: Counter[str] = Counter()
        for group in self.groups:
            if group.verdict_changed:
                broken.update(dict.fromkeys(group.now_broken, len(group.positions)))
                good.update(dict.fromkeys(group.now_good, len(group.positions)))
        return {place: (broken[place], good[place]) for place in dict.fromkeys([*broken, *good])}

    def first(self, most: int) -> list[int]:
        """Give the positions of the first cartons with another verdict."""
        changed = [g.positions for g in self.groups if g.verdict_changed]
        return np.sort(np.concatenate(changed))[:most].tolist() if changed else []


def days_counted(plan: Plan) -> list[str]:
    """Name the limits that count from the day of the trigger, which results do not hold."""
    return [
        f"{limit.camera}.{limit.step}.{limit.value}"
        for step in steps_of(plan)
        for limit in step.limits
        if any(isinstance(bound, DaysFromToday) for bound in (limit.minimum, limit.maximum))
    ]


def not_recorded(plan: Plan, recorded: Recorded) -> list[tuple[str, str, str]]:
    """Name (camera, step, value) that the plan judges and no carton holds; value "" = no such step.

    Steps of cameras that only ever faulted are not named: nothing is known of them.
    """
    states = read_states(plan, recorded)
    found: list[tuple[str, str, str]] = []
    for step in steps_of(plan):
        state = states[step.camera, step.name]
        if not (state == State.MEASURED).any():
            if (state == State.SILENT).any():
                found.append((step.camera, step.name, ""))
            continue
        columns = {**recorded.columns.numbers, **recorded.columns.words}
        for value in judged_values(plan, step):
            column = columns.get(f"{step.camera}.{step.name}.{value}")
            if column is not None and not column.there.any():
                found.append((step.camera, step.name, value))
    return found


def rejudge(plan: Plan, recorded: Recorded, today: date | None = None) -> Rejudged:
    """Judge all recorded cartons anew.

    Parameters
    ----------
    plan : Plan
        The recipe with the new limits; it need not be prepared.
    recorded : Recorded
        The cartons, read with what `needed` names.
    today : date, optional
        Day of the triggers, for limits that count from it.

    Notes
    -----
    Faults and steps that did not measure stay as recorded. Verdicts equal those of
    `run.verdict.decide` on the same values; numbers were kept to nine digits (see `rejudge_row`).
    """
    columns = recorded.columns
    count = len(columns.triggers)
    states = read_states(plan, recorded)
    broken = broken_places(plan, recorded, states, today)
    unmeasured = any_of((state == State.NOT_MEASURED for state in states.values()), count)
    faults = (State.NO_FRAME, State.BROKE_DOWN, State.SILENT)
    faulted = any_of((state == kind for state in states.values() for kind in faults), count)
    after = np.where(unmeasured | any_of(broken.values(), count), 1, np.where(faulted, 2, 0))
    before = columns.verdicts.spread([WORDS.index(w.decode()) for w in columns.verdicts.words])
    return Rejudged(
        cartons=count,
        before={word: int((before == i).sum()) for i, word in enumerate(WORDS)},
        after={word: int((after == i).sum()) for i, word in enumerate(WORDS)},
        groups=tuple(_groups(columns, states, broken, before, after)),
    )


def _groups(
    columns: Columns,
    states: States,
    broken: Mapping[str, Flags],
    before: NDArray[np.int64],
    after: NDArray[np.int64],
) -> Iterator[Group]:
    """Sort the cartons that changed by how they did."""
    at = np.flatnonzero((before > 0) | (after > 0))
    told = (before, after, columns.broken.codes, columns.faults.codes, columns.missing.codes)
    keys = np.stack([c[at] for c in (*told, *states.values(), *broken.values())], axis=1)
    kinds = _kinds(keys)
    _, firsts, which = np.unique(kinds, return_index=True, return_inverse=True)
    for i, key in enumerate(keys[firsts].astype(int).tolist()):
        flags = key[len(told) + len(states) :]
        now = {place for place, flag in zip(broken, flags, strict=True) if flag}
        now |= _wrong_now(states, key[len(told) :], json.loads(columns.faults.words[key[3]]))
        old = _wrong_before(columns, *key[2:5])
        if key[0] != key[1] or old != now:
            yield Group(
                before=WORDS[key[0]],
                after=WORDS[key[1]],
                now_broken=tuple(sorted(now - old)),
                now_good=tuple(sorted(old - now)),
                positions=at[which == i],
            )


def _kinds(keys: NDArray[Any]) -> NDArray[np.int64]:
    """Give the rows of a table numbers, equal rows the same."""
    number = np.zeros(len(keys), np.int64)
    for column in keys.T:
        _, number = np.unique(
            number * (int(column.max(initial=0)) + 2) + column, return_inverse=True
        )
    return number


def _wrong_before(columns: Columns, broken: int, faults: int, missing: int) -> set[str]:
    """Name what was wrong with a carton as it was recorded."""
    places = {place.decode() for place in columns.broken.words[broken].split(b"\n") if place}
    why: dict[str, str] = json.loads(columns.missing.words[missing])
    waiting = {
        place for place, text in why.items()
        if text.startswith("waits for ") and not text.removeprefix("waits for ").count(" ")
    }  # fmt: skip
    return places | set(json.loads(columns.faults.words[faults])) | (set(why) - waiting)


def _wrong_now(states: States, codes: Sequence[int], faults: Sequence[str]) -> set[str]:
    """Name what is wrong with a carton now, limits and rules aside."""
    wrong: set[str] = set()
    for (camera, step), code in zip(states, codes, strict=False):
        place = f"{camera}.{step}"
        if code == State.NOT_MEASURED:
            wrong.add(place)
        elif code == State.SILENT:
            wrong.add(f"{place}: not run")
        elif code == State.NO_FRAME:
            wrong |= {text for text in faults if text.startswith(f"{camera}: ")}
        elif code == State.BROKE_DOWN:
            wrong |= {text for text in faults if text.startswith((f"{place} raised ", f"{place}:"))}
    return wrong
