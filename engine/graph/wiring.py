"""The order in which steps can run, from what places what."""

from __future__ import annotations

from collections.abc import Mapping, Set

from engine.graph.draft import Draft
from engine.graph.mistakes import Mistakes
from engine.problems import listed, nearest, quoted


def wired(drafts: Mapping[str, Draft], mistakes: Mistakes) -> list[Draft]:
    """Put the steps of one camera in running order; mistakes of wiring are kept.

    Parameters
    ----------
    drafts : mapping
        The steps by name.
    mistakes : Mistakes
        Where unknown names, steps that find no pose, and circles are kept.
    """
    needs: dict[str, set[str]] = {name: set() for name in drafts}
    for draft in drafts.values():
        placing = draft.spec.placed_by
        if placing is not None and _placing_is_right(draft, placing, drafts, mistakes):
            needs[draft.name].add(placing)
        for i, left in enumerate(draft.spec.leave_out):
            if isinstance(left, str) and _left_is_right(draft, left, i, drafts, mistakes):
                other = drafts[left].spec.placed_by
                if other is not None and other in drafts:
                    needs[draft.name].add(other)
    names, waiting = running_order(needs)
    if waiting:
        circle = circle_in(needs, waiting)
        what = f"These steps wait for each other in a circle: {' > '.join(circle)}."
        mistakes.add((*drafts[circle[0]].path, "placed_by"), "cycle", what)
    return [drafts[name] for name in names]


def running_order(needs: Mapping[str, Set[str]]) -> tuple[list[str], list[str]]:
    """Put steps in an order in which each comes after those it needs.

    Parameters
    ----------
    needs : mapping
        For each step the steps that must have run before it.

    Returns
    -------
    tuple
        The order, and the steps that stand in a circle or wait for one (empty where all is well).
        Steps that could run at any place keep the order in which they are given.

    Examples
    --------
    >>> running_order({"print": {"label"}, "label": {"panel"}, "panel": set()})
    (['panel', 'label', 'print'], [])
    >>> running_order({"a": {"b"}, "b": {"a"}})
    ([], ['a', 'b'])
    """
    order: list[str] = []
    waiting = list(needs)
    done: set[str] = set()
    while waiting:
        ready = [name for name in waiting if needs[name] <= done]
        if not ready:
            return order, waiting
        order += ready
        done.update(ready)
        waiting = [name for name in waiting if name not in done]
    return order, []


def circle_in(needs: Mapping[str, Set[str]], waiting: list[str]) -> list[str]:
    """Give one circle among steps that cannot run, the first step again at its end.

    Examples
    --------
    >>> circle_in({"c": {"a"}, "a": {"b"}, "b": {"a"}}, ["c", "a", "b"])
    ['a', 'b', 'a']
    """
    way = [waiting[0]]
    while True:
        following = next(name for name in waiting if name in needs[way[-1]])
        if following in way:
            return [*way[way.index(following) :], following]
        way.append(following)


def _placing_is_right(
    draft: Draft, placing: str, drafts: Mapping[str, Draft], mistakes: Mistakes
) -> bool:
    path = (*draft.path, "placed_by")
    if placing not in drafts:
        if not mistakes.in_file((*draft.path[:-1], placing)):
            what = f"This camera has no step {quoted(placing)}.{nearest(placing, drafts)}"
            mistakes.add(path, "unknown-step", what + f"\nIts steps: {listed(drafts)}.")
        return False
    step = drafts[placing].step
    if step is not None and step.pose_name is None:
        finders = [n for n, d in drafts.items() if d.step is not None and d.step.pose_name]
        what = f"`{placing}` ({step.name}) finds no pose, so it can place nothing."
        what += f"\nSteps here that find one: {listed(finders)}." if finders else ""
        mistakes.add(path, "no-pose", what)
        return False
    return True


def _left_is_right(
    draft: Draft, left: str, i: int, drafts: Mapping[str, Draft], mistakes: Mistakes
) -> bool:
    path = (*draft.path, "leave_out", i)
    if left == draft.name or left not in drafts:
        if left == draft.name or not mistakes.in_file((*draft.path[:-1], left)):
            others = [name for name in drafts if name != draft.name]
            what = f"This camera has no other step {quoted(left)}.{nearest(left, others)}"
            mistakes.add(path, "unknown-step", what)
        return False
    spec = drafts[left].spec
    if spec.placed_by is None or spec.region_mm is None:
        if not mistakes.in_file((*drafts[left].path, "region_mm")):
            what = f"`{left}` has no `region_mm` that is placed, so it cannot be left out."
            mistakes.add(path, "no-region", what)
        return False
    if spec.placed_by == draft.name:
        what = f"`{left}` is placed by this very step, so it cannot be left out here."
        mistakes.add(path, "no-region", what)
        return False
    return True
