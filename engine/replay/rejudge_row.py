"""One recorded carton judged anew, through `run.verdict.decide`.

Results keep numbers to nine digits. Where a value equals a bound to nine digits, the recorded
finding says on which side it lay, if it was judged by the same limit; else it counts as kept.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from engine.graph.plan import Plan, PlannedLimit, PlannedStep
from engine.replay.recorded import Row
from engine.result import CameraResult, RunIdentity, StepResult, Value, plain, to_json
from engine.run.judge import judge
from engine.run.verdict import decide

_WAITS = "waits for "


def rejudged_row(plan: Plan, row: Row, today: date | None = None) -> Row:
    """Judge one recorded carton anew, and give its row as a replay would write it.

    Parameters
    ----------
    plan : Plan
        The recipe with the new limits.
    row : mapping
        The carton, as results files hold it.
    today : date, optional
        Day of the trigger.
    """
    results = tuple(_camera(plan, name, row, today) for name in plan.cameras)
    verdict = decide(plan, int(row["trigger"]), results, today=today, notes=tuple(row["notes"]))
    identity = RunIdentity(
        run=row.get("run", ""),
        recipe=plan.identity,
        order={name: str(value) for name, value in plan.order.items()},
        cameras=row.get("cameras", ""),
        version=row.get("version", ""),
    )
    anew = {**to_json(verdict, identity), "trigger": row["trigger"], "ms": row["ms"]}
    _keep_margins(row["findings"], anew["findings"])
    return anew


def _keep_margins(before: Sequence[Row], after: Sequence[Row]) -> None:
    """Keep the margin to a limit as before: it was formed of all digits of the value."""
    told = {_of(finding): finding["margin"] for finding in before}
    for finding in after:
        finding["margin"] = told.get(_of(finding), finding["margin"])


def _of(finding: Row) -> str:
    """Name what was held against what."""
    return json.dumps([finding[key] for key in ("camera", "step", "value", "measured", "limit")])


def _camera(plan: Plan, camera: str, row: Row, today: date | None) -> CameraResult:
    """Give what a camera's steps said, as far as the row tells."""
    whole = next((f for f in row["faults"] if f.startswith(f"{camera}: ")), None)
    if whole is not None:
        return CameraResult(camera, fault=whole.removeprefix(f"{camera}: "))
    steps = [_step_said(step, plan, row, today) for step in plan.cameras[camera].steps]
    return CameraResult(camera, tuple(step for step in steps if step is not None))


def _step_said(step: PlannedStep, plan: Plan, row: Row, today: date | None) -> StepResult | None:
    """Give what a step said; None where it was not run."""
    camera, name = step.camera, step.name
    place = f"{camera}.{name}"
    raised = f"{place} raised "
    for fault in row["faults"]:
        if fault == f"{place}: not run":
            return None
        if fault.startswith(raised):
            return StepResult(camera, name, None, fault=fault.removeprefix(raised))
    why = row["not_measured"].get(place)
    if why is not None:
        if waits(why, camera, plan):
            return StepResult(camera, name, None, waits_for=why.removeprefix(_WAITS))
        return StepResult(camera, name, None, not_measured=why)
    kinds = {value: info.kind for value, info in step.step.values.items()}
    values = {
        value: typed(row["values"][f"{place}.{value}"], kinds.get(value, "text"))
        for value in step.step.value_names
        if f"{place}.{value}" in row["values"]
    }
    if not values and step.step.value_names:
        return None
    return StepResult(camera, name, _unrounded(step, values, row["findings"], today))


def typed(raw: Any, kind: str) -> Value:
    """Give a value of JSON in its own type."""
    return date.fromisoformat(raw) if kind == "date" and isinstance(raw, str) else raw


def waits(why: str, camera: str, plan: Plan) -> bool:
    """Say whether a reason is that another step of the camera found no pose."""
    names = {step.name for step in plan.cameras[camera].steps}
    return why.startswith(_WAITS) and why.removeprefix(_WAITS) in names


def _unrounded(
    step: PlannedStep, values: dict[str, Value], findings: Sequence[Row], today: date | None
) -> dict[str, Value]:
    """Put a value that equals a bound to nine digits on the side that its finding tells."""
    told = {(f["camera"], f["step"], f["value"]): f for f in findings
            if "agrees_with" not in f["limit"]}  # fmt: skip
    for limit in step.limits:
        value = values.get(limit.value)
        before = told.get((step.camera, step.name, limit.value))
        if not isinstance(value, float) or before is None:
            continue
        now = judge([limit], values, today)[0]
        same = before["limit"] == limit_json(now.limit)
        bound = next((b for b in float_bounds(limit) if plain(b) == value), None)
        if same and bound is not None and before["good"] != now.good:
            outside = -math.inf if bound == limit.minimum else math.inf
            values[limit.value] = bound if before["good"] else math.nextafter(bound, outside)
    return values


def limit_json(limit: Mapping[str, Any]) -> Any:
    """Give a finding's limit as results files hold it."""
    return json.loads(json.dumps({k: [plain(b) for b in v] if isinstance(v, list) else plain(v)
                                  for k, v in limit.items()}))  # fmt: skip


def float_bounds(limit: PlannedLimit) -> list[float]:
    """Give the bounds of a limit that have fractions."""
    named = (limit.minimum, limit.maximum, limit.equals, *(limit.one_of or ()))
    return [bound for bound in named if isinstance(bound, float)]
