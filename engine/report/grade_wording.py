"""A graded code in words and as JSON: how it was taken, its parameters, what else was measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.report.wording import measured_text

Plain = Mapping[str, Any]

SPOKEN = {"grade", "letter", "notation", "why_no_grade", "limited_by", "standing", "text"}
"""Values that are told in words of their own."""


@dataclass(frozen=True, slots=True)
class Taken:
    """How a picture was taken and is measured; None where something is not declared."""

    name: str
    """Name of the file."""
    size: tuple[int, int]
    """Width and height [px]."""
    coding: str
    """How its values are coded."""
    channel: str
    """Which light of a colour picture is measured; empty for a grey one."""
    mm_per_px: float | None
    aperture_mm: float | None
    wavelength_nm: float | None
    angle_deg: float | None
    white_reflectance: float | None
    has_patch: bool
    """Whether the white lies in the picture."""


@dataclass(frozen=True, slots=True)
class Graded:
    """A picture that was graded, and what came of it."""

    picture: NDArray[np.uint8]
    """(R, C) or (R, C, 3) uint8 as it is shown; red, green, blue."""
    symbology: str
    """As recipes name it."""
    taken: Taken
    values: Plain
    """Values of the step by name; empty where it did not measure."""
    about: Mapping[str, tuple[str, str]]
    """Unit and description of each value."""
    survey: Plain
    """Plain data that draws the code; empty where the step did not measure."""
    why: str = ""
    """Why the step did not measure."""

    @property
    def grade(self) -> float | None:
        """Symbol grade; None where there is none."""
        return self.values.get("grade")

    @property
    def why_no_grade(self) -> str:
        """Say why there is no grade; empty where there is one."""
        return self.why or self.values.get("why_no_grade") or ""

    @property
    def title(self) -> str:
        """Name of the symbology, as its standard calls it where that is known."""
        return self.survey.get("symbology", self.symbology)

    @property
    def content(self) -> str:
        """Content, what cannot be printed made visible."""
        text = self.values.get("text")
        return "not decoded" if text is None else visible_text(text)


@dataclass(frozen=True, slots=True)
class Row:
    """One parameter in a table."""

    text: str
    value: str
    grade: float
    cause: str
    """What usually lowers it; empty where its grade is 4."""


def visible_text(text: str) -> str:
    r"""Make characters visible that cannot be printed; the separator of GS1 content is <GS>.

    Examples
    --------
    >>> visible_text("10AB\x1d21\x07")
    '10AB<GS>21\\x07'
    """
    named = {"\x1d": "<GS>"}
    return "".join(
        named.get(c, c if c.isprintable() else c.encode("unicode_escape").decode()) for c in text
    )


def condition_rows(graded: Graded) -> list[tuple[str, str]]:
    """Say how the picture was taken and measured: name and words of each condition."""
    taken, px = graded.taken, graded.values.get("px_per_module")
    width, height = taken.size
    rows = [("picture", f"{taken.name}, {width} x {height} px, values coded as {taken.coding}")]
    if taken.channel:
        rows.append(("light measured", f"the {taken.channel} of a colour picture"))
    scale = "the size of a pixel is not given"
    if taken.mm_per_px is not None:
        module = "" if px is None else f"; a module is {taken.mm_per_px * px:.3f} mm"
        scale = f"{taken.mm_per_px:g} mm a pixel{module}"
    rows.append(("scale", scale))
    if px is not None:
        x = graded.survey["aperture_modules"]
        in_mm = "" if taken.mm_per_px is None else f", {x * px * taken.mm_per_px:.3f} mm"
        how = "not declared: 80 % of a module" if taken.aperture_mm is None else "as declared"
        rows.append(("aperture", f"{x:.2f} X{in_mm} ({how})"))
    rows += [("reflectance", _white(taken)), ("light", _light(taken))]
    return [*rows, ("notation", _notation(graded))]


def _white(taken: Taken) -> str:
    if taken.white_reflectance is None:
        return "relative to the lightest place of the code: contrast may be lower in truth"
    reflects = f"{taken.white_reflectance:g}"
    if taken.has_patch:
        return f"against a patch in the picture whose reflectance is given as {reflects}"
    return f"full scale is taken as a reflectance of {reflects}"


def _light(taken: Taken) -> str:
    parts = []
    if taken.wavelength_nm is not None:
        parts.append(f"{taken.wavelength_nm:g} nm")
    if taken.angle_deg is not None:
        parts.append(f"{taken.angle_deg:g} degrees to the surface")
    return ", ".join(parts) or "not declared"


def _notation(graded: Graded) -> str:
    taken = graded.taken
    known = {
        "aperture": taken.aperture_mm,
        "wavelength": taken.wavelength_nm,
        "angle": taken.angle_deg,
    }
    missing = [word for word, value in known.items() if value is None]
    if graded.values.get("notation"):
        return f"{graded.values['notation']}, by the conditions declared; indicative all the same"
    if not missing:
        return "none, as there is no grade"
    words = " and ".join(filter(None, (", ".join(missing[:-1]), missing[-1])))
    return f"none, as {words} {'are' if len(missing) > 1 else 'is'} not declared"


def parameter_rows(survey: Plain) -> list[Row]:
    """Give the parameters as people read them.

    Examples
    --------
    >>> parameter_rows({"parameters": [{"text": "edges", "value": None, "grade": 2.8,
    ...     "passed": 7, "scans": 10, "cause": "voids"}]})
    [Row(text='edges', value='7 of 10 pass', grade=2.8, cause='voids')]
    """
    rows: list[Row] = []
    for p in survey.get("parameters", ()):
        value = "" if p["value"] is None else f"{p['value']:.2f}"
        if p["passed"] is not None:
            value = f"{p['passed']} of {p['scans']} pass"
        rows.append(Row(p["text"], value, p["grade"], "" if p["grade"] >= 4.0 else p["cause"]))
    return rows


def indicator_rows(graded: Graded) -> list[tuple[str, str, str]]:
    """Give all other values: name, value with unit, description."""
    told = SPOKEN
    if graded.grade is not None:
        told = told | {p["name"].lower() for p in graded.survey["parameters"]}
    return [
        (name, measured_text(graded.values[name], unit), _plain(text))
        for name, (unit, text) in graded.about.items()
        if name not in told and graded.values.get(name) is not None
    ]


def _plain(description: str) -> str:
    """Leave out of a description its unit, and when the value is missing."""
    return description.partition("; None")[0].rsplit(" [", 1)[0].rstrip(". ")


def seen_text(graded: Graded) -> str:
    """Say what picture the grade stands on: pixels a module, blur, bias."""
    values = graded.values
    words = [f"{values['px_per_module']:.1f} px a module"]
    blur = values["blur_px"]
    words.append("blur not known" if blur is None else f"blur {blur:.2f} px")
    if values["mod_bias"] is not None:
        words.append(f"modulation is expected {values['mod_bias']:+.2f} off (below 6 px a module)")
    return ", ".join(words)


def as_json(graded: Graded) -> dict[str, Any]:
    """Give all that was measured, without the samples of the profiles."""
    survey = dict(graded.survey)
    if "scans" in survey:
        survey["scans"] = [
            {key: value for key, value in scan.items() if key != "profile"}
            for scan in survey["scans"]
        ]
    return {
        "image": graded.taken.name,
        "symbology": graded.symbology,
        "standing": "indicative, not a verification",
        "conditions": dict(condition_rows(graded)),
        "why_no_grade": graded.why_no_grade or None,
        "values": dict(graded.values),
        **{key: value for key, value in survey.items() if key != "symbology"},
    }
