"""Findings in words: what was measured, and what it had to be."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from engine.result import Finding, Value


def measured_text(measured: Value, unit: str = "") -> str:
    """Give a measured value with its unit, to four significant digits.

    Examples
    --------
    >>> measured_text(3.14159, "mm"), measured_text(0.81234, "fraction"), measured_text(None)
    ('3.142 mm', '0.8123', 'not measured')
    """
    if measured is None:
        return "not measured"
    if isinstance(measured, bool):
        return "yes" if measured else "no"
    if isinstance(measured, (int, float)):
        return f"{number_text(measured)}{unit_text(unit)}"
    return measured.isoformat() if isinstance(measured, date) else f"{measured}{unit_text(unit)}"


def number_text(number: float) -> str:
    """Give a number to four significant digits; whole numbers whole.

    Examples
    --------
    >>> number_text(41207), number_text(1.0), number_text(-0.000123456)
    ('41207', '1', '-0.0001235')
    """
    if isinstance(number, int):
        digits = str(abs(number))
        if len(digits) <= 15:
            return str(number)
        return f"{'-' * (number < 0)}{digits[0]}.{digits[1:4]}e+{len(digits) - 1}"
    if abs(number) < 10**6 and number == int(number):
        return str(int(number))
    return f"{number:.4g}"


def unit_text(unit: str) -> str:
    """Give a unit as it follows a number; shares and counts have none to show."""
    return f" {unit}" if unit and unit not in ("fraction", "count") else ""


def limit_text(limit: Mapping[str, Any]) -> str:
    """Give a limit as people read it.

    Examples
    --------
    >>> limit_text({"max": 1.0}), limit_text({"min": 0.8, "max": 1})
    ('at most 1', '0.8 to 1')
    >>> limit_text({"one_of": ["a", "b"]})
    'one of a, b'
    """
    rest = dict(limit)
    parts: list[str] = []
    if rest.keys() >= {"min", "max"}:
        parts.append(f"{_bound(rest.pop('min'))} to {_bound(rest.pop('max'))}")
    words = {"min": "at least", "max": "at most", "equals": "equal to", "one_of": "one of"}
    for name, bound in rest.items():
        parts.append(f"{words.get(name, name.replace('_', ' '))} {_bound(bound)}")
    return ", ".join(parts) or "-"


def broken_text(finding: Finding) -> str:
    """Give a broken finding in short: value, what it was, what it had to be.

    Examples
    --------
    >>> broken_text(
    ...     Finding("top", "flap", "gap_mm", 3.1, "mm", {"max": 1.0}, False, -2.1, "flap open")
    ... )
    'gap_mm 3.1 mm (at most 1)'
    """
    measured = measured_text(finding.measured, finding.unit)
    return f"{finding.value} {measured} ({limit_text(finding.limit)})"


def margin_text(margin: float | None) -> str:
    """Give a margin with its sign; nothing for text values."""
    if margin is None:
        return "-"
    text = number_text(margin)
    return text if text.startswith("-") or text == "0" else f"+{text}"


def _bound(bound: Any) -> str:
    if isinstance(bound, (list, tuple)):
        return ", ".join(map(_bound, bound)) or "nothing"
    if isinstance(bound, Mapping):
        return limit_text(bound)
    if isinstance(bound, (bool, int, float, str, date)):
        return measured_text(bound)
    return str(bound)
