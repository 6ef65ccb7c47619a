"""Patterns that a text must fit: RE2, so that no pattern takes more than linear time."""

from __future__ import annotations

from functools import cache
from typing import Any

import re2 as _re2  # pyright: ignore[reportMissingTypeStubs]

re2: Any = _re2  # it comes without types


class BadPattern(ValueError):  # noqa: N818 - reads as a sentence
    """A pattern cannot be used; the text says why."""


def full_match(pattern: str, text: str) -> bool:
    """Say whether a whole text fits a pattern.

    Parameters
    ----------
    pattern : str
        In RE2 syntax; one that `check_pattern` accepts.
    text : str
        The text.

    Examples
    --------
    >>> full_match("K[0-9]{4}", "K4471"), full_match("K[0-9]{4}", "K44710")
    (True, False)
    """
    try:
        return _compiled(pattern).fullmatch(text) is not None
    except UnicodeError:  # half a surrogate pair is no character, so it fits nothing
        return False


def check_pattern(pattern: str) -> None:
    """Refuse a pattern that cannot be used.

    Raises
    ------
    BadPattern
        With the reason.

    Examples
    --------
    >>> check_pattern("[0-9")
    Traceback (most recent call last):
    engine.graph.patterns.BadPattern: missing ]: [0-9
    """
    try:
        _compiled(pattern)
    except re2.error as error:
        reason: Any = error.args[0] if error.args else "no reason given"
        text = reason.decode(errors="replace") if isinstance(reason, bytes) else str(reason)
        raise BadPattern(text) from None
    except UnicodeError:
        message = "it holds half a surrogate pair"
        raise BadPattern(message) from None


@cache
def _compiled(pattern: str) -> Any:
    options = re2.Options()
    options.log_errors = False
    return re2.compile(pattern, options)
