"""The order in which steps can run, from what each needs."""

from __future__ import annotations

from collections.abc import Mapping, Set


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
