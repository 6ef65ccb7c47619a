"""Limits of a recipe with their types: every bound in the value's own type, or a problem."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any, TypeAlias

import re2

from engine.graph.plan import Bound, DaysFromToday, PlannedLimit, words_of
from engine.graph.registry import Kind, Step
from engine.problems import Problem, listed, nearest
from engine.recipe.model import Limit
from engine.yamlfile import Document, Path_

OrderTypes: TypeAlias = Mapping[str, str]

KIND_WORDS: dict[str, str] = {
    "number": "a number",
    "whole": "a whole number",
    "truth": "`true` or `false`",
    "text": "a text",
    "date": "a date",
}
_ORDER_KINDS = {"text": "text", "date": "date", "whole_number": "whole", "number": "number"}
_SIZES = {"mm", "mm2", "mm/px"}


class LimitPlanner:
    """Types the limits of one step; problems gather in `problems`."""

    def __init__(
        self,
        document: Document,
        order_types: OrderTypes,
        order: Mapping[str, Any] | None,
        problems: list[Problem],
    ) -> None:
        self.document = document
        self.order_types = order_types
        self.order = order
        self.problems = problems

    def plan(
        self, camera: str, name: str, step: Step, limits: Mapping[str, Limit], path: Path_
    ) -> tuple[PlannedLimit, ...]:
        """Type all limits of one step."""
        planned: list[PlannedLimit] = []
        for value, limit in limits.items():
            here = (*path, value)
            info = step.values.get(value)
            if info is None:
                self._unknown(step, value, here)
                continue
            bounds = {
                key: self._bound(getattr(limit, key), info.kind, (*here, key))
                for key in ("min", "max", "equals")
                if getattr(limit, key) is not None and self._fits(key, info.kind, here)
            }
            planned.append(
                PlannedLimit(
                    camera=camera,
                    step=name,
                    value=value,
                    kind=info.kind,
                    unit=info.unit,
                    reason=limit.reject_as or f"{words_of(name)}: {words_of(value)}",
                    minimum=bounds.get("min"),
                    maximum=bounds.get("max"),
                    equals=bounds.get("equals"),
                    one_of=self._one_of(limit, info.kind, here),
                    matches=self._matches(limit, info.kind, here),
                    catches=tuple(limit.catches),
                    explained_by=as_names(limit.explained_by),
                    may_be_missing=limit.may_be_missing,
                )
            )
            self._order_of_bounds(bounds, here)
        return tuple(planned)

    def needs_scale(self, step: Step, limits: Mapping[str, Limit], path: Path_) -> None:
        """Say which limits are in mm on a step whose scale nobody gives."""
        for value in limits:
            info = step.values.get(value)
            if info is not None and info.unit in _SIZES:
                what = (
                    f"`{value}` is in {info.unit}, but nothing gives this step a scale. Place it "
                    "by a step that finds a reference, or give `mm_per_px`."
                )
                self._add((*path, value), "no-scale", what)

    def _unknown(self, step: Step, value: str, path: Path_) -> None:
        what = f"`{step.name}` measures no `{value}`.{nearest(value, step.values)}"
        what += f"\nIt measures: {listed(step.values)}."
        self._add(path, "unknown-value", what, at_key=True)

    def _fits(self, key: str, kind: Kind, path: Path_) -> bool:
        if key == "equals" or kind in ("number", "whole", "date"):
            return True
        what = f"The value is {KIND_WORDS[kind]}; `{key}` needs a number or a date."
        self._add((*path, key), "limit-type", what, at_key=True)
        return False

    def _one_of(self, limit: Limit, kind: Kind, path: Path_) -> tuple[Bound, ...] | None:
        if limit.one_of is None:
            return None
        items = enumerate(limit.one_of)
        return tuple(self._bound(item, kind, (*path, "one_of", i)) for i, item in items)

    def _matches(self, limit: Limit, kind: Kind, path: Path_) -> str | None:
        if limit.matches is None:
            return None
        if kind != "text":
            what = f"The value is {KIND_WORDS[kind]}; `matches` needs a text."
            self._add((*path, "matches"), "limit-type", what, at_key=True)
            return None
        options = re2.Options()
        options.log_errors = False
        try:
            re2.compile(limit.matches, options)
        except re2.error as error:
            reason = error.args[0].decode() if isinstance(error.args[0], bytes) else error
            self._add((*path, "matches"), "pattern", f"This pattern cannot be used: {reason}.")
            return None
        return limit.matches

    def _bound(self, raw: Any, kind: Kind, path: Path_) -> Bound:
        if isinstance(raw, dict):
            return self._mapped(raw, kind, path)
        if kind == "text" and not isinstance(raw, list):
            return raw if isinstance(raw, str) else self.document.sources.get(path, str(raw))
        if kind == "truth" and isinstance(raw, bool):
            return raw
        number = isinstance(raw, (int, float)) and not isinstance(raw, bool)
        if number and kind == "number" and math.isfinite(raw):
            return float(raw)
        if isinstance(raw, int) and number and kind == "whole":
            return raw
        if kind == "date" and isinstance(raw, str):
            try:
                return date.fromisoformat(raw)
            except ValueError:
                pass
        wanted = KIND_WORDS[kind] + (" as 2027-03-14" if kind == "date" else "")
        self._add(path, "limit-type", f"The value is {KIND_WORDS[kind]}; {wanted} is needed here.")
        return None

    def _mapped(self, raw: dict[str, Any], kind: Kind, path: Path_) -> Bound:
        if set(raw) == {"order"}:
            return self._from_order(raw["order"], kind, (*path, "order"))
        days = raw.get("days_from_today")
        if set(raw) == {"days_from_today"} and isinstance(days, int) and abs(days) <= 40_000:
            if kind == "date":
                return DaysFromToday(days)
            what = f"The value is {KIND_WORDS[kind]}; `days_from_today` needs a date."
            self._add(path, "limit-type", what)
            return None
        what = "Allowed here: a plain value, `{order: field}` or `{days_from_today: number}`."
        self._add(path, "limit-type", what)
        return None

    def _from_order(self, field: Any, kind: Kind, path: Path_) -> Bound:
        declared = self.order_types.get(field) if isinstance(field, str) else None
        if declared is None:
            what = f"The recipe declares no order field `{field}`."
            what += nearest(str(field), self.order_types)
            if self.order_types:
                what += f"\nDeclared: {listed(self.order_types)}."
            self._add(path, "unknown-order-field", what)
            return None
        have = _ORDER_KINDS[declared]
        if have != kind and not (have == "whole" and kind == "number"):
            what = f"The value is {KIND_WORDS[kind]}; the order field `{field}` is "
            self._add(path, "limit-type", what + f"{KIND_WORDS[have]}.")
            return None
        return None if self.order is None else self.order[field]

    def _order_of_bounds(self, bounds: Mapping[str, Bound], path: Path_) -> None:
        low, high = bounds.get("min"), bounds.get("max")
        both = (int, float) if isinstance(low, (int, float)) else date
        if isinstance(low, both) and isinstance(high, both) and low > high:  # type: ignore[operator]
            self._add((*path, "min"), "limit-empty", f"`min` {low} is above `max` {high}.")

    def _add(self, path: Path_, code: str, what: str, *, at_key: bool = False) -> None:
        self.problems.append(self.document.problem(path, code, what, at_key=at_key))


def as_names(names: str | list[str]) -> tuple[str, ...]:
    """Give one name or several as a tuple."""
    return (names,) if isinstance(names, str) else tuple(names)
