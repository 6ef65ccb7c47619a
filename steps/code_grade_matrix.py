"""Print quality of a Data Matrix or QR code: contrast, overlay, fixed patterns, grid, errors."""

from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field

from steps._shared.camera_limits import expected_matrix_bias
from steps._shared.frame_scale import frame_scale
from steps._shared.light import to_linear
from steps._shared.matrix_find import MATRIX, find_matrix
from steps._shared.matrix_grade import Conditions, MatrixGrade, grade_grid, of_another_kind
from steps._shared.matrix_grid import MatrixGrid, fit_grid, quad
from steps._shared.print_grades import CAUSES, letter_of, mean_grade, notation
from steps._shared.raw_light import raw_light, visible
from steps._shared.symbology_names import STANDARD_NAMES, our_name
from steps.contract import Mark, Marks, NotMeasured, Params, Values, View, no_marks, step

_LEAST_PX, _SURE_PX = 4.0, 6.0
_PX_SLACK = 0.05
"""Pixels a module are known to this much [px]."""
_CLIPPED = 0.02
"""Share of the lightest part of the code that may be at full scale."""


class CodeGradeMatrixParams(Params):
    """Which code is graded, and under which conditions."""

    symbology: Literal["datamatrix", "gs1_datamatrix", "qr", "gs1_qr"]
    """Symbology of the code."""

    aperture_mm: float | None = Field(None, gt=0)
    """Diameter of the measuring aperture; left out: 80 % of a module [mm]."""

    decimals: bool = False
    """Whether grades of SC, AN, GN and UEC are interpolated between thresholds."""

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


class CodeGradeMatrixValues(Values):
    """What is measured of the print; indicative, not a verification to a standard."""

    grade: float | None
    """Symbol grade of this one picture, 0 to 4; None where it cannot be given [grade]."""

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
    """Content, where the symbol decodes."""

    sc: float | None
    """Symbol contrast [fraction]."""

    mod: float | None
    """Modulation by the overlay procedure [grade]."""

    rm: float | None
    """Reflectance margin by the overlay procedure [grade]."""

    fpd: float | None
    """Fixed pattern damage, its worst segment [grade]."""

    worst_segment: str | None
    """The fixed pattern with the most damage; None where there is none."""

    an: float | None
    """Axial non-uniformity [fraction]."""

    gn: float | None
    """Grid non-uniformity [X]."""

    uec: float
    """Unused error correction of the worst block; 0 where it does not decode [fraction]."""

    wrong_words: int | None
    """Codewords that had to be corrected; None where there are too many [count]."""

    px_per_module: float
    """Pixels of the frame a module [px]."""

    blur_px: float | None
    """Blur of picture and print together, standard deviation [px]."""

    mod_bias: float | None
    """By how much pixels and blur are expected to shift the modulation of single modules; stated
    below 6 px a module [fraction]."""

    clipped: float
    """Share of the code's light part that is at full scale [fraction]."""

    print_contrast: float
    """(light - dark) / light of the print [fraction]."""

    worst_module: float | None
    """Smallest modulation of a data module, negative with the wrong colour [fraction]."""

    gain_across: float
    """Excess width of dark modules across the symbol [X]."""

    gain_down: float
    """Excess height of dark modules [X]."""

    marks: Marks = Field(default_factory=no_marks)
    """The symbol's outline."""


def grade_matrix(
    gray: ArrayLike,
    symbology: str,
    *,
    gamma: str | float = 1.0,
    aperture: float = 0.8,
    white: float | None = None,
    decimals: bool = False,
) -> MatrixGrade:
    """Grade a Data Matrix or QR code in one picture.

    Parameters
    ----------
    gray : (M, N) array
        uint8 or uint16 grey levels, or float reflectance from 0 to 1.
    symbology : str
        ``"datamatrix"``, ``"gs1_datamatrix"``, ``"qr"`` or ``"gs1_qr"``, or as the standards write
        them (``"Data Matrix"``).
    gamma : str or float
        How integer values are coded, as in `View.gamma`.
    aperture : float
        Diameter of the measuring aperture [X].
    white : float, optional
        Light that counts as reflectance 1; integers: as a share of full scale. Left out, floats
        are reflectance as they stand, and integers are relative to full scale.
    decimals : bool
        Interpolate grades of SC, AN, GN and UEC between thresholds.

    Returns
    -------
    MatrixGrade
        Grade 0, limited by Decode, where no symbol is found.

    Raises
    ------
    ValueError
        For another symbology, or an array that is not two-dimensional.

    Notes
    -----
    A reader finds the symbol; its grid is fitted to the edges between modules, modules are sampled
    through the aperture, codewords corrected by our own Reed-Solomon decoder. The symbol is taken
    to be seen straight on: perspective is taken out of GN, not of AN.

    References
    ----------
    ISO/IEC 15415:2011, 16022 Annex M, 18004 Annex G; formulas and thresholds from memory.

    Examples
    --------
    >>> from steps._shared.data_matrix import data_matrix_layout
    >>> from steps._shared.matrix_layout import place_words
    >>> words = np.array([142, 164, 186, 114, 25, 5, 88, 102])  # "123456"
    >>> dark = np.pad(place_words(data_matrix_layout(10, 10), words), 3)
    >>> grade = grade_matrix(0.9 - 0.8 * np.kron(dark, np.ones((9, 9))), "datamatrix")
    >>> grade.decoded, grade.grade, round(grade.sc, 2), grade.uec
    ('123456', 4.0, 0.8, 1.0)
    """
    values = np.asarray(gray)
    if values.ndim != 2:
        raise ValueError(f"a picture is two-dimensional, not {values.ndim}-dimensional")
    name = our_name(symbology, MATRIX)
    if values.dtype.kind == "u":
        light = to_linear(values, gamma)
        seen = values if values.dtype == np.uint8 else (values >> 8).astype(np.uint8)
    else:
        light = np.nan_to_num(values.astype(np.float32))
        seen = np.clip(np.rint(255.0 * light), 0, 255).astype(np.uint8)
    found = find_matrix(seen, name)
    grid = None
    if found is not None and found.has_layout:
        grid = fit_grid(light, found.corners, found.rows, found.columns)
    if found is None or grid is None:
        return MatrixGrade(grades={"Decode": 0.0})
    conditions = Conditions(aperture, 1.0 if white is None else white, decimals)
    grade = grade_grid(light, grid, "qr" in name, found.text, conditions)
    return of_another_kind(grade) if found.foreign else grade


@step
def code_grade_matrix(
    view: View, params: CodeGradeMatrixParams
) -> CodeGradeMatrixValues | NotMeasured:
    """Grade the print of a Data Matrix or QR code.

    Parameters
    ----------
    view : View
        Region with the code and its quiet zone. Modules are sampled from the raw frame.
    params : CodeGradeMatrixParams
        Symbology and conditions.

    Returns
    -------
    CodeGradeMatrixValues or NotMeasured
        Not measured where no code is found.

    Notes
    -----
    One picture stands for the several turned ones of the standard. Axial non-uniformity is that of
    the rectified view; a view that is not rectified counts the slant of the camera as print. No
    grade below 4 px a module or where light is clipped: contrast, gain, errors and unused error
    correction remain. Between 4 and 6 px `mod_bias` says how far a module's modulation is off.

    References
    ----------
    ISO/IEC 15415:2011; formulas and thresholds from memory.

    Examples
    --------
    >>> from steps._shared.data_matrix import data_matrix_layout
    >>> from steps._shared.matrix_layout import place_words
    >>> words = np.array([142, 164, 186, 114, 25, 5, 88, 102])
    >>> dark = np.pad(place_words(data_matrix_layout(10, 10), words), 3)
    >>> gray = (220 - 200 * np.kron(dark, np.ones((9, 9)))).astype(np.uint8)
    >>> values = code_grade_matrix(View(gray), CodeGradeMatrixParams(symbology="datamatrix"))
    >>> values.text, values.letter, values.uec, round(values.px_per_module, 1)
    ('123456', 'A', 1.0, 9.0)
    """
    if view.gray.size == 0:
        return NotMeasured("the region is empty")
    found = find_matrix(visible(view), params.symbology)
    if found is None:
        return NotMeasured("no code was found")
    if not found.has_layout:
        size = f"{found.rows} x {found.columns}"
        return NotMeasured(
            f"{STANDARD_NAMES[params.symbology]} symbols of {size} modules are not graded"
        )
    to_frame = np.eye(3) if view.frame is None else np.asarray(view.to_frame, np.float64)
    corners = np.asarray(cv2.perspectiveTransform(found.corners[None], to_frame)[0], np.float64)
    side = float(np.hypot(*(corners[1] - corners[0])))
    raw = raw_light(view, corners, params.channel, 0.3 * side + 8.0)
    grid = None
    if raw is not None:
        grid = fit_grid(raw.light, corners - raw.origin, found.rows, found.columns)
    if raw is None or grid is None:
        return NotMeasured("the grid of the code was not found")
    outline = quad(grid.matrix, grid.rows, grid.columns)
    flat = _in_view(outline + raw.origin, to_frame)
    scale = frame_scale(view, to_frame, outline + raw.origin)
    in_mm = params.aperture_mm is not None and np.isfinite(scale.mm_per_px)
    module_mm = grid.px_per_module[0] * scale.mm_per_px
    aperture = (params.aperture_mm or 0.0) / module_mm if in_mm else 0.8
    white = None
    if params.white_level is not None:
        white = params.white_level / params.white_reflectance
    grade = grade_grid(
        raw.light,
        grid,
        "qr" in params.symbology,
        found.text,
        Conditions(aperture, white, params.decimals),
        _spacings(flat, grid),
    )
    if found.foreign:
        grade = of_another_kind(grade)
    mark = Mark(flat, "shape", grade.decoded or "")
    return _values(grade, params, raw.clipped_share(outline), in_mm, (mark,))


def _in_view(points: NDArray[np.float64], to_frame: NDArray[np.float64]) -> NDArray[np.float64]:
    """Bring points of the frame into the view."""
    moved = cv2.perspectiveTransform(points[None], np.linalg.inv(to_frame))[0]
    return np.asarray(moved, np.float64)


def _spacings(corners: NDArray[np.float64], grid: MatrixGrid) -> tuple[float, float]:
    """Mean module sizes along both axes, from the corners in the view."""
    c = corners
    along = float(np.hypot(*(c[1] - c[0])) + np.hypot(*(c[2] - c[3]))) / 2.0
    down = float(np.hypot(*(c[3] - c[0])) + np.hypot(*(c[2] - c[1]))) / 2.0
    return along / grid.columns, down / grid.rows


def _why_no_grade(grade: MatrixGrade, clipped: float) -> str | None:
    """Say why a grade cannot be given."""
    px = grade.px_per_module
    if px < _LEAST_PX - _PX_SLACK:
        return f"too coarse to grade: {px:.1f} px per module, {_LEAST_PX:.0f} needed"
    if clipped > _CLIPPED:
        return f"light is clipped: {clipped:.0%} of the code's light part is at full scale"
    return None


def _values(
    grade: MatrixGrade,
    params: CodeGradeMatrixParams,
    clipped: float,
    in_mm: bool,
    marks: Marks,
) -> CodeGradeMatrixValues:
    """Put the figures together."""
    why = _why_no_grade(grade, clipped)
    graded = why is None
    worth = mean_grade([grade.grade]) if graded else None
    limit = grade.limited_by
    worst = min(grade.segments, key=lambda name: grade.segments[name], default=None)
    if worst is not None and grade.segments[worst] >= 4.0:
        worst = None
    patch = "a reference patch" if params.white_level is not None else "the code's lightest place"
    aperture = params.aperture_mm if in_mm else None
    blur = 0.5 if grade.blur_px is None else grade.blur_px
    px = grade.px_per_module
    coarse = px < _SURE_PX - _PX_SLACK
    conditions = (aperture, params.wavelength_nm, params.light_angle_deg)
    decodes = grade.grades.get("Decode", 0.0) > 0
    return CodeGradeMatrixValues(
        grade=worth,
        letter=None if worth is None else letter_of(worth),
        notation=None if worth is None else notation(worth, *conditions),
        why_no_grade=why,
        limited_by=f"{limit}: {CAUSES[limit]}" if limit and graded else "",
        standing=f"indicative, not a verification; reflectance relative to {patch}",
        text=grade.decoded,
        sc=grade.sc if graded else None,
        mod=grade.mod if graded else None,
        rm=grade.rm if graded else None,
        fpd=grade.fpd if graded else None,
        worst_segment=worst,
        an=grade.an if graded else None,
        gn=grade.gn if graded else None,
        uec=grade.uec,
        wrong_words=sum(grade.errors) if decodes else None,
        px_per_module=px,
        blur_px=grade.blur_px,
        mod_bias=expected_matrix_bias(px, blur, min(blur, 0.35 * px)) if coarse else None,
        clipped=clipped,
        print_contrast=grade.sc / grade.rmax if grade.rmax > 0 else 0.0,
        worst_module=grade.worst_module if decodes else None,
        gain_across=grade.print_gain[0],
        gain_down=grade.print_gain[1],
        marks=marks,
    )
