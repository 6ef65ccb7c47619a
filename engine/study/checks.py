"""Checks of what a statistic is given; each says what is allowed."""

from __future__ import annotations

import math
import operator
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray


def whole(value: Any, name: str, least: int = 0) -> int:
    """Give a count, or say what it must be."""
    try:
        count = operator.index(value)
    except TypeError:
        if not isinstance(value, float) or not value.is_integer():
            message = f"{name} is a count, a whole number; got {value!r}"
            raise ValueError(message) from None
        count = int(value)
    if count < least:
        message = f"{name} must be at least {least}; got {count}"
        raise ValueError(message)
    return count


def between_0_and_1(value: Any, name: str) -> float:
    """Give a share that is neither 0 nor 1, or say so."""
    if not 0 < value < 1:
        message = f"{name} must lie between 0 and 1, both excluded; got {value!r}"
        raise ValueError(message)
    return float(value)


def finite(value: Any, name: str) -> float:
    """Give a number that is no nan and not infinite, or say so."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        message = f"{name} must be a finite number; got {value!r}"
        raise ValueError(message)
    return number


def positive(value: Any, name: str) -> float:
    """Give a finite number above 0, or say so."""
    number = finite(value, name)
    if number <= 0:
        message = f"{name} must be above 0; got {value!r}"
        raise ValueError(message)
    return number


def numbers(values: Iterable[Any], name: str, least: int = 1) -> NDArray[np.float64]:
    """Give a row of finite numbers as float64, or say what is wrong with it."""
    try:
        row = np.array(_listed(values), dtype=np.float64)
    except (TypeError, ValueError):
        message = f"{name} must be numbers; it holds something else"
        raise ValueError(message) from None
    if row.ndim != 1:
        message = f"{name} must be one row of numbers; got {row.ndim} dimensions"
        raise ValueError(message)
    if len(row) < least:
        message = f"{name} needs at least {least} numbers; got {len(row)}"
        raise ValueError(message)
    if not np.isfinite(row).all():
        at = int(np.flatnonzero(~np.isfinite(row))[0])
        message = f"{name} must be finite numbers; number {at} is {row[at]}"
        raise ValueError(message)
    return row


def table_of_counts(
    table: Sequence[Sequence[Any]] | NDArray[Any], name: str
) -> NDArray[np.float64]:
    """Give a table of counts as float64, or say what is wrong with it."""
    try:
        found = np.array(table, dtype=np.float64)
    except (TypeError, ValueError):
        message = f"{name} must be a table of counts with rows of equal length"
        raise ValueError(message) from None
    if found.ndim != 2 or 0 in found.shape:
        message = f"{name} must be a table of counts with rows and columns; got {found.shape}"
        raise ValueError(message)
    if not np.isfinite(found).all() or (found < 0).any() or (found != np.round(found)).any():
        message = f"{name} must hold counts: whole numbers from 0 on"
        raise ValueError(message)
    return found


def frozen(array: NDArray[Any]) -> NDArray[Any]:
    """Make an array read-only, as a result that nobody changes behind another's back."""
    array.flags.writeable = False
    return array


def _listed(values: Any) -> Any:
    return values if isinstance(values, np.ndarray) else list(values)
