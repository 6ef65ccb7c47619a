"""Limits of a recipe with their types: every bound in the value's own type, or a problem."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, TypeAlias, cast

from engine.graph.mistakes import Mistakes
from engine.graph.order import read_date
from engine.graph.patterns import BadPattern, check_pattern, full_match
from engine.graph.plan import Bound, DaysFromToday, PlannedLimit, words_of
from engine.graph.registry import AsMeasured, Kind, Step, explained
from engine.problems import listed, nearest, quoted, sentence
from engine.recipe.model import Limit
from engine.yamlfile import Path_, core_scalar

OrderTypes: TypeAlias = Mapping[str, str]

KIND_WORDS: Mapping[str, str] = {
    "number": "a number",
    "whole": "a whole number",
    "truth": "`true` or `false`",
    "text": "a text",
    "date": "a date",
    "texts": "a list of texts",
}
_ORDER_KINDS = {
    "text": "text",
    "date": "date",
    "whole_number": "whole",
    "number": "number",
    "texts": "texts",
}
_SIZES = {"mm", "mm2", "mm/px"}
_ORDERED = ("number", "whole", "date")
_MAX_DAYS = 40_000


class LimitPlanner:
    """Types the limits of a recipe."""

    def __init__(
        self, mistakes: Mistakes, order_types: OrderTypes, order: Mapping[str, Any] | None
    ) -> None:
        self.mistakes = mistakes
        self.order_types = order_types
        self.order = order

    def plan(
        self, camera: str, name: str, step: Step, limits: Mapping[str, Limit], path: Path_
    ) -> tuple[PlannedLimit, ...]:
        """Type all limits of one step."""
        planned: list[PlannedLimit] = []
        for value, limit in limits.items():
            if value in step.values:
                planned.append(self._limit(camera, name, step, value, limit, (*path, value)))
            else:
                what = f"`{step.name}` measures no {quoted(value)}.{nearest(value, step.values)}"
                what += f"\nIt measures: {listed(step.values)}.{explained(step)}"
                self.mistakes.add((*path, value), "unknown-value", what, at_key=True)
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
                self.mistakes.add((*path, value), "no-scale", what, at_key=True)

    def _limit(
        self, camera: str, name: str, step: Step, value: str, limit: Limit, path: Path_
    ) -> PlannedLimit:
        info = step.values[value]
        one_of = limit.one_of
        planned = PlannedLimit(
            camera=camera,
            step=name,
            value=value,
            kind=info.kind,
            unit=info.unit,
            reason=limit.reject_as or f"{words_of(name)}: {words_of(value)}",
            minimum=self._end(limit.min, info.kind, (*path, "min")),
            maximum=self._end(limit.max, info.kind, (*path, "max")),
            equals=self._named(limit.equals, info.kind, (*path, "equals")),
            one_of=None
            if one_of is None
            else tuple(
                self._item(v, info.kind, (*path, "one_of", i)) for i, v in enumerate(one_of)
            ),
            matches=self._matches(limit.matches, info.kind, (*path, "matches")),
            catches=tuple(limit.catches),
            explained_by=as_names(limit.explained_by),
            may_be_missing=limit.may_be_missing,
        )
        if step.as_measured is not None and info.kind == "text":
            planned = self._as_measured(planned, step.as_measured, path)
        why = _contradiction(planned)
        if why:
            self.mistakes.add(path, "limit-empty", why, at_key=True)
        return planned

    def _as_measured(self, planned: PlannedLimit, form: AsMeasured, path: Path_) -> PlannedLimit:
        """Write texts as the step gives them, where it has a form of its own for them."""

        def written(bound: Bound, where: Path_) -> Bound:
            if not isinstance(bound, str):
                return bound
            try:
                return form(planned.value, bound)
            except ValueError as error:
                self.mistakes.add(where, "limit-form", sentence(f"{quoted(bound)} {error}"))
                return None

        one_of = planned.one_of
        return replace(
            planned,
            equals=written(planned.equals, (*path, "equals")),
            one_of=None
            if one_of is None
            else tuple(written(bound, (*path, "one_of", i)) for i, bound in enumerate(one_of)),
        )

    def _end(self, raw: Any, kind: Kind, path: Path_) -> Bound:
        """Type `min` or `max`."""
        if raw is None or kind in _ORDERED:
            return None if raw is None else self._bound(raw, kind, path)
        what = f"The value is {KIND_WORDS[kind]}; `{path[-1]}` needs a number or a date."
        if kind == "text":
            what += " For a text use `equals`, `one_of` or `matches`."
        elif kind == "truth":
            what += f" Write `equals: {'true' if path[-1] == 'min' else 'false'}`."
        self.mistakes.add(path, "limit-type", what, at_key=True)
        return None

    def _named(self, raw: Any, kind: Kind, path: Path_) -> Bound:
        """Type `equals` or an item of `one_of`."""
        if raw is None:
            return None
        if isinstance(raw, dict) and "days_from_today" in raw:
            what = "`days_from_today` is for `min` and `max` only; give both for one certain day."
            self.mistakes.add(path, "limit-type", what)
            return None
        return self._bound(raw, kind, path)

    def _item(self, raw: Any, kind: Kind, path: Path_) -> Bound:
        if raw is None:
            what = f"Nothing stands here; {KIND_WORDS[kind]} is needed."
            self.mistakes.add(path, "limit-type", what)
        return self._named(raw, kind, path)

    def _matches(self, pattern: str | None, kind: Kind, path: Path_) -> str | None:
        if pattern is None:
            return None
        if kind != "text":
            what = f"The value is {KIND_WORDS[kind]}; `matches` needs a text."
            self.mistakes.add(path, "limit-type", what, at_key=True)
            return None
        try:
            check_pattern(pattern)
        except BadPattern as error:
            what = sentence(f"this pattern cannot be used: {error}")
            self.mistakes.add(path, "pattern", what)
            return None
        return pattern

    def _bound(self, raw: Any, kind: Kind, path: Path_) -> Bound:
        if isinstance(raw, dict):
            return self._mapped(cast("dict[str, Any]", raw), kind, path)
        if kind == "text" and not isinstance(raw, list):
            sources = self.mistakes.document.sources
            return raw if isinstance(raw, str) else sources.get(path, str(raw))
        if kind == "truth" and isinstance(raw, bool):
            return raw
        if isinstance(raw, (int, float)) and not isinstance(raw, bool):
            if kind == "number" and abs(raw) < math.inf:
                return float(raw)
            if kind == "whole" and isinstance(raw, int):
                return raw
        if kind == "date" and isinstance(raw, str):
            day = read_date(raw)
            if day is not None:
                return day
        wanted = KIND_WORDS[kind] + (" as 2027-03-14" if kind == "date" else "")
        what = f"{_shown(raw)} stands here; {wanted} is needed."
        if isinstance(raw, str) and not isinstance(core_scalar(raw), str):
            what += " Write it without quotes."
        self.mistakes.add(path, "limit-type", what)
        return None

    def _mapped(self, raw: dict[str, Any], kind: Kind, path: Path_) -> Bound:
        if set(raw) == {"order"}:
            return self._from_order(raw["order"], kind, (*path, "order"))
        days = raw.get("days_from_today")
        if set(raw) != {"days_from_today"}:
            what = "Allowed here: a plain value, `{order: field}` or `{days_from_today: number}`."
        elif kind != "date":
            what = f"The value is {KIND_WORDS[kind]}; `days_from_today` needs a date."
        elif isinstance(days, int) and not isinstance(days, bool) and abs(days) <= _MAX_DAYS:
            return DaysFromToday(days)
        else:
            what = f"`days_from_today` takes a whole number, at most {_MAX_DAYS} either way."
        self.mistakes.add(path, "limit-type", what)
        return None

    def _from_order(self, field: Any, kind: Kind, path: Path_) -> Bound:
        declared = self.order_types.get(field) if isinstance(field, str) else None
        if declared is None:
            self._unknown_field(field, kind, path)
            return None
        have = _ORDER_KINDS[declared]
        if have != kind and not (have == "whole" and kind == "number"):
            what = f"The value is {KIND_WORDS[kind]}; the order field `{field}` is "
            self.mistakes.add(path, "limit-type", what + f"{KIND_WORDS[have]}.")
            return None
        return None if self.order is None else self.order[field]

    def _unknown_field(self, field: Any, kind: Kind, path: Path_) -> None:
        if self.mistakes.in_file(("order", str(field))):
            return  # declared, but wrongly; that is said there
        what = f"The recipe declares no order field {quoted(field)}."
        what += nearest(str(field), self.order_types)
        if self.order_types:
            what += f"\nDeclared: {listed(self.order_types)}."
        else:
            word = next((w for w, k in _ORDER_KINDS.items() if k == kind), "text")
            what += f" Declare it at the top: `order: {{{field}: {word}}}`."
        self.mistakes.add(path, "unknown-order-field", what)


def _shown(raw: Any) -> str:
    if isinstance(raw, list):
        return "A list"
    return quoted(str(raw).lower() if isinstance(raw, bool) else raw, 40)


def _contradiction(limit: PlannedLimit) -> str:
    """Say why no value can meet a limit; empty where one can, or where that is not known."""
    low, high = _known(limit.minimum), _known(limit.maximum)
    if low is not None and high is not None and low > high:
        return f"`min` {low} is above `max` {high}: no value can meet both."
    if limit.equals is not None:
        named = [_known(limit.equals)]
        if limit.one_of is not None and None not in limit.one_of:
            named = [value for value in named if value in limit.one_of]
    else:
        named = [_known(bound) for bound in limit.one_of or ()]
        if not named:
            return ""
    if None in named:
        return ""
    for value in named:
        fits = limit.matches is None or full_match(limit.matches, str(value))
        if fits and (low is None or value >= low) and (high is None or value <= high):
            return ""
    return "Its bounds contradict each other: no value can meet them all."


def _known(bound: Bound) -> Any:
    """Give a bound that stands fast; None where there is none or it moves with the day."""
    return None if isinstance(bound, DaysFromToday) else bound


def as_names(names: str | list[str]) -> tuple[str, ...]:
    """Give one name or several as a tuple."""
    return (names,) if isinstance(names, str) else tuple(names)
