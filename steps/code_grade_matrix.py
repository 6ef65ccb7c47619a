"""Print quality of a Data Matrix or QR code: contrast, overlay, fixed patterns, grid, errors."""

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field

from steps._shared.camera_limits import expected_matrix_bias
from steps._shared.frame_scale import frame_scale
from steps._shared.grade_survey import matrix_survey
from steps._shared.grading import GradeParams, GradeValues, is_coarse, spoken, why_no_grade
from steps._shared.light import to_linear
from steps._shared.matrix_find import MATRIX, find_matrix
from steps._shared.matrix_grade import Conditions, MatrixGrade, grade_grid, of_another_kind
from steps._shared.matrix_grid import MatrixGrid, fit_grid, quad, spacing
from steps._shared.print_grades import mean_grade
from steps._shared.raw_light import raw_light, visible
from steps._shared.symbology_names import STANDARD_NAMES, our_name
from steps.contract import Mark, Marks, NotMeasured, View, no_marks, step


class CodeGradeMatrixParams(GradeParams):
    """Which code is graded, and under which conditions."""

    symbology: Literal["datamatrix", "gs1_datamatrix", "qr", "gs1_qr"]
    """Symbology of the code; an ordinary symbol where a GS1 one is asked for does not decode."""

    decimals: bool = False
    """Whether grades of SC, AN, GN and UEC are interpolated between thresholds."""


class CodeGradeMatrixValues(GradeValues):
    """What is measured of the print; indicative, not a verification to a standard."""

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
    seen = _look(view, params)
    return seen if isinstance(seen, NotMeasured) else _values(seen, params)


def survey(
    view: View, params: CodeGradeMatrixParams
) -> tuple[CodeGradeMatrixValues, dict[str, Any]] | NotMeasured:
    """Grade as the step does, with what is needed to draw it.

    Parameters
    ----------
    view, params
        As of the step.

    Returns
    -------
    (CodeGradeMatrixValues, dict) or NotMeasured
        The values, and plain data as `matrix_survey` describes them.

    Examples
    --------
    >>> survey(View(np.zeros((9, 9), np.uint8)), CodeGradeMatrixParams(symbology="qr"))
    NotMeasured(why='no code was found')
    """
    seen = _look(view, params)
    if isinstance(seen, NotMeasured):
        return seen
    values = _values(seen, params)
    graded = values.why_no_grade is None
    drawn = matrix_survey(seen.grade, seen.to_view, params.symbology, graded)
    return values, drawn | {"aperture_modules": seen.aperture}


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """All that was measured of one code."""

    grade: MatrixGrade
    to_view: NDArray[np.float64]
    """(3, 3) from modules to pixels of the view."""
    clipped: float
    aperture: float
    """Diameter of the aperture [X]."""
    aperture_in_mm: bool
    """Whether the aperture is the declared one."""


def _look(view: View, params: CodeGradeMatrixParams) -> _Seen | NotMeasured:
    """Find the symbol and measure it."""
    if view.gray.size == 0:
        return NotMeasured("the region is empty")
    found = find_matrix(visible(view), params.symbology)
    if found is None:
        return NotMeasured("no code was found")
    if not found.has_layout:
        size = f"{found.rows} x {found.columns}"
        name = STANDARD_NAMES[params.symbology]
        return NotMeasured(f"{name} symbols of {size} modules are not graded")
    to_frame = np.eye(3) if view.frame is None else np.asarray(view.to_frame, np.float64)
    corners = np.asarray(cv2.perspectiveTransform(found.corners[None], to_frame)[0], np.float64)
    side = float(np.hypot(*(corners[1] - corners[0])))
    raw = raw_light(view, corners, params.channel, 0.3 * side + 8.0)
    grid = None
    if raw is not None:
        grid = fit_grid(raw.light, corners - raw.origin, found.rows, found.columns)
    if raw is None or grid is None:
        return NotMeasured("the grid of the code was not found")
    to_view = _to_view(grid, raw.origin, to_frame)
    outline = quad(grid.matrix, grid.rows, grid.columns)
    scale = frame_scale(view, to_frame, outline + raw.origin)
    in_mm = params.aperture_mm is not None and bool(np.isfinite(scale.mm_per_px))
    module_mm = grid.px_per_module[0] * scale.mm_per_px
    aperture = (params.aperture_mm or 0.0) / module_mm if in_mm else 0.8
    conditions = Conditions(aperture, params.white, params.decimals)
    flat = spacing(to_view, grid.rows, grid.columns)
    grade = grade_grid(raw.light, grid, "qr" in params.symbology, found.text, conditions, flat)
    if found.foreign:
        grade = of_another_kind(grade)
    return _Seen(grade, to_view, raw.clipped_share(outline), aperture, in_mm)


def _to_view(
    grid: MatrixGrid, origin: NDArray[np.float64], to_frame: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Map modules to pixels of the view."""
    shift = np.array([[1.0, 0.0, origin[0]], [0.0, 1.0, origin[1]], [0.0, 0.0, 1.0]])
    return np.asarray(np.linalg.inv(to_frame) @ shift @ grid.matrix, np.float64)


def _values(seen: _Seen, params: CodeGradeMatrixParams) -> CodeGradeMatrixValues:
    """Put the figures together."""
    grade, px = seen.grade, seen.grade.px_per_module
    why = why_no_grade(px, seen.clipped)
    graded = why is None
    worst = min(grade.segments, key=lambda name: grade.segments[name], default=None)
    if worst is not None and grade.segments[worst] >= 4.0:
        worst = None
    blur = 0.5 if grade.blur_px is None else grade.blur_px
    bias = expected_matrix_bias(px, blur, min(blur, 0.35 * px)) if is_coarse(px) else None
    decodes = bool(grade.errors) and all(e >= 0 for e in grade.errors)
    names = ("sc", "mod", "rm", "fpd", "an", "gn")
    figures: dict[str, Any] = {name: getattr(grade, name) if graded else None for name in names}
    outline = quad(seen.to_view, grade.rows, grade.columns)
    return CodeGradeMatrixValues(
        **spoken(mean_grade([grade.grade]), grade.limited_by, why, params, seen.aperture_in_mm),
        **figures,
        text=grade.decoded,
        worst_segment=worst,
        uec=grade.uec,
        wrong_words=sum(grade.errors) if decodes else None,
        px_per_module=px,
        blur_px=grade.blur_px,
        mod_bias=bias,
        clipped=seen.clipped,
        print_contrast=grade.sc / grade.rmax if grade.rmax > 0 else 0.0,
        worst_module=grade.worst_module if decodes else None,
        gain_across=grade.print_gain[0],
        gain_down=grade.print_gain[1],
        marks=(Mark(outline, "shape", grade.decoded or ""),),
    )
