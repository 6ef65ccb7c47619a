"""One carton in words for the terminal: the verdict, why, and everything that was measured."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence

from engine.report.wording import limit_text, margin_text, measured_text
from engine.result import CameraResult, CartonVerdict, Finding, StepResult, trigger_name


def explain_text(verdict: CartonVerdict) -> str:
    """Explain one carton.

    Parameters
    ----------
    verdict : CartonVerdict
        The verdict with everything that led to it.

    Returns
    -------
    str
        Lines of plain text: verdict and reasons, then a table for each camera, then what could not
        be measured and what waits for which step. No line has an end at the last.
    """
    lines = [f"carton {trigger_name(verdict.trigger)}: {verdict.verdict}"]
    lines += [f"  {i}. {_flat(reason.text)}" for i, reason in enumerate(verdict.reasons, start=1)]
    lines += [f"  note: {_flat(note)}" for note in verdict.notes]
    known = {result.camera for result in verdict.results}
    for result in verdict.results:
        found = [finding for finding in verdict.findings if finding.camera == result.camera]
        lines += ["", *_camera_lines(result, found)]
    others = [finding for finding in verdict.findings if finding.camera not in known]
    if others:
        lines += ["", "across cameras", *_table([_row(finding) for finding in others])]
    return "\n".join(line.rstrip() for line in lines)


def _camera_lines(result: CameraResult, findings: Sequence[Finding]) -> list[str]:
    lines = [_flat(result.camera)]
    if result.fault is not None:
        lines.append(f"  fault: {_flat(result.fault)}")
    limited = {(finding.step, finding.value) for finding in findings}
    rows = [_row(finding) for finding in findings]
    for step in result.steps:
        rows += [
            [f"{step.step}.{name}", measured_text(value), "no limit", "", ""]
            for name, value in (step.values or {}).items()
            if (step.step, name) not in limited
        ]
    lines += _table(rows)
    lines += [line for step in result.steps for line in _unmeasured(step)]
    if len(lines) == 1:
        lines.append("  nothing was measured")
    return lines


def _row(finding: Finding) -> list[str]:
    state = "good" if finding.good else f"BROKEN: {finding.reason}"
    if finding.explained_by is not None:
        state += f" (explained by {finding.explained_by})"
    return [
        f"{finding.step}.{finding.value}",
        measured_text(finding.measured, finding.unit),
        limit_text(finding.limit),
        margin_text(finding.margin),
        state,
    ]


def _unmeasured(step: StepResult) -> list[str]:
    said: Mapping[str, str | None] = {
        "fault": step.fault,
        "not measured": step.not_measured,
        "not run, waits for": step.waits_for,
    }
    return [f"  {_flat(step.step)}: {what}: {_flat(why)}" for what, why in said.items() if why]


_HEAD = ["value", "measured", "limit", "margin", ""]


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Give rows as lines with columns below each other; nothing where there are none."""
    if not rows:
        return []
    cells = [_HEAD, *([_flat(cell) for cell in row] for row in rows)]
    widths = [max(_width(row[i]) for row in cells) for i in range(len(_HEAD))]
    return [
        "  "
        + "  ".join(
            cell + " " * (width - _width(cell)) for cell, width in zip(row, widths, strict=True)
        )
        for row in cells
    ]


def _width(text: str) -> int:
    """Give how many columns of a terminal text takes; East Asian characters take two."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def _flat(text: str) -> str:
    """Give text on one line, without what a terminal would obey."""
    return "".join(c if c.isprintable() else " " for c in text)
