"""Grades of a matrix symbol whose grid is known."""

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.data_matrix import data_matrix_layout
from steps._shared.matrix_grid import Floats, MatrixGrid, centres, sample
from steps._shared.matrix_layout import Layout, place_words, read_words
from steps._shared.matrix_measures import (
    axial_nonuniformity,
    estimate_module_blur,
    grid_nonuniformity,
    module_modulation,
    sharpened,
    through_aperture,
    unused_error_correction,
)
from steps._shared.matrix_patterns import (
    QR_QUIET,
    ModuleGrades,
    best_level,
    data_matrix_segments,
    qr_segments,
)
from steps._shared.print_grades import grade_parameter, limiting, pass_or_fail
from steps._shared.qr import (
    Format,
    qr_layout,
    read_bits,
    read_format,
    version_bits,
    version_places,
)
from steps._shared.reed_solomon import find_errors


def _nothing() -> dict[str, float]:
    return {}


@dataclass(frozen=True, slots=True, eq=False)
class MatrixGrade:
    """What a matrix symbol gives; reflectances as shares of the white that was given."""

    rmax: float = 0.0
    rmin: float = 0.0
    sc: float = 0.0
    """Symbol contrast, Rmax - Rmin."""
    mod: float = 0.0
    """Grade of modulation by the overlay procedure [grade]."""
    rm: float = 0.0
    """Grade of reflectance margin: as `mod`, modules of the wrong colour count as 0 [grade]."""
    worst_module: float = 0.0
    """Smallest modulation of a data module, negative on the wrong side [ratio]."""
    fpd: float = 0.0
    """Fixed pattern damage, lowest of its segments [grade]."""
    an: float = 0.0
    """Axial non-uniformity [ratio]."""
    gn: float = 0.0
    """Largest distance of a grid crossing from the ideal grid [X]."""
    uec: float = 0.0
    """Unused error correction of the worst block [ratio]."""
    errors: tuple[int, ...] = ()
    """Wrong codewords of each block; -1 where there are too many."""
    decoded: str | None = None
    """Content, where the symbol decodes."""
    print_gain: tuple[float, float] = (0.0, 0.0)
    """Excess width of dark modules along both axes [X]."""
    px_per_module: float = 0.0
    """Mean size of a module [px]."""
    blur_px: float | None = None
    """Blur of picture and print together [px]."""
    rows: int = 0
    columns: int = 0
    matrix: Floats | None = None
    """(3, 3) from modules to pixels."""
    dark: NDArray[np.bool_] | None = None
    """(R, C) modules as sampled."""
    modules: ModuleGrades | None = None
    """Grades and colours of all modules, where the format is known."""
    segments: dict[str, float] = field(default_factory=_nothing)
    """Grades of the fixed patterns by segment."""
    grades: dict[str, float] = field(default_factory=_nothing)
    """Grade of each parameter."""
    grade: float = 0.0
    """Lowest of the parameter grades."""
    limited_by: str = "Decode"
    """Parameter with the lowest grade; empty where all are 4."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """How a symbol is measured."""

    aperture: float = 0.8
    """Diameter of the aperture [X]."""
    white: float | None = None
    """Light that counts as reflectance 1; None: the lightest place of the symbol."""
    decimals: bool = False
    """Whether grades of ratios are interpolated."""


def grade_grid(
    picture: NDArray[np.float32],
    grid: MatrixGrid,
    qr: bool,
    text: str | None,
    conditions: Conditions,
    spacings: tuple[float, float] | None = None,
) -> MatrixGrade:
    """Measure and grade a symbol whose grid is known.

    Parameters
    ----------
    picture : (M, N) float32
        Linear light.
    grid : MatrixGrid
        Its grid in that picture.
    qr : bool
        QR, else Data Matrix.
    text : str or None
        What a reader read.
    conditions : Conditions
        Aperture, white, kind of grades.
    spacings : (float, float), optional
        Module sizes along both axes in the plane of the print; of the picture where left out.

    Returns
    -------
    MatrixGrade
    """
    px = float(np.mean(grid.px_per_module))
    blur = estimate_module_blur(picture, grid)
    undone = min(0.5 if blur is None else blur, 0.35 * px)
    x, y = centres(grid.rows, grid.columns, 1)
    calm = np.asarray(cv2.blur(picture, (3, 3)), np.float32)
    plain = sample(calm, grid.matrix, x, y)
    seen = through_aperture(sharpened(picture, undone), conditions.aperture * px)
    # Wide areas reach their level before sharpening; what passes it is overshoot.
    seen = np.clip(seen, np.float32(plain.min()), np.float32(plain.max()))
    margin = QR_QUIET if qr else 1
    fine = np.arange(-3.0 * margin, 3.0 * (grid.columns + margin)) / 3.0 + 1.0 / 6.0
    down = np.arange(-3.0 * margin, 3.0 * (grid.rows + margin)) / 3.0 + 1.0 / 6.0
    x, y = np.meshgrid(fine, down)
    everywhere = sample(seen, grid.matrix, x, y)
    white = conditions.white or max(float(everywhere.max()), 1e-6)
    rmax, rmin = float(everywhere.max()) / white, float(everywhere.min()) / white
    modules = everywhere[1::3, 1::3] / white
    threshold, contrast = (rmax + rmin) / 2.0, rmax - rmin
    dark = modules < threshold
    inner = dark[margin:-margin, margin:-margin]
    along = spacings or grid.px_per_module
    an, gn = axial_nonuniformity(*along), grid_nonuniformity(grid)
    form = read_format(inner) if qr else None
    layout = _layout(grid, qr, form)
    base = MatrixGrade(
        rmax=rmax,
        rmin=rmin,
        sc=contrast,
        an=an,
        gn=gn,
        print_gain=grid.gain,
        px_per_module=px,
        blur_px=blur,
        rows=grid.rows,
        columns=grid.columns,
        matrix=grid.matrix,
        dark=inner,
    )
    ratios = {
        "SC": grade_parameter("SC", contrast, decimals=conditions.decimals),
        "AN": grade_parameter("AN", an, decimals=conditions.decimals),
        "GN": grade_parameter("GN", gn, decimals=conditions.decimals),
    }
    if layout is None:
        return replace(base, grades={"Decode": 0.0, **ratios})
    words = read_words(layout, inner)
    corrected, errors = _correct(layout, words)
    decoded = all(e >= 0 for e in errors)
    uec = min(
        unused_error_correction(e, b.check) if e >= 0 else 0.0
        for e, b in zip(errors, layout.blocks, strict=True)
    )
    modulation = module_modulation(modules, threshold, contrast)
    ideal = _ideal(layout, corrected, inner, margin)
    right = np.pad(_on_right_side(inner, ideal, margin), margin, constant_values=True)
    right &= ideal == dark
    grades = _module_grades(modulation)
    margin_grades = np.where(right, grades, 0.0)
    centre = (slice(margin, -margin), slice(margin, -margin))
    mod = overlay(layout, grades[centre])
    rm = overlay(layout, margin_grades[centre]) if decoded else 0.0
    segments_of = ModuleGrades(margin, ideal, margin_grades)
    segments = (
        qr_segments(segments_of, grid.rows)
        if qr
        else data_matrix_segments(segments_of, grid.rows, grid.columns)
    )
    signed = np.where(right, modulation, -modulation)[centre][layout.word >= 0]
    all_grades = {
        "Decode": pass_or_fail(decoded),
        **ratios,
        "MOD": mod,
        "RM": rm,
        "FPD": min(segments.values()),
        "UEC": grade_parameter("UEC", uec, decimals=conditions.decimals),
    }
    if form is not None:
        all_grades["Format"] = _format_grade(form, inner)
    return replace(
        base,
        mod=mod,
        rm=rm,
        worst_module=float(signed.min()),
        fpd=min(segments.values()),
        uec=uec,
        errors=errors,
        decoded=text if decoded else None,
        modules=segments_of,
        segments=segments,
        grades=all_grades,
        grade=min(all_grades.values()),
        limited_by=limiting(all_grades),
    )


def of_another_kind(grade: MatrixGrade) -> MatrixGrade:
    """Give grade 0 for Decode to a symbol that holds other data than it is asked to.

    Examples
    --------
    >>> of_another_kind(MatrixGrade(decoded="A", grades={"Decode": 4.0}, grade=4.0)).limited_by
    'Decode'
    """
    grades = grade.grades | {"Decode": 0.0}
    return replace(grade, decoded=None, grades=grades, grade=0.0, limited_by="Decode")


def overlay(layout: Layout, grades: Floats) -> float:
    """Grade by the overlay procedure.

    Parameters
    ----------
    layout : Layout
        Which module belongs to which codeword.
    grades : (R, C) float64
        Grade of each module.

    Returns
    -------
    float
        Largest of min(level, grade of the unused error correction left when all codewords with a
        module below the level count as wrong).

    Examples
    --------
    >>> from steps._shared.data_matrix import data_matrix_layout
    >>> overlay(data_matrix_layout(10, 10), np.full((10, 10), 3.0))
    3.0
    """
    data = layout.word >= 0
    worst = np.full(layout.word_count, 4.0)
    np.minimum.at(worst, layout.word[data], grades[data])

    def score(level: float) -> float:
        left = min(
            unused_error_correction(int(np.count_nonzero(worst[b.words] < level)), b.check)
            for b in layout.blocks
        )
        return grade_parameter("UEC", left, decimals=False)

    return best_level(score)


def _layout(grid: MatrixGrid, qr: bool, form: Format | None) -> Layout | None:
    """Layout of the symbol; None for a QR symbol without readable format."""
    if not qr:
        return data_matrix_layout(grid.rows, grid.columns)
    return None if form is None else qr_layout((grid.rows - 17) // 4, form.level, form.mask)


def _correct(layout: Layout, words: NDArray[np.int64]) -> tuple[NDArray[np.int64], tuple[int, ...]]:
    """Correct all blocks; -1 errors where a block has too many."""
    corrected = words.copy()
    errors: list[int] = []
    for block in layout.blocks:
        wrong = find_errors(words[block.words], block.check, layout.field)
        errors.append(-1 if wrong is None else len(wrong))
        for place, change in (wrong or {}).items():
            corrected[block.words[place]] ^= change
    return corrected, tuple(errors)


def _ideal(
    layout: Layout, words: NDArray[np.int64], dark: NDArray[np.bool_], margin: int
) -> NDArray[np.bool_]:
    """Colours that modules should have, light about them; what varies besides as it is seen."""
    ideal = place_words(layout, words)
    colours = np.where(ideal == -2, dark, ideal == 1)
    return np.pad(colours, margin, constant_values=False)


def _on_right_side(
    dark: NDArray[np.bool_], ideal: NDArray[np.bool_], margin: int
) -> NDArray[np.bool_]:
    """Whether each module of the symbol has the colour it should have."""
    return dark == ideal[margin:-margin, margin:-margin]


def _module_grades(modulation: Floats) -> Floats:
    """Whole grades of modules by their modulation."""
    steps = np.array([0.2, 0.3, 0.4, 0.5]) - 1e-9
    return np.searchsorted(steps, modulation, side="right").astype(np.float64)


def _format_grade(form: Format, dark: NDArray[np.bool_]) -> float:
    """Grade format and version information: 4 less one for each wrong bit, copies averaged."""
    wrong = [form.wrong]
    size = len(dark)
    if size >= 45:
        bits = version_bits((size - 17) // 4)
        copies = [(read_bits(dark, p) ^ bits).bit_count() for p in version_places(size)]
        wrong.append((copies[0], copies[1]))
    grades = [float(np.ceil(np.mean([max(0, 4 - w) for w in pair]))) for pair in wrong]
    return min(grades)
