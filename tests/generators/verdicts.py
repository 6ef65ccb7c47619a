"""Made-up verdicts with everything in them, for tests of records and reports."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
from hypothesis import strategies as st

from engine.frame import Frame, FrameFailure, TriggerSet
from engine.result import (
    CameraResult,
    CartonVerdict,
    Finding,
    PlacedMark,
    Reason,
    RunIdentity,
    StepResult,
    Word,
)

IDENTITY = RunIdentity(
    run="0b9f3c1e-7c55-4d1a-9f25-51c1fd0a6a10",
    recipe="harbour-soap-6@" + "ab12" * 16,
    order={"lot": "K4471", "expiry": "2027-03-14"},
    cameras="cd34" * 16,
    version="0.1.0",
)


def gap_finding(gap_mm: float | None, *, reason: str = "flap open") -> Finding:
    """Hold the gap of a flap against at most 1 mm."""
    return Finding(
        camera="top",
        step="flap",
        value="gap_mm",
        measured=gap_mm,
        unit="mm",
        limit={"max": 1.0},
        good=gap_mm is not None and gap_mm <= 1,
        margin=None if gap_mm is None else 1 - gap_mm,
        reason=reason,
        catches=("flap-open",),
    )


def carton(
    trigger: int = 1,
    gap_mm: float = 0.4,
    *,
    reason: str = "flap open",
    catches: tuple[str, ...] = ("flap-open",),
    code: str = "4006381333931",
    ms: float = 12.5,
) -> CartonVerdict:
    """Make a carton with a flap gap seen from above and a code seen from the side."""
    gap = gap_finding(gap_mm, reason=reason)
    content = Finding(
        "side",
        "code",
        "text",
        code,
        "",
        {"equals": code},
        True,
        None,
        "wrong code",
        ("code-wrong",),
    )
    corners = ((4.0, 4.0), (60.0, 5.0), (58.0, 40.0), (5.0, 38.0))
    top = StepResult(
        "top",
        "flap",
        {"gap_mm": gap_mm, "coverage": 0.98},
        ms=3.25,
        outline=corners,
        marks=(PlacedMark(((6.0, 20.0), (55.0, 22.0)), "line", "edge", "measured"),),
    )
    side = StepResult("side", "code", {"text": code}, ms=1.5, outline=corners)
    reasons = ()
    verdict: Word = "pass"
    if not gap.good:
        verdict = "reject"
        reasons = (Reason(f"{reason}: gap_mm {gap_mm:g} > 1", "limit", catches, "top.flap"),)
    results = (CameraResult("top", (top,), ms=4.0), CameraResult("side", (side,), ms=2.0))
    return CartonVerdict(trigger, verdict, reasons, (gap, content), results, ms=ms)


def faulted(trigger: int, camera: str = "side", why: str = "no frame came") -> CartonVerdict:
    """Make a carton of which one camera gave no frame; the other is good."""
    whole = carton(trigger)
    results = tuple(
        CameraResult(result.camera, fault=why) if result.camera == camera else result
        for result in whole.results
    )
    findings = tuple(finding for finding in whole.findings if finding.camera != camera)
    reasons = (Reason(f"{camera}: {why}", "fault", place=camera),)
    return CartonVerdict(trigger, "fault", reasons, findings, results, ms=5.0)


def frames(
    trigger: int, *, missing: str | None = None, size: tuple[int, int] = (48, 64)
) -> TriggerSet:
    """Make frames of both cameras; `top` in colour, `side` grey."""
    rows, columns = size
    ramp = np.linspace(30, 220, rows * columns).reshape(size).astype(np.uint8)
    taken = datetime(2026, 5, 4, 10, 0, trigger % 60, tzinfo=UTC)
    pictures: dict[str, Any] = {"top": np.stack([ramp, ramp[::-1], ramp], axis=-1), "side": ramp}
    arrivals: dict[str, Any] = {
        name: Frame(name, trigger, pixels.copy(), taken_at=taken)
        for name, pixels in pictures.items()
    }
    if missing is not None:
        arrivals[missing] = FrameFailure(missing, trigger, "missing", "no frame came")
    return TriggerSet(trigger, arrivals)


texts = st.text(max_size=20)
names = st.text(st.characters(blacklist_characters=".", blacklist_categories=("Cs",)), max_size=8)
numbers = st.floats(allow_nan=False, width=32)
values = st.one_of(st.none(), st.booleans(), st.integers(), numbers, texts, st.dates())
limits = st.dictionaries(
    st.sampled_from(["min", "max", "equals", "one_of", "matches"]),
    st.one_of(numbers, texts, st.lists(texts, max_size=3)),
    max_size=2,
)
findings = st.builds(
    Finding,
    camera=names,
    step=names,
    value=names,
    measured=values,
    unit=texts,
    limit=limits,
    good=st.booleans(),
    margin=st.none() | numbers,
    reason=texts,
    catches=st.lists(texts, max_size=2).map(tuple),
    explained_by=st.none() | texts,
)
step_results = st.builds(
    StepResult,
    camera=names,
    step=names,
    values=st.none() | st.dictionaries(names, values, max_size=3),
    not_measured=st.none() | texts,
    waits_for=st.none() | texts,
    fault=st.none() | texts,
    ms=st.floats(0, 1e4),
)
reasons = st.builds(
    Reason,
    text=texts,
    kind=st.sampled_from(["limit", "not_measured", "agree", "fault"]),
    catches=st.lists(texts, max_size=2).map(tuple),
    place=texts,
)
any_verdict = st.builds(
    CartonVerdict,
    trigger=st.integers(0, 10**9),
    verdict=st.sampled_from(["pass", "reject", "fault"]),
    reasons=st.lists(reasons, max_size=3).map(tuple),
    findings=st.lists(findings, max_size=3).map(tuple),
    results=st.lists(
        st.builds(
            CameraResult,
            camera=names,
            steps=st.lists(step_results, max_size=3).map(tuple),
            fault=st.none() | texts,
        ),
        max_size=2,
    ).map(tuple),
    notes=st.lists(texts, max_size=2).map(tuple),
    ms=st.floats(0, 1e4),
)
"""Any verdict at all, whatever stands in it."""
