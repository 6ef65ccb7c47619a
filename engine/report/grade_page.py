"""One self-contained page about one graded code: profile or modules drawn, figures, grades."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.report.grade_wording import (
    Graded,
    Plain,
    condition_rows,
    indicator_rows,
    parameter_rows,
    seen_text,
    visible_text,
)
from engine.report.module_drawing import draw_modules
from engine.report.pages import template
from engine.report.profile_drawing import HEIGHT, WIDTH, draw_profile

MARGIN_MODULES = 12.0
"""How much of the picture is shown about the code, at most [modules]."""
MOST_PIXELS = 1_000_000
"""A larger picture is shown reduced [px]."""


def grade_page(graded: Graded, *, made_at: str = "", version: str = "") -> str:
    """Give the page as text.

    Parameters
    ----------
    graded : Graded
        The picture and what came of it.
    made_at, version : str
        Time and version of the program, as they are to be shown.

    Returns
    -------
    str
        HTML that needs nothing from elsewhere.
    """
    survey = graded.survey
    shown = _cut(graded.picture, survey)
    scans = survey.get("scans", [])
    worst = _worst_scan(scans)
    return template("grade.html.j2", seen_text=visible_text).render(
        graded=graded,
        conditions=condition_rows(graded),
        seen=seen_text(graded) if graded.values else "",
        grade=graded.grade,
        letter=graded.values.get("letter") or "",
        limited_by=graded.values.get("limited_by", ""),
        rows=parameter_rows(survey),
        indicators=indicator_rows(graded),
        scans=scans,
        worst=worst,
        profile=None if worst is None else draw_profile(scans[worst]),
        profiles=[draw_profile(scan) for scan in scans],
        size=(WIDTH, HEIGHT),
        modules=draw_modules(survey, shown.corner) if survey.get("kind") == "modules" else None,
        shown=shown,
        lines=_lines(survey, shown.corner),
        made_at=made_at,
        version=version,
    )


@dataclass(frozen=True, slots=True)
class Shown:
    """The part of the picture that the page shows."""

    source: str
    """As a data URI."""
    width: int
    height: int
    corner: tuple[float, float]
    """Pixel of the picture that is its first one, (x, y)."""


def _cut(picture: NDArray[np.uint8], survey: Plain) -> Shown:
    """Cut the picture about the code, or show all of it where no code was found."""
    rows, columns = picture.shape[:2]
    low, high = np.zeros(2, int), np.array([columns, rows])
    if survey.get("outline"):
        corners = np.asarray(survey["outline"], np.float64)
        side = float(np.max(np.ptp(corners, axis=0)))
        across = survey["columns"] if survey["kind"] == "modules" else 95.0
        room = side * min(MARGIN_MODULES, 0.15 * across) / across
        low = np.clip(np.floor(corners.min(axis=0) - room), 0, high).astype(int)
        high = np.clip(np.ceil(corners.max(axis=0) + room) + 1, low + 1, high).astype(int)
    part = picture[low[1] : high[1], low[0] : high[0]]
    height, width = part.shape[:2]
    shrink = (MOST_PIXELS / max(height * width, 1)) ** 0.5
    if shrink < 1.0:
        part = cv2.resize(part, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    ending, kind = (".png", "png") if height * width <= 300_000 else (".jpg", "jpeg")
    coded = part if part.ndim == 2 else part[:, :, ::-1]
    data = base64.b64encode(cv2.imencode(ending, coded)[1].tobytes()).decode()
    corner = (float(low[0]), float(low[1]))
    return Shown(f"data:image/{kind};base64,{data}", width, height, corner)


def _lines(survey: Plain, corner: tuple[float, float]) -> list[str]:
    """Paths over the picture: the code's outline, then each scan line."""
    if not survey.get("outline"):
        return []
    corners = np.asarray(survey["outline"], np.float64) + 0.5 - np.asarray(corner)
    paths = ["M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in corners) + "z"]
    for scan in survey.get("scans", ()):
        a = corners[0] + scan["place"] * (corners[3] - corners[0])
        b = corners[1] + scan["place"] * (corners[2] - corners[1])
        paths.append(f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}")
    return paths


def _worst_scan(scans: Sequence[Plain]) -> int | None:
    """Index of the scan that is drawn large: the lowest grade, then the least even or contrasty."""
    if not scans:
        return None
    return min(
        range(len(scans)),
        key=lambda k: (
            (
                scans[k]["grade"],
                scans[k]["values"]["MOD"] - scans[k]["values"]["Defects"],
            )
            if "grade" in scans[k]
            else (abs(scans[k]["place"] - 0.5), 0.0)
        ),
    )
