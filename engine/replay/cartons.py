"""Which cartons of a set: `1-20,41,90-`."""

from __future__ import annotations

from collections.abc import Iterable

from engine.problems import Problem, ProblemsFound


def chosen(text: str | None, there: Iterable[int], where: str = "--cartons") -> list[int]:
    """Give the triggers that a text names, of those that are there, rising.

    Parameters
    ----------
    text : str or None
        Numbers and ranges with commas between; None = all.
    there : iterable of int
        Triggers of the set.

    Raises
    ------
    ProblemsFound
        When the text is of another form, or names no carton that is there.

    Examples
    --------
    >>> chosen("1-3,7,9-", [1, 2, 3, 4, 7, 8, 9, 10])
    [1, 2, 3, 7, 9, 10]
    """
    known = sorted(there)
    if text is None:
        return known
    named: set[int] = set()
    for part in text.split(","):
        low, dash, high = part.strip().partition("-")
        try:
            first = int(low)
            last = int(high) if high else (known[-1] if dash and known else first)
        except ValueError:
            what = f"`{part}` names no cartons. Allowed: numbers and ranges, as 1-20,41,90-."
            raise ProblemsFound([Problem(where, 0, 0, "", "cartons", what)]) from None
        named.update(t for t in known if first <= t <= last)
    if not named:
        what = f"The set holds none of these cartons; it holds {known[0]} to {known[-1]}."
        raise ProblemsFound([Problem(where, 0, 0, "", "cartons", what)])
    return sorted(named)
