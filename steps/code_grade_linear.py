"""Print quality of a linear code: ten scans over its bars, graded; indicators at any size."""

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field

from steps._shared.bar_scans import (
    Strips,
    Survey,
    look_over_height,
    mean_of,
    survey_bars,
    ten_scans,
)
from steps._shared.bars_area import find_bars_area
from steps._shared.camera_limits import expected_mod_bias
from steps._shared.frame_scale import frame_scale
from steps._shared.grade_survey import linear_survey
from steps._shared.grading import GradeParams, GradeValues, is_coarse, spoken, why_no_grade
from steps._shared.linear_find import find_linear
from steps._shared.profile_grade import ProfileGrade, SymbolGrade, grade_profiles
from steps._shared.profile_grade import grade_symbol as grade_symbol
from steps._shared.raw_light import raw_light, visible
from steps._shared.scan_lines import Scans
from steps._shared.symbology_tables import linear_symbology
from steps.contract import Mark, Marks, NotMeasured, View, no_marks, step


class CodeGradeLinearParams(GradeParams):
    """Which code is graded, and under which conditions."""

    symbology: Literal["ean13", "ean8", "upca", "code128", "gs1_128", "itf14"]
    """Symbology of the code."""

    decimals: bool = True
    """Whether grades are interpolated between thresholds, as in editions from 2016 on."""

    quiet_zones: bool = True
    """Whether a quiet zone that is too narrow fails a scan."""


class CodeGradeLinearValues(GradeValues):
    """What is measured of the print; indicative, not a verification to a standard."""

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
    print beside the code is cut off. Some 4 samples a module are needed, 10 are good. A quiet zone
    may be short by 0.5 X, as gain and uneven edges take from it.

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
    By its rule Defects jumps: a void counts in full where a dark valley is left between it and the
    edge of its bar, else not at all. Moved by 0.02 X it goes from 0 to 0.4 in the finest scan, so
    scans of a void 0.2 to 0.3 X from an edge may be counted either way by a camera.

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
    seen = _look(view, params)
    return seen if isinstance(seen, NotMeasured) else _values(seen, params)


def survey(
    view: View, params: CodeGradeLinearParams
) -> tuple[CodeGradeLinearValues, dict[str, Any]] | NotMeasured:
    """Grade as the step does, with what is needed to draw it.

    Parameters
    ----------
    view, params
        As of the step.

    Returns
    -------
    (CodeGradeLinearValues, dict) or NotMeasured
        The values, and plain data as `linear_survey` describes them.

    Examples
    --------
    >>> survey(View(np.zeros((9, 9), np.uint8)), CodeGradeLinearParams(symbology="ean13"))
    NotMeasured(why='no code and no bars were found')
    """
    seen = _look(view, params)
    if isinstance(seen, NotMeasured):
        return seen
    values = _values(seen, params)
    drawn = linear_survey(
        seen.symbol.profiles,
        seen.reflectance,
        seen.module_samples,
        params.symbology,
        values.why_no_grade is None,
    )
    return values, drawn | {"outline": seen.outline.tolist(), "aperture_modules": seen.aperture}


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """All that was measured of one code."""

    symbol: SymbolGrade
    bars: Survey
    strips: Strips
    scans: Scans
    reflectance: NDArray[np.float64]
    """(P, N) profiles as they are graded."""
    outline: NDArray[np.float64]
    """(4, 2) corners of the bars' area in the view."""
    clipped: float
    read: str | None
    """What the reader read."""
    aperture: float
    """Diameter of the aperture [X]."""
    aperture_in_mm: bool
    """Whether the aperture is the declared one."""

    @property
    def module_samples(self) -> float:
        """Width of a module [samples]."""
        return self.bars.module_px * self.scans.samples_per_px


def _look(view: View, params: CodeGradeLinearParams) -> _Seen | NotMeasured:
    """Find the code and scan it."""
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
    bars = survey_bars(raw.light, area, params.symbology)
    if found.text is None and not _looks_like_code(bars, params.symbology):
        return NotMeasured("no code and no bars were found")
    in_mm = params.aperture_mm is not None and np.isfinite(scale.mm_per_px)
    aperture = (params.aperture_mm or 0.0) / scale.mm_per_px if in_mm else 0.8 * bars.module_px
    scans = ten_scans(raw.light, area, params.symbology, bars, aperture, scale.height_ratio)
    lightest = max(float(np.quantile(scans.profiles, 0.999)), 1e-6)
    reflectance = np.maximum(scans.profiles, 0.0) / (params.white or lightest)
    profiles = grade_profiles(
        reflectance, params.symbology, decimals=params.decimals, quiet_zones=params.quiet_zones
    )
    symbol = grade_symbol(profiles)
    strips = look_over_height(raw.light, area, params.symbology, bars, symbol.decoded)
    outline = cv2.perspectiveTransform((area.corners + raw.origin)[None], np.linalg.inv(to_frame))
    return _Seen(
        symbol, bars, strips, scans, reflectance, np.asarray(outline[0], np.float64),
        raw.clipped_share(area.corners), found.text, aperture / bars.module_px, in_mm,
    )  # fmt: skip


def _looks_like_code(bars: Survey, symbology: str) -> bool:
    """Whether bars that no reader reads are as many as a damaged code would still have."""
    elements = linear_symbology(symbology).elements
    return bars.module_px >= 1.0 and bars.edges >= (elements or 40) // 2


def _values(seen: _Seen, params: CodeGradeLinearParams) -> CodeGradeLinearValues:
    """Put the figures together."""
    symbol, bars = seen.symbol, seen.bars
    profiles = symbol.profiles
    px = bars.module_px
    why = why_no_grade(px, seen.clipped)
    graded = why is None
    other = seen.read is not None and symbol.decoded not in (None, _as_graded(seen.read, params))
    grade, limit = (0.0, "Decode") if other else (symbol.grade, symbol.limited_by)
    blur = 0.5 if bars.blur_px is None else bars.blur_px
    quiet = [p.grades["Quiet zones"] > 0 for p in profiles if "Quiet zones" in p.grades]
    left = [p.quiet_left for p in profiles if p.quiet_left is not None]
    right = [p.quiet_right for p in profiles if p.quiet_right is not None]
    edges = [p.mod for p in profiles if len(p.edges)]
    flaws = seen.strips.flaws
    names = ("rmax", "rmin", "sc", "ecmin", "mod", "defects", "decodability")
    means: dict[str, Any] = {n: mean_of(profiles, n) if graded else None for n in names}
    return CodeGradeLinearValues(
        **spoken(grade, limit, why, params, seen.aperture_in_mm),
        **means,
        text=symbol.decoded,
        quiet_left=min(left, default=None),
        quiet_right=min(right, default=None),
        quiet_zones_wide=2 * sum(quiet) > len(quiet) if quiet else None,
        px_per_module=px,
        blur_px=bars.blur_px,
        mod_bias=expected_mod_bias(px, blur, bars.undone_px) if is_coarse(px) else None,
        clipped=seen.clipped,
        print_contrast=seen.strips.contrast,
        worst_edge_contrast=min(edges, default=None),
        bar_gain=mean_of(profiles, "bar_gain"),
        damaged_share=seen.strips.damaged,
        lines_decoded=sum(p.decoded is not None and p.decoded == symbol.decoded for p in profiles),
        void_modules=None if flaws is None else flaws.void,
        spot_modules=None if flaws is None else flaws.spot,
        marks=(Mark(seen.outline, "shape", symbol.decoded or ""),),
    )


def _as_graded(read: str, params: CodeGradeLinearParams) -> str:
    """Write what the reader read the way the reference decode does (UPC-A without the 0)."""
    return read[1:] if params.symbology == "upca" and len(read) == 13 else read
