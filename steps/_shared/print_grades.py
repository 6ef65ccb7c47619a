"""From a measured value to a print-quality grade, 4 (best) to 0, and from grades to a letter."""

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Scale:
    """The values from which grades 4, 3, 2 and 1 are given."""

    thresholds: tuple[float, float, float, float]
    smaller_is_better: bool = False


SCALES = {
    "SC": Scale((0.70, 0.55, 0.40, 0.20)),
    "MOD": Scale((0.70, 0.60, 0.50, 0.40)),
    "Defects": Scale((0.15, 0.20, 0.25, 0.30), smaller_is_better=True),
    "Decodability": Scale((0.62, 0.50, 0.37, 0.25)),
    "module MOD": Scale((0.50, 0.40, 0.30, 0.20)),
    "AN": Scale((0.06, 0.08, 0.10, 0.12), smaller_is_better=True),
    "GN": Scale((0.38, 0.50, 0.63, 0.75), smaller_is_better=True),
    "UEC": Scale((0.62, 0.50, 0.37, 0.25)),
    "CC": Scale((0.30, 0.25, 0.20, 0.15)),
    "FPD share": Scale((0.0, 0.09, 0.13, 0.17), smaller_is_better=True),
    "FPD clock": Scale((0.06, 0.08, 0.10, 0.12), smaller_is_better=True),
    "FPD track": Scale((0.10, 0.15, 0.20, 0.25), smaller_is_better=True),
    "FPD average": Scale((4.0, 3.5, 3.0, 2.5)),
    "FPD finder": Scale((0.0, 1.0, 2.0, 3.0), smaller_is_better=True),
    "FPD timing": Scale((0.0, 0.07, 0.11, 0.14), smaller_is_better=True),
    "FPD alignment": Scale((0.0, 0.10, 0.20, 0.30), smaller_is_better=True),
}
"""Grade thresholds of ISO/IEC 15416:2016 and 15415:2011; of fixed patterns those of ISO/IEC 16022
Annex M and 18004 Annex G; cell contrast CC of ISO/IEC TR 29158 (all from memory, the last three
not confirmed)."""

CAUSES = {
    "Edges": "the number of bars does not fit: voids, spots, or print beside the code",
    "Decode": "it does not decode: parts missing or filled in, or content of another kind",
    "SC": "ink too pale, or board too dark or coloured",
    "Rmin": "bars too light",
    "ECmin": "one edge hardly shows: narrow spaces filled in, or narrow bars faded",
    "MOD": "narrow bars or single modules lose contrast: print gain or loss, or a blurred picture",
    "Defects": "voids or spots: gaps of the print head, blocked nozzles, specks",
    "Decodability": "bar widths off: bar gain, stretched or rescaled artwork, ragged edges",
    "Quiet zones": "print or an edge too near the code",
    "RM": "modules change places with their background: voids, spots, much gain",
    "FPD": "damage to the finder or clock pattern or the quiet zone",
    "AN": "the symbol is stretched in one direction",
    "GN": "the grid is bent: uneven transport, or a curved surface",
    "UEC": "damage to the data modules",
    "Format": "damage to the format or version information",
}
"""What usually lowers each parameter (decodability: GS1 General Specifications, Release 18, p. 340;
the others common practice, no source)."""

CLOSE = 1e-6
"""A value this little below its threshold has reached it: figures may be rounded to 32 bit."""


def grade_parameter(name: str, value: float, *, decimals: bool = True) -> float:
    """Grade one value.

    Parameters
    ----------
    name : str
        A key of `SCALES`, as ``"SC"`` or ``"MOD"``.
    value : float
        The value; reflectances as shares of 1. nan has grade 0.
    decimals : bool
        Interpolate between the thresholds (editions from 2016 on), else whole grades.

    Returns
    -------
    float
        Grade from 4 to 0; below grade 1 it is 0 in both ways.

    Examples
    --------
    >>> round(grade_parameter("MOD", 0.65), 6), grade_parameter("MOD", 0.65, decimals=False)
    (3.5, 3.0)
    >>> grade_parameter("Defects", 0.31)
    0.0
    """
    scale = SCALES[name]
    if math.isnan(value):
        return 0.0
    sign = -1.0 if scale.smaller_is_better else 1.0
    steps = [sign * t for t in scale.thresholds]
    value = sign * value
    for index, step in enumerate(steps):
        if value >= step - CLOSE:
            grade = 4.0 - index
            if not decimals or index == 0:
                return grade
            rest = (value - step) / (steps[index - 1] - step)
            return grade + min(max(rest, 0.0), 1.0)
    return 0.0


def pass_or_fail(passed: bool) -> float:
    """Give grade 4 for a pass and 0 for a fail.

    Examples
    --------
    >>> pass_or_fail(True), pass_or_fail(False)
    (4.0, 0.0)
    """
    return 4.0 if passed else 0.0


def mean_grade(grades: Sequence[float]) -> float:
    """Average grades to one decimal, halves upwards.

    Examples
    --------
    >>> mean_grade([4, 4, 3, 3, 3, 3, 4, 4, 3, 2.5])
    3.4
    """
    if not grades:
        return 0.0
    return math.floor(10.0 * sum(grades) / len(grades) + 0.5 + 1e-6) / 10.0


def letter_of(grade: float) -> str:
    """Letter of a symbol grade: A from 3.5, B from 2.5, C from 1.5, D from 0.5, else F.

    Examples
    --------
    >>> [letter_of(g) for g in (4.0, 3.4, 1.5, 0.5, 0.4)]
    ['A', 'B', 'C', 'D', 'F']
    """
    for letter, lowest in (("A", 3.5), ("B", 2.5), ("C", 1.5), ("D", 0.5)):
        if grade >= lowest - CLOSE:
            return letter
    return "F"


def notation(
    grade: float, aperture_mm: float | None, wavelength_nm: float | None, angle_deg: float | None
) -> str | None:
    """Write grade/aperture/light/angle, where all three conditions are declared.

    Parameters
    ----------
    grade : float
        Symbol grade.
    aperture_mm, wavelength_nm, angle_deg : float, optional
        The declared measuring aperture, wavelength and angle of the light.

    Returns
    -------
    str or None
        As ``"2.7/06/660"``: aperture in thousandths of an inch; the angle only where it is not
        45 degrees. None where a condition is not declared.

    References
    ----------
    GS1 General Specifications, Release 18, p. 337.

    Examples
    --------
    >>> notation(1.5, 0.15, 660, 45), notation(1.5, 0.15, 660, 30), notation(1.5, 0.15, 660, None)
    ('1.5/06/660', '1.5/06/660/30', None)
    """
    if aperture_mm is None or wavelength_nm is None or angle_deg is None:
        return None
    aperture = round(aperture_mm / 0.0254)
    # The named apertures of the standard are rounded to the even mm figure (0.125 mm is "05").
    text = f"{grade:.1f}/{aperture:02d}/{round(wavelength_nm)}"
    return text if round(angle_deg) == 45 else f"{text}/{round(angle_deg)}"


def limiting(grades: dict[str, float]) -> str:
    """Name of the parameter with the lowest grade, the first of equals; empty when all are 4.

    Examples
    --------
    >>> limiting({"SC": 4.0, "MOD": 2.0, "Defects": 3.0}), limiting({"SC": 4.0})
    ('MOD', '')
    """
    if not grades:
        return ""
    name = min(grades, key=lambda key: grades[key])
    return name if grades[name] < 4.0 - CLOSE else ""
