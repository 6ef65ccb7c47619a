"""Findings and the recipe's rules to ONE verdict per carton, with its reasons, cause first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, cast

from engine.graph.plan import Plan, PlannedAgreement, PlannedReason, PlannedStep
from engine.result import (
    CameraResult,
    CartonVerdict,
    Finding,
    Reason,
    StepResult,
    Value,
    Word,
    plain,
)
from engine.run.judge import judge


def decide(
    plan: Plan,
    trigger: int,
    results: tuple[CameraResult, ...],
    *,
    today: date | None = None,
    notes: tuple[str, ...] = (),
    ms: float = 0.0,
) -> CartonVerdict:
    """Make the verdict about one carton.

    `pass` needs every finding good, every step measured and every camera's frame. A broken limit,
    or a step that could not measure, makes `reject`; a missing frame or a step that raised makes
    `fault`; both together are `reject` with both listed.

    Parameters
    ----------
    plan : Plan
        The compiled recipe.
    trigger : int
        Number of the carton in the run.
    results : tuple of CameraResult
        What each camera's steps said; a camera of the plan that is not there counts as a fault.
    today : date, optional
        Day of the trigger.
    notes : tuple of str
        What else is to be kept about the carton.
    ms : float
        Time the carton took.
    """
    by_camera = {result.camera: result for result in results}
    broken = _Broken()
    findings: list[Finding] = []
    values: dict[tuple[str, str, str], Value] = {}
    for camera, camera_plan in plan.cameras.items():
        result = by_camera.get(camera) or CameraResult(camera, fault="missing frame: none came")
        if result.fault is not None:
            broken.fault(camera, f"{camera}: {result.fault}")
            continue
        said = {step.step: step for step in result.steps}
        for planned in camera_plan.steps:
            findings += _judged(planned, said.get(planned.name), today, values, broken)
    findings += _agreements(plan.agree, values, broken)
    findings, reasons = broken.reasons(findings)
    return CartonVerdict(
        trigger=trigger,
        verdict=_word(reasons),
        reasons=reasons,
        findings=tuple(findings),
        results=results,
        notes=notes,
        ms=ms,
    )


def _word(reasons: Iterable[Reason]) -> Word:
    kinds = {reason.kind for reason in reasons}
    if kinds - {"fault"}:
        return "reject"
    return "fault" if kinds else "pass"


def _judged(
    planned: PlannedStep,
    said: StepResult | None,
    today: date | None,
    values: dict[tuple[str, str, str], Value],
    broken: _Broken,
) -> list[Finding]:
    place = f"{planned.camera}.{planned.name}"
    if said is None:
        broken.fault(place, f"{place}: not run")
        return []
    if said.fault is not None:
        broken.fault(place, f"{place} raised {said.fault}")
        return []
    if said.waits_for is not None:
        return []
    if said.values is None:
        broken.not_measured(place, planned.not_measured, said.not_measured or "")
        return []
    for name, value in said.values.items():
        values[planned.camera, planned.name, name] = value
    findings = judge(planned.limits, said.values, today)
    for limit, finding in zip(planned.limits, findings, strict=True):
        if not finding.good:
            broken.limit(place, finding, limit.explained_by)
    return findings


def _agreements(
    rules: Iterable[PlannedAgreement],
    values: Mapping[tuple[str, str, str], Value],
    broken: _Broken,
) -> list[Finding]:
    findings: list[Finding] = []
    for rule in rules:
        if any(v not in values for v in rule.values):
            continue  # the step that did not measure, or its camera's fault, says so itself
        first, *others = rule.values
        measured = [values[v] for v in rule.values]
        for other in others:
            finding = _agreement(rule, first, other, values)
            findings.append(finding)
            if not finding.good:
                said = " / ".join(shown(value) for value in measured)
                broken.agreement(rule.reason, said, ".".join(first[:2]))
                break
    return findings


def _agreement(
    rule: PlannedAgreement,
    first: tuple[str, str, str],
    other: tuple[str, str, str],
    values: Mapping[tuple[str, str, str], Value],
) -> Finding:
    a, b = values[first], values[other]
    margin: float | None = None
    limit: dict[str, Any] = {"agrees_with": ".".join(first), "equals": a}
    if rule.tolerance:
        limit["tolerance"] = rule.tolerance
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        margin = rule.tolerance - abs(a - b)
        good = margin >= 0
    else:
        good = a is not None and a == b
    return Finding(
        camera=other[0],
        step=other[1],
        value=other[2],
        measured=b,
        unit=rule.unit,
        limit=limit,
        good=good,
        margin=margin,
        reason=rule.reason.text,
        catches=rule.reason.catches,
    )


class _Broken:
    """Gathers what is broken, then orders the reasons: cause first, faults last."""

    def __init__(self) -> None:
        self.causes: dict[str, str] = {}
        """First reason of each `camera.step` that broke a limit or did not measure."""
        self.entries: list[tuple[Reason, tuple[str, ...], Finding | None]] = []
        self.faults: list[Reason] = []

    def fault(self, place: str, text: str) -> None:
        catches = ("missing-frame",) if "missing frame" in text else ()
        self.faults.append(Reason(text, "fault", catches, place))

    def not_measured(self, place: str, rule: PlannedReason, why: str) -> None:
        text = f"{rule.text}: not measured, {why}" if why else rule.text
        self.causes.setdefault(place, rule.text)
        reason = Reason(text, "not_measured", rule.catches, place)
        self.entries.append((reason, rule.explained_by, None))

    def limit(self, place: str, finding: Finding, explained_by: tuple[str, ...]) -> None:
        self.causes.setdefault(place, finding.reason)
        reason = Reason(sentence(finding), "limit", finding.catches, place)
        self.entries.append((reason, explained_by, finding))

    def agreement(self, rule: PlannedReason, said: str, place: str) -> None:
        reason = Reason(f"{rule.text}: {said}", "agree", rule.catches, place)
        self.entries.append((reason, (), None))

    def reasons(self, findings: list[Finding]) -> tuple[list[Finding], tuple[Reason, ...]]:
        """Give findings with their causes named, and the reasons in order."""
        kept: list[Reason] = []
        renamed: dict[int, Finding] = {}
        for reason, explained_by, finding in self.entries:
            cause = next((c for c in explained_by if c in self.causes and c != reason.place), None)
            if cause is None:
                kept.append(reason)
            elif finding is not None:
                renamed[id(finding)] = replace(
                    finding, reason=self.causes[cause], explained_by=cause
                )
        if not kept:  # steps that explain each other leave no cause: then each speaks for itself
            kept = [reason for reason, _, _ in self.entries]
            renamed = {}
        return [renamed.get(id(f), f) for f in findings], (*kept, *self.faults)


def sentence(finding: Finding) -> str:
    """Give a broken finding as a reason.

    Examples
    --------
    >>> limit = {"max": 1.0}
    >>> sentence(Finding("top", "flap", "gap_mm", 3.1, "mm", limit, False, -2.1, "flap open"))
    'flap open: gap_mm 3.1 > 1'
    """
    if finding.measured is None:
        return f"{finding.reason}: {finding.value} not measured"
    value, limit = finding.measured, finding.limit
    said = f"{finding.reason}: {finding.value} {shown(value)}"
    signs = {"min": "<", "max": ">", "equals": "is not", "one_of": "is none of"}
    for key, bound in limit.items():
        if key == "matches":
            broken, text = True, f"does not fit {bound}"
        else:
            broken = _breaks(key, value, bound)
            text = f"{signs.get(key, key)} {shown(bound)}"
        if broken:
            return f"{said} {text}"
    return said


def _breaks(key: str, value: Value, bound: Any) -> bool:
    if key == "equals":
        return value != bound
    if key == "one_of":
        return value not in bound
    try:
        return value < bound if key == "min" else value > bound  # type: ignore[operator]
    except TypeError:
        return True


def shown(value: Any) -> str:
    """Give a value as a reason shows it."""
    if isinstance(value, (list, tuple)):
        return ", ".join(shown(v) for v in cast("Sequence[Any]", value))
    value = plain(value)
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, bool):
        return "true" if value else "false"
    return "nothing" if value is None else str(value)
