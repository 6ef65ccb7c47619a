"""Print quality of a linear code: ten scans over its bars, graded; indicators at any size."""

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field

from steps._shared.bar_scans import (
    Strips,
    Survey,
    look_over_height,
    means,
    survey_bars,
    ten_scans,
)
from steps._shared.bars_area import find_bars_area
from steps._shared.camera_limits import expected_mod_bias
from steps._shared.frame_scale import frame_scale
from steps._shared.linear_find import find_linear
from steps._shared.print_grades import CAUSES, letter_of, notation
from steps._shared.profile_grade import ProfileGrade, SymbolGrade, grade_profiles
from steps._shared.profile_grade import grade_symbol as grade_symbol
from steps._shared.raw_light import raw_light, visible
from steps._shared.symbology_tables import linear_symbology
from steps.contract import Mark, Marks, NotMeasured, Params, Values, View, no_marks, step

_LEAST_PX, _SURE_PX = 4.0, 6.0
_PX_SLACK = 0.05
"""Pixels a module are known to this much [px]."""
_CLIPPED = 0.02
"""Share of the lightest part of the code that may be at full scale."""


class CodeGradeLinearParams(Params):
    """Which code is graded, and under which conditions."""

    symbology: Literal["ean13", "ean8", "upca", "code128", "gs1_128", "itf14"]
    """Symbology of the code."""

    aperture_mm: float | None = Field(None, gt=0)
    """Diameter of the measuring aperture; left out: 80 % of a module [mm]."""

    decimals: bool = True
    """Whether grades are interpolated between thresholds, as in editions from 2016 on."""

    quiet_zones: bool = True
    """Whether a quiet zone that is too narrow fails a scan."""

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


class CodeGradeLinearValues(Values):
    """What is measured of the print; indicative, not a verification to a standard."""

    grade: float | None
    """Symbol grade, 0 to 4, mean of ten scans; None where it cannot be given [grade]."""

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

    rmax: float | None
    """Highest reflectance, mean of the scans [fraction]."""

    rmin: float | None
    """Lowest reflectance, mean of the scans [fraction]."""

    sc: float | None
    """Symbol contrast, mean of the scans [fraction]."""

    ecmin: float | None
    """Smallest edge contrast, mean of the scans [fraction]."""

    mod: float | None
    """Modulation, mean of the scans [fraction]."""

    defects: float | None
    """Defects, mean of the scans [fraction]."""

    decodability: float | None
    """Decodability, mean of the scans that decode [fraction]."""

    quiet_left: float | None
    """Narrowest quiet zone at the left, as far as it was scanned [X]."""

    quiet_right: float | None
    """Narrowest quiet zone at the right, as far as it was scanned [X]."""

    quiet_zones_wide: bool | None
    """Whether both quiet zones are wide enough in most scans."""

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

    worst_edge_contrast: float | None
    """Smallest edge contrast of any scan, relative to its symbol contrast [fraction]."""

    bar_gain: float | None
    """Mean excess width of the bars [X]."""

    damaged_share: float
    """Share of the bars' height where the code does not read on its own [fraction]."""

    lines_decoded: int
    """Scans, of ten, that decode to the code's content [count]."""

    void_modules: float | None
    """Side of a square as large as the largest void in a bar [X]."""

    spot_modules: float | None
    """Side of a square as large as the largest spot in a space [X]."""

    marks: Marks = Field(default_factory=no_marks)
    """The bars' area."""


def grade_profile(
    reflectance: ArrayLike,
    symbology: str | None,
    *,
    decimals: bool = True,
    quiet_zones: bool = True,
) -> ProfileGrade:
    """Grade one scan reflectance profile.

    Parameters
    ----------
    reflectance : (N,) array of float
        Reflectance from 0 to 1 along the scan, evenly spaced, quiet zones included.
    symbology : str or None
        ``"ean13"``, ``"ean8"``, ``"upca"``, ``"code128"``, ``"gs1_128"``, ``"itf14"`` or ``"itf"``
        (of any length), or as the standards write them (``"EAN-13"``); None grades what needs no
        decode.
    decimals : bool
        Interpolate grades between thresholds, else whole grades.
    quiet_zones : bool
        Whether a quiet zone that is too narrow fails the profile.

    Returns
    -------
    ProfileGrade
        All parameters, their grades, the lowest, and which it is.

    Raises
    ------
    ValueError
        For an unknown symbology or an array that is not one-dimensional.

    Notes
    -----
    The profile is taken as it is: the aperture is the caller's. Scans may run either way. Other
    print beside the code is cut off. Some 4 samples a module are needed, 10 are good.

    References
    ----------
    ISO/IEC 15416:2016; thresholds and formulas from memory.

    Examples
    --------
    >>> widths = [int(c) for c in "111" + "3211" * 4 + "11111" + "3211" * 4 + "111"]
    >>> bars = np.repeat(np.arange(len(widths)) % 2 == 0, widths)
    >>> modules = np.concatenate([np.zeros(8), bars, np.zeros(8)])
    >>> grade = grade_profile(0.8 - 0.72 * np.repeat(modules, 10), "ean8")
    >>> grade.decoded, grade.grade, round(grade.sc, 2), grade.limited_by
    ('00000000', 4.0, 0.72, '')
    """
    values = np.asarray(reflectance, np.float64)
    if values.ndim != 1:
        raise ValueError(f"a profile is one-dimensional, not {values.ndim}-dimensional")
    return grade_profiles(values[None], symbology, decimals=decimals, quiet_zones=quiet_zones)[0]


@step
def code_grade_linear(
    view: View, params: CodeGradeLinearParams
) -> CodeGradeLinearValues | NotMeasured:
    """Grade the print of a linear code by ten scans over its bars.

    Parameters
    ----------
    view : View
        Region with the code and its quiet zones. The scans are taken from the raw frame.
    params : CodeGradeLinearParams
        Symbology and conditions.

    Returns
    -------
    CodeGradeLinearValues or NotMeasured
        Not measured where no code or bars are found.

    Notes
    -----
    The code is found by reading, or by its bars alone. Its bars are followed to their ends, ten
    lines are laid over 10 to 90 % of their height and sampled in linear light through a round
    aperture; the blur of pixels and lens is undone as far as the pixels allow. No grade below 4 px
    a module or where light is clipped: indicators remain. Between 4 and 6 px `mod_bias` says how
    far the modulation is off. A glossy place or a strong gradient of light is measured as print.

    References
    ----------
    ISO/IEC 15416:2016; thresholds and formulas from memory.

    Examples
    --------
    >>> widths = [int(c) for c in "111" + "3211" * 4 + "11111" + "3211" * 4 + "111"]
    >>> bars = np.repeat(np.arange(len(widths)) % 2 == 0, np.multiply(widths, 6))
    >>> gray = np.full((200, 82 * 6), 220, np.uint8)
    >>> gray[40:160, 48 : 48 + len(bars)] -= (180 * bars).astype(np.uint8)
    >>> values = code_grade_linear(View(gray), CodeGradeLinearParams(symbology="ean8"))
    >>> values.text, values.letter, values.lines_decoded, round(values.px_per_module, 1)
    ('00000000', 'A', 10, 6.0)
    """
    if view.gray.size == 0:
        return NotMeasured("the region is empty")
    found = find_linear(visible(view), params.symbology)
    if found is None:
        return NotMeasured("no code and no bars were found")
    to_frame = np.eye(3) if view.frame is None else np.asarray(view.to_frame, np.float64)
    line = np.asarray(cv2.perspectiveTransform(found.line[None], to_frame)[0], np.float64)
    raw = raw_light(view, line, params.channel, 1.3 * float(np.hypot(*(line[1] - line[0]))))
    area = None if raw is None else find_bars_area(raw.coded, line - raw.origin)
    if raw is None or area is None:
        return NotMeasured("the bars' area was not found")
    scale = frame_scale(view, to_frame, area.corners + raw.origin)
    survey = survey_bars(raw.light, area, params.symbology)
    if found.text is None and not _looks_like_code(survey, params.symbology):
        return NotMeasured("no code and no bars were found")
    in_mm = params.aperture_mm is not None and np.isfinite(scale.mm_per_px)
    aperture = (params.aperture_mm or 0.0) / scale.mm_per_px if in_mm else 0.8 * survey.module_px
    scans = ten_scans(raw.light, area, params.symbology, survey, aperture, scale.height_ratio)
    white = _white(scans.profiles, params)
    profiles = grade_profiles(
        np.maximum(scans.profiles, 0.0) / white,
        params.symbology,
        decimals=params.decimals,
        quiet_zones=params.quiet_zones,
    )
    symbol = grade_symbol(profiles)
    strips = look_over_height(raw.light, area, params.symbology, survey, symbol.decoded)
    seen = _Seen(symbol, survey, strips, raw.clipped_share(area.corners), found.text, in_mm)
    outline = cv2.perspectiveTransform((area.corners + raw.origin)[None], np.linalg.inv(to_frame))
    mark = Mark(np.asarray(outline[0], np.float64), "shape", symbol.decoded or "")
    return _values(seen, params, (mark,))


def _looks_like_code(survey: Survey, symbology: str) -> bool:
    """Whether bars that no reader reads are as many as a damaged code would still have."""
    elements = linear_symbology(symbology).elements
    return survey.module_px >= 1.0 and survey.edges >= (elements or 40) // 2


@dataclass(frozen=True, slots=True)
class _Seen:
    """All that was measured of one code."""

    symbol: SymbolGrade
    survey: Survey
    strips: Strips
    clipped: float
    read: str | None
    """What the reader read."""
    aperture_in_mm: bool
    """Whether the aperture is the declared one."""


def _white(profiles: NDArray[np.float64], params: CodeGradeLinearParams) -> float:
    """Light that counts as reflectance 1."""
    if params.white_level is not None:
        return params.white_level / params.white_reflectance
    return max(float(np.quantile(profiles, 0.999)), 1e-6)


def _why_no_grade(seen: _Seen) -> str | None:
    """Say why a grade cannot be given."""
    px = seen.survey.module_px
    if px < _LEAST_PX - _PX_SLACK:
        return f"too coarse to grade: {px:.1f} px per module, {_LEAST_PX:.0f} needed"
    if seen.clipped > _CLIPPED:
        return f"light is clipped: {seen.clipped:.0%} of the code's light part is at full scale"
    return None


def _values(seen: _Seen, params: CodeGradeLinearParams, marks: Marks) -> CodeGradeLinearValues:
    """Put the figures together."""
    symbol, survey = seen.symbol, seen.survey
    profiles = symbol.profiles
    why = _why_no_grade(seen)
    graded = why is None
    other = seen.read is not None and symbol.decoded not in (None, _as_graded(seen.read, params))
    grade = (0.0 if other else symbol.grade) if graded else None
    limit = "Decode" if other else symbol.limited_by
    aperture = params.aperture_mm if seen.aperture_in_mm else None
    conditions = (aperture, params.wavelength_nm, params.light_angle_deg)
    blur = 0.5 if survey.blur_px is None else survey.blur_px
    coarse = survey.module_px < _SURE_PX - _PX_SLACK
    quiet = [p.grades["Quiet zones"] > 0 for p in profiles if "Quiet zones" in p.grades]
    left = [p.quiet_left for p in profiles if p.quiet_left is not None]
    right = [p.quiet_right for p in profiles if p.quiet_right is not None]
    edges = [p.mod for p in profiles if len(p.edges)]
    flaws = seen.strips.flaws
    white = (
        "a reference patch" if params.white_level is not None else "the lightest place of the code"
    )
    return CodeGradeLinearValues(
        grade=grade,
        letter=None if grade is None else letter_of(grade),
        notation=None if grade is None else notation(grade, *conditions),
        why_no_grade=why,
        limited_by=f"{limit}: {CAUSES[limit]}" if limit and graded else "",
        standing=f"indicative, not a verification; reflectance relative to {white}",
        text=symbol.decoded,
        rmax=means(profiles, "rmax") if graded else None,
        rmin=means(profiles, "rmin") if graded else None,
        sc=means(profiles, "sc") if graded else None,
        ecmin=means(profiles, "ecmin") if graded else None,
        mod=means(profiles, "mod") if graded else None,
        defects=means(profiles, "defects") if graded else None,
        decodability=means(profiles, "decodability") if graded else None,
        quiet_left=min(left, default=None),
        quiet_right=min(right, default=None),
        quiet_zones_wide=2 * sum(quiet) > len(quiet) if quiet else None,
        px_per_module=survey.module_px,
        blur_px=survey.blur_px,
        mod_bias=expected_mod_bias(survey.module_px, blur, survey.undone_px) if coarse else None,
        clipped=seen.clipped,
        print_contrast=seen.strips.contrast,
        worst_edge_contrast=min(edges, default=None),
        bar_gain=means(profiles, "bar_gain"),
        damaged_share=seen.strips.damaged,
        lines_decoded=sum(p.decoded is not None and p.decoded == symbol.decoded for p in profiles),
        void_modules=None if flaws is None else flaws.void,
        spot_modules=None if flaws is None else flaws.spot,
        marks=marks,
    )


def _as_graded(read: str, params: CodeGradeLinearParams) -> str:
    """Write what the reader read the way the reference decode does (UPC-A without the 0)."""
    return read[1:] if params.symbology == "upca" and len(read) == 13 else read
