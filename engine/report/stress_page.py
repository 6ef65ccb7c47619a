"""One self-contained page about what a recipe catches of made-up defects, and from which size."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from engine.faults import StoreFault
from engine.report.stress_plots import HEIGHT, WIDTH, Bars, Plot, bars, plot
from engine.report.wording import limit_text, number_text
from engine.study.detection import PodFit
from engine.study.disturbances import own
from engine.study.stress_results import (
    Curve,
    Disturbed,
    Example,
    LimitUnderTest,
    Picture,
    Stress,
    Trip,
)

TEMPLATES = Path(__file__).parent / "templates"
_PICTURE = 250
"""Longer side of an example's picture [px]."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One example, before and after, with what it says."""

    heading: str
    said: str
    before: str
    after: str
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Card:
    """One defect at one step, as the page shows it."""

    curve: Curve
    plot: Plot | None
    rows: tuple[tuple[str, PodFit | None], ...]
    notes: tuple[str, ...]
    pairs: tuple[Pair, ...]


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit in the table of reasons."""

    limit: LimitUnderTest
    bound: str
    trips: tuple[tuple[str, str, str, str], ...]
    """Defect with its step, smallest size that broke it, half and 90 % sizes."""
    by_disturbance: str


@dataclass(frozen=True, slots=True)
class DisturbedRow:
    """One disturbance of one camera."""

    found: Disturbed
    bars: Bars
    own: str
    holds_to: str
    fails_from: str


def write_stress_page(
    path: str | Path, stress: Stress, *, set_name: str = "", version: str = ""
) -> None:
    """Write the page; one that is there is replaced as a whole.

    Raises
    ------
    StoreFault
        When the file cannot be written.
    """
    target = Path(path)
    part = target.with_name(target.name + ".part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(stress_page(stress, set_name, version).encode("utf-8", "backslashreplace"))
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        message = f"{target}: writing the report failed: {error.strerror or error}"
        raise StoreFault(message) from error


def stress_page(stress: Stress, set_name: str = "", version: str = "") -> str:
    """Give the page as text; see `write_stress_page`."""
    cards = [_card(curve) for curve in stress.curves]
    untested = stress.untested
    return _template().render(
        stress=stress,
        title=stress.title or stress.product,
        set_name=set_name,
        version=version,
        places=list(dict.fromkeys(c.place for c in stress.curves)),
        cards=cards,
        size=(WIDTH, HEIGHT),
        limits=[_limit_row(stress, limit) for limit in stress.limits],
        untested=untested,
        never=[c for c in stress.curves if c.trials and not any(t.hit for t in c.trials)],
        disturbed=[_disturbed_row(stress, d) for d in stress.disturbed],
        passed_loss=[loss for loss in stress.losses if loss.verdict == "pass"],
        trials=sum(len(c.trials) for c in stress.curves),
        made=list({c.defect.name: c.defect for c in stress.curves if c.trials}.values()),
    )


def _card(curve: Curve) -> Card:
    if not curve.trials:
        return Card(curve, None, (), (), ())
    rows = (("right reason", curve.right_fit), ("any reason", curve.any_fit))
    notes = list(curve.right_fit.notes) if curve.right_fit else []
    same = curve.any_fit and curve.any_fit.hits == getattr(curve.right_fit, "hits", None)
    if curve.any_fit and not same:
        notes += [f"any reason: {note}" for note in curve.any_fit.notes if note not in notes]
    pairs = tuple(
        _pair(heading, example, curve.defect.unit)
        for heading, example in (("just caught", curve.caught), ("just missed", curve.missed))
        if example is not None
    )
    return Card(curve, plot(curve), rows, tuple(notes), pairs)


def _pair(heading: str, example: Example, unit: str) -> Pair:
    trial = example.trial
    before, after = (_fit(p) for p in (example.before, example.after))
    said = f"{number_text(trial.size)} {unit}, carton {trial.trigger:06d}"
    said += f": {trial.reason}" if trial.reason else ": passed"
    height, width = after.shape[:2]
    return Pair(heading, said, _uri(before), _uri(after), width, height)


def _fit(picture: Picture) -> Picture:
    rows, columns = picture.shape[:2]
    scale = _PICTURE / max(rows, columns)
    size = max(1, round(columns * scale)), max(1, round(rows * scale))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_NEAREST
    return np.asarray(cv2.resize(picture, size, interpolation=how), np.uint8)


def _uri(picture: Picture) -> str:
    pixels = picture if picture.ndim == 2 else picture[:, :, ::-1]
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode() if done else ""


def _limit_row(stress: Stress, limit: LimitUnderTest) -> LimitRow:
    bound = limit_text(limit.bound) if limit.bound else "could not be measured"
    if "agrees_with" in limit.bound:
        bound = f"equal to {limit.bound['agrees_with']}"
    if "unique" in limit.bound:
        bound = "no two cartons alike"
    trips = stress.trips(limit)
    own_trips = [t for t in trips if t.own] or trips[:3]
    by = [
        f"{d.disturbance.title} ({d.camera})"
        for d in stress.disturbed
        if any(limit.key in keys for keys in d.broken)
    ]
    return LimitRow(limit, bound, tuple(_trip(t) for t in own_trips), ", ".join(by))


def _trip(trip: Trip) -> tuple[str, str, str, str]:
    unit = trip.curve.defect.unit
    name = trip.curve.defect.title
    if not trip.own:
        name += f" at {trip.curve.place}"
    fit = trip.fit
    a50 = "" if fit is None else size_text(fit.a50, unit)
    if fit is not None and fit.kind == "separated" and fit.between is not None:
        a50 = f"{number_text(fit.between[0])} to {number_text(fit.between[1])} {unit}"
    a90 = "" if fit is None else size_text(fit.a90, unit)
    return name, size_text(trip.smallest, unit), a50, a90


def size_text(size: float | None, unit: str) -> str:
    """Give a size with its unit; a dash where there is none.

    Examples
    --------
    >>> size_text(1.23456, "mm"), size_text(None, "mm")
    ('1.23 mm', '–')
    """  # noqa: RUF002 - the dash is meant
    return "–" if size is None else f"{size:.3g} {unit}"  # noqa: RUF001


def _disturbed_row(stress: Stress, found: Disturbed) -> DisturbedRow:
    unit = found.disturbance.unit
    holds = found.holds_to
    return DisturbedRow(
        found,
        bars(found),
        own(stress.looks[found.camera], found.disturbance.name),
        "not even the smallest" if holds is None else size_text(holds, unit),
        "none failed" if found.fails_from is None else size_text(found.fails_from, unit),
    )


def kind_text(fit: PodFit | None) -> str:
    """Say in a few words what kind of curve there is.

    Examples
    --------
    >>> kind_text(None)
    'no curve'
    """
    words: Mapping[str, str] = {
        "curve": "curve", "separated": "a step", "all hit": "all caught",
        "all missed": "none caught", "falling": "does not grow with size",
    }  # fmt: skip
    return "no curve" if fit is None else words.get(fit.kind, fit.kind)


def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(kind=kind_text, size=size_text)
    return environment.get_template("stress.html.j2")
