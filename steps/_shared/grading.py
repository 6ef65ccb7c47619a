"""What both grading steps share: conditions of grading, when there is no grade, what is said."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from steps._shared.print_grades import CAUSES, letter_of, notation
from steps.contract import Params, Values

LEAST_PX, SURE_PX = 4.0, 6.0
"""Below the first nothing is graded; below the second the bias is stated [px a module]."""
_PX_SLACK = 0.05
"""Pixels a module are known to this much [px]."""
_CLIPPED = 0.02
"""Share of the light part of the code that may be at full scale."""


class GradeParams(Params):
    """Under which conditions a code is graded."""

    aperture_mm: float | None = Field(None, gt=0)
    """Diameter of the measuring aperture; left out: 80 % of a module [mm]."""

    channel: Literal["red", "grey"] = "red"
    """Which light of a colour camera is measured; red is nearest to the 660 nm of the trade."""

    white_level: float | None = Field(None, gt=0, le=1)
    """Light that the station's reference patch shows, as a share of full scale; left out:
    reflectance is relative to the lightest place of the code [fraction]."""

    white_reflectance: float = Field(1.0, gt=0, le=1)
    """Known reflectance of that patch [fraction]."""

    wavelength_nm: float | None = Field(None, gt=300, lt=1100)
    """Wavelength of the light, where the station's light is known [nm]."""

    light_angle_deg: float | None = Field(None, ge=0, le=90)
    """Angle of the light to the surface, where it is known [deg]."""

    @property
    def white(self) -> float | None:
        """Light that counts as reflectance 1; None where that is not known."""
        return None if self.white_level is None else self.white_level / self.white_reflectance


class GradeValues(Values):
    """What is measured of any code; indicative, not a verification to a standard."""

    grade: float | None
    """Symbol grade, 0 to 4: the mean of ten scans, or of the one picture of a matrix symbol; None
    where it cannot be given [grade]."""

    letter: str | None
    """The grade as a letter, A to F."""

    notation: str | None
    """grade/aperture/light/angle; only where aperture, wavelength and angle are declared."""

    why_no_grade: str | None
    """Why there is no grade."""

    limited_by: str
    """The parameter with the lowest grade, and what usually causes it; empty where all are best."""

    standing: str
    """What the figures are worth: indicative, and to which white reflectance refers."""

    text: str | None
    """Content by the reference decode."""

    px_per_module: float
    """Pixels of the frame a module [px]."""

    blur_px: float | None
    """Blur of picture and print together, standard deviation [px]."""

    mod_bias: float | None
    """By how much pixels and blur are expected to shift the modulation; stated below 6 px a
    module [fraction]."""

    clipped: float
    """Share of the code's light part that is at full scale [fraction]."""

    print_contrast: float
    """(light - dark) / light of the print [fraction]."""


def why_no_grade(px_per_module: float, clipped: float) -> str | None:
    """Say why a grade cannot be given; None where it can.

    Examples
    --------
    >>> why_no_grade(3.0, 0.0), why_no_grade(6.0, 0.0)
    ('too coarse to grade: 3.0 px per module, 4 needed', None)
    """
    if px_per_module < LEAST_PX - _PX_SLACK:
        return f"too coarse to grade: {px_per_module:.1f} px per module, {LEAST_PX:.0f} needed"
    if clipped > _CLIPPED:
        return f"light is clipped: {clipped:.0%} of the code's light part is at full scale"
    return None


def is_coarse(px_per_module: float) -> bool:
    """Whether pixels are so few that they shift the modulation by much.

    Examples
    --------
    >>> is_coarse(5.0), is_coarse(6.0)
    (True, False)
    """
    return px_per_module < SURE_PX - _PX_SLACK


def spoken(
    grade: float, limit: str, why: str | None, params: GradeParams, aperture_is_declared: bool
) -> dict[str, Any]:
    """Give those values of a grade that are said in words, and the grade itself.

    Parameters
    ----------
    grade : float
        The symbol grade.
    limit : str
        Name of the limiting parameter, may be empty.
    why : str or None
        Why no grade may be given.
    params : GradeParams
        Conditions.
    aperture_is_declared : bool
        Whether the declared aperture could be used, as the scale is known.

    Returns
    -------
    dict
        ``grade``, ``letter``, ``notation``, ``why_no_grade``, ``limited_by``, ``standing``.

    Examples
    --------
    >>> spoken(2.5, "SC", None, GradeParams(), False)["limited_by"]
    'SC: ink too pale, or board too dark or coloured'
    """
    graded = why is None
    patch = "the lightest place of the code" if params.white is None else "a reference patch"
    aperture = params.aperture_mm if aperture_is_declared else None
    conditions = (aperture, params.wavelength_nm, params.light_angle_deg)
    return {
        "grade": grade if graded else None,
        "letter": letter_of(grade) if graded else None,
        "notation": notation(grade, *conditions) if graded else None,
        "why_no_grade": why,
        "limited_by": f"{limit}: {CAUSES[limit]}" if limit and graded else "",
        "standing": f"indicative, not a verification; reflectance relative to {patch}",
    }
