"""Scan and grade bars whose area is known: pixels a module, blur, ten scans, strips."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps._shared.bar_indicators import Flaws, print_contrast, worst_flaws
from steps._shared.bars_area import BarsArea
from steps._shared.profile_grade import ProfileGrade, grade_profiles
from steps._shared.scan_lines import Scans, estimate_blur, scan_lines, sharpening
from steps._shared.symbology_tables import linear_symbology

Floats = NDArray[np.float64]

_STRIPS = 24

SCAN_PLACES: Floats = 0.1 + 0.08 * (np.arange(10, dtype=np.float64) + 0.5)
"""Where the ten scans lie, as shares of the bars' height: evenly in 10 to 90 % of it."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What is seen of the bars at first sight."""

    module_px: float
    """Pixels a module [px]."""
    blur_px: float | None
    """Blur of picture and print together [px]; None where no edges stand free."""
    reversed: bool
    """Whether the scan runs from the symbol's right to its left."""
    edges: int
    """Median number of edges of a line."""

    @property
    def undone_px(self) -> float:
        """How much blur is undone: what was measured, at most 0.35 of a module [px]."""
        blur = 0.5 if self.blur_px is None else self.blur_px
        return max(0.05, min(blur, 0.35 * self.module_px))


@dataclass(frozen=True, slots=True)
class Strips:
    """What is seen over the height of the bars."""

    damaged: float
    """Share of the height that does not read on its own."""
    contrast: float
    """(light - dark) / light."""
    flaws: Flaws | None
    """Worst void and spot; None where no strip reads."""


def survey_bars(light: NDArray[np.float32], area: BarsArea, symbology: str) -> Survey:
    """Measure pixels a module and blur on a few lines.

    Parameters
    ----------
    light : (M, N) float32
        Linear light.
    area : BarsArea
        Where the bars lie.
    symbology : str
        As ``"ean13"``.

    Returns
    -------
    Survey

    Notes
    -----
    Where no line decodes, the module is that of `module_of`.
    """
    places = np.array([0.2, 0.35, 0.5, 0.65, 0.8])

    def lines(aperture_px: float) -> tuple[Scans, list[ProfileGrade]]:
        step = _step_px(area, None)
        scans = scan_lines(
            light, area, places, margin=(0.06, 0.06), step_px=step, aperture_px=aperture_px
        )
        return scans, grade_profiles(scans.profiles, symbology, quiet_zones=False)

    scans, points = lines(0.0)
    blur = estimate_blur(scans.profiles, [p.edges for p in points], scans.samples_per_px)
    modules = [p.module for p in points if p.module is not None]
    if modules:
        module = float(np.median(modules)) / scans.samples_per_px
    else:
        module = module_of([p.edges for p in points]) / scans.samples_per_px
        # Small voids and spots split bars for a point, not for an aperture.
        scans, points = lines(0.8 * module)
        modules = [p.module for p in points if p.module is not None]
        if modules:
            module = float(np.median(modules)) / scans.samples_per_px
    backwards = sum(p.reversed for p in points) * 2 > len(modules)
    edges = int(np.median([len(p.edges) for p in points]))
    return Survey(max(module, 0.2), blur, backwards, edges)


def module_of(edges: Sequence[Floats]) -> float:
    """Estimate the module of bars that do not decode, whatever their gain.

    Parameters
    ----------
    edges : sequence of (K,) float64
        Edges of each line [samples].

    Returns
    -------
    float
        1 where there are too few edges [samples].

    Notes
    -----
    From one edge to the next but one it is a whole number of modules, two at least, and bar gain
    cancels: half of the shortest such distances is made finer by what fits most of them. Edges
    that voids and spots add do not fit and are few.

    Examples
    --------
    >>> edges = np.cumsum(np.array([1, 1, 2, 1, 3, 2, 1, 1, 1, 2, 2, 1, 1, 3, 1, 1]) * 9.0)
    >>> gain = np.where(np.arange(16) % 2, 1.5, -1.5)
    >>> bool(abs(module_of([edges + gain]) - 9.0) < 0.1)
    True
    """
    pairs = np.concatenate([e[2:] - e[:-2] for e in edges] or [np.zeros(0)])
    if len(pairs) < 4:
        return 1.0
    guess = max(float(np.quantile(pairs, 0.1)) / 2.0, 1e-6)
    trials = guess * np.linspace(0.8, 1.25, 91)
    modules = pairs[None] / trials[:, None]
    off = np.minimum(np.abs(np.subtract(modules, np.rint(modules))), 0.25)
    return float(trials[int(np.argmin(np.mean(off * off, axis=1)))])


def ten_scans(
    light: NDArray[np.float32],
    area: BarsArea,
    symbology: str,
    survey: Survey,
    aperture_px: float,
    height_ratio: float = 1.0,
) -> Scans:
    """Scan ten lines over 10 to 90 % of the bars' height, quiet zones included.

    Parameters
    ----------
    light : (M, N) float32
        Linear light.
    area : BarsArea
        Where the bars lie.
    symbology : str
        As ``"ean13"``.
    survey : Survey
        Pixels a module and blur.
    aperture_px : float
        Diameter of the aperture [px].
    height_ratio : float
        Scale along the bars over that along the scan.

    Returns
    -------
    Scans
    """
    return scan_lines(
        light, area, SCAN_PLACES,
        margin=_margins(area, symbology, survey, 1.0), step_px=_step_px(area, survey),
        aperture_px=aperture_px, blur_px=survey.undone_px, height_ratio=height_ratio,
    )  # fmt: skip


def look_over_height(
    light: NDArray[np.float32], area: BarsArea, symbology: str, survey: Survey, text: str | None
) -> Strips:
    """Read the bars strip by strip over their height, and look for voids and spots.

    Parameters
    ----------
    light : (M, N) float32
        Linear light.
    area : BarsArea
        Where the bars lie.
    symbology : str
        As ``"ean13"``.
    survey : Survey
        Pixels a module and blur.
    text : str or None
        What a strip must hold.

    Returns
    -------
    Strips
    """
    places = 0.05 + 0.9 * (np.arange(_STRIPS, dtype=np.float64) + 0.5) / _STRIPS
    margin = _margins(area, symbology, survey, 0.2)
    raw = scan_lines(
        light, area, places, margin=margin, step_px=_step_px(area, survey), aperture_px=0.0
    )
    contrast, high, low = print_contrast(light, area)
    if text is None:
        return Strips(1.0, contrast, None)
    sharp = _sharpened(raw, survey.undone_px, area.direction)
    grades = grade_profiles(sharp, symbology, quiet_zones=False)
    read = [g for g in grades if g.decoded == text]
    flaws = None
    if read:
        model = max(read, key=lambda g: g.mod)
        rows = max(area.height_px / survey.module_px * 0.9 / _STRIPS, 1e-9)
        module = survey.module_px * raw.samples_per_px
        flaws = worst_flaws(raw.profiles, model.edges, module, rows, (high, low))
    return Strips(1.0 - len(read) / len(grades), contrast, flaws)


def mean_of(profiles: Sequence[ProfileGrade], name: str) -> float | None:
    """Mean of a value over the profiles that have it.

    Examples
    --------
    >>> mean_of([], "sc") is None
    True
    """
    values = [v for v in (getattr(p, name) for p in profiles) if v is not None]
    return float(np.mean(values)) if values else None


def _sharpened(scans: Scans, blur_px: float, direction: tuple[float, float]) -> Floats:
    """Undo the blur of single-point scans."""
    kernel = sharpening(blur_px, scans.samples_per_px, direction)
    half = len(kernel) // 2
    wide = np.pad(scans.profiles, ((0, 0), (half, half)), mode="edge")
    return np.stack([np.convolve(row, kernel, "valid") for row in wide])


def _step_px(area: BarsArea, survey: Survey | None) -> float:
    """Distance of samples: a ninth of a module, 0.2 to 0.7 px."""
    module = 4.0 if survey is None else survey.module_px
    return float(np.clip(module / 9.0, 0.2, 0.7)) if area.width_px < 4000 else 1.0


def _margins(area: BarsArea, symbology: str, survey: Survey, share: float) -> tuple[float, float]:
    """Scan beyond the bars: a share of the quiet zones and 1.5 X more, as shares of the width."""
    known = linear_symbology(symbology)
    zones = (known.quiet_left, known.quiet_right)
    before, after = zones[::-1] if survey.reversed else zones
    x = survey.module_px / max(area.width_px, 1e-9)
    return (share * before + 1.5) * x, (share * after + 1.5) * x
