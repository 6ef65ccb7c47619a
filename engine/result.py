"""What is said about one carton: findings, reasons and the one verdict."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

Word: TypeAlias = Literal["pass", "reject", "fault"]
Value: TypeAlias = float | int | bool | str | date | None
"""One measured value; None = not measured."""


@dataclass(frozen=True, slots=True)
class PlacedMark:
    """A line or shape that a step found, in pixels of the frame."""

    points: tuple[tuple[float, float], ...]
    kind: str
    text: str
    tone: str


@dataclass(frozen=True, slots=True)
class StepResult:
    """What one step said about one frame."""

    camera: str
    step: str
    values: Mapping[str, Value] | None
    """Measured values by name; None when the step could not measure or was not run."""
    not_measured: str | None = None
    """Why the step could not measure."""
    waits_for: str | None = None
    """The step whose pose is missing, so that this one was not run."""
    fault: str | None = None
    """What the step raised."""
    ms: float = 0.0
    outline: tuple[tuple[float, float], ...] = ()
    """Corners of the step's view in pixels of the frame."""
    marks: tuple[PlacedMark, ...] = ()


@dataclass(frozen=True, slots=True)
class CameraResult:
    """What all steps of one camera said about one frame, or why there was no frame."""

    camera: str
    steps: tuple[StepResult, ...] = ()
    fault: str | None = None
    """Why the frame could not be used (missing, late, undecodable ...)."""
    ms: float = 0.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One value held against one limit."""

    camera: str
    step: str
    value: str
    measured: Value
    unit: str
    limit: Mapping[str, Any]
    good: bool
    margin: float | None
    """Signed distance to the nearest bound, positive inside, in the value's unit; None for text."""
    reason: str
    catches: tuple[str, ...] = ()
    explained_by: str | None = None
    """`camera.step` whose broken limit explains this one."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a carton did not pass, in the words of the reject log."""

    text: str
    kind: Literal["limit", "not_measured", "agree", "unique", "fault"]
    catches: tuple[str, ...] = ()
    place: str = ""
    """`camera.step`, or the camera alone."""


@dataclass(frozen=True, slots=True)
class CartonVerdict:
    """The one verdict about one carton, with everything that led to it."""

    trigger: int
    verdict: Word
    reasons: tuple[Reason, ...]
    findings: tuple[Finding, ...]
    results: tuple[CameraResult, ...]
    notes: tuple[str, ...] = ()
    ms: float = 0.0


@dataclass(frozen=True, slots=True)
class RunIdentity:
    """Which run a verdict belongs to and what the line was set to."""

    run: str
    """UUID of the run."""
    recipe: str
    """`product@sha256`."""
    order: Mapping[str, str]
    cameras: str
    """SHA-256 over what is known of the cameras."""
    version: str


def trigger_name(trigger: int) -> str:
    """Give a trigger as it stands in files: six digits or more.

    Examples
    --------
    >>> trigger_name(41)
    '000041'
    """
    return f"{trigger:06d}"


def to_json(verdict: CartonVerdict, identity: RunIdentity) -> dict[str, Any]:
    """Give a verdict as plain data, as in results files and records.

    Equal inputs give equal data, `ms`, `run` and times aside.
    """
    values: dict[str, Any] = {}
    not_measured: dict[str, str] = {}
    for camera in verdict.results:
        for result in camera.steps:
            where = f"{result.camera}.{result.step}"
            for name, value in (result.values or {}).items():
                values[f"{where}.{name}"] = plain(value)
            if result.not_measured is not None:
                not_measured[where] = result.not_measured
            elif result.waits_for is not None:
                not_measured[where] = f"waits for {result.waits_for}"
    return {
        "run": identity.run,
        "trigger": trigger_name(verdict.trigger),
        "verdict": verdict.verdict,
        "reasons": [reason.text for reason in verdict.reasons],
        "catches": sorted({word for reason in verdict.reasons for word in reason.catches}),
        "faults": [reason.text for reason in verdict.reasons if reason.kind == "fault"],
        "findings": [_finding(finding) for finding in verdict.findings],
        "values": values,
        "not_measured": not_measured,
        "notes": list(verdict.notes),
        "recipe": identity.recipe,
        "order": dict(identity.order),
        "cameras": identity.cameras,
        "version": identity.version,
        "ms": _times(verdict),
    }


def plain(value: Value) -> Any:
    """Give a value as JSON holds it; numbers keep nine significant digits."""
    if isinstance(value, bool) or value is None or isinstance(value, (int, str)):
        return value
    if isinstance(value, date):
        return value.isoformat()
    return float(f"{value:.9g}") if math.isfinite(value) else None


def dumps(data: Mapping[str, Any]) -> str:
    """Give plain data as one canonical line of JSON."""
    return json.dumps(data, ensure_ascii=False, sort_keys=False, separators=(", ", ": "))


def _finding(finding: Finding) -> dict[str, Any]:
    row = {
        "camera": finding.camera,
        "step": finding.step,
        "value": finding.value,
        "measured": plain(finding.measured),
        "unit": finding.unit,
        "limit": {
            name: plain(bound)
            if not isinstance(bound, (list, tuple))
            else [plain(b) for b in bound]
            for name, bound in finding.limit.items()
        },
        "good": finding.good,
        "margin": None if finding.margin is None else plain(finding.margin),
        "reason": finding.reason,
        "catches": list(finding.catches),
    }
    if finding.explained_by is not None:
        row["explained_by"] = finding.explained_by
    return row


def _times(verdict: CartonVerdict) -> dict[str, float]:
    times = {"total": round(verdict.ms, 2)}
    for camera in verdict.results:
        for result in camera.steps:
            if result.ms:
                times[f"{result.camera}.{result.step}"] = round(result.ms, 3)
    return times


def placed(points: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
    """Give an array of points as a tuple, rounded to a hundredth of a pixel."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in points)
