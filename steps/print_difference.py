"""Where and how strongly a print differs from good ones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from steps._shared.deviation import Deviation
from steps._shared.taught_print import LEAST, GoodPrint, learn
from steps.contract import (
    Given,
    Mark,
    Marks,
    NotMeasured,
    Params,
    ReferenceFile,
    Taught,
    UnusableReference,
    Values,
    View,
    no_marks,
    step,
)

FORMAT = 1
"""Number of the layout of a taught file."""

USUAL_SPREAD = 0.1
"""Standard deviation that scores of good prints (logarithms) have on most products."""

USUAL_WEIGHT = 20
"""Weight of `USUAL_SPREAD` against the taught scores, as so many scores."""

CORE = 5.0
"""Strength over squares of 3 px from which pixels belong to a difference."""

MOST_MARKS = 12
"""Differences outlined for people, the largest first."""


class PrintDifferenceParams(Params):
    """What the print is compared with."""

    reference: ReferenceFile
    """The taught file (`.npz`), made from about 10 good cartons."""

    local_shifts: bool = False
    """Whether slow displacements (a stretched or bent label) are taken out first, to 2 px or so."""

    counts_from: float = Field(7.0, ge=2, le=50)
    """Differences count into the areas from this `difference` on [good spreads]."""


class PrintDifferenceValues(Values):
    """What differs from the good prints."""

    difference: float
    """The strongest difference on the scale of good cartons; put the limit here [good spreads]."""

    largest_mm2: float
    """Area of the largest connected difference; 0 where nothing counts [mm2]."""

    total_mm2: float
    """Area of all differences that count [mm2]."""

    count: int
    """Connected differences that count [count]."""

    strongest: float
    """Strongest difference over what noise and the good spread explain [ratio]."""

    x_mm: float
    """Place of the strongest difference from the left of the region [mm]."""

    y_mm: float
    """Place of the strongest difference from the top of the region [mm]."""

    direction: str
    """`darker` or `lighter`: what the strongest difference is against the good print."""

    marks: Marks = Field(default_factory=no_marks)
    """Outlines of the differences that count."""


@dataclass(frozen=True, slots=True, eq=False)
class PreparedPrint:
    """A taught print, ready to compare with."""

    good: GoodPrint
    mm_per_px: float
    usual_log: float
    """Mean of the logarithms of `strongest` over good views that did not make the print."""
    usual_spread: float
    """Their standard deviation, drawn towards `USUAL_SPREAD`."""

    def difference(self, strongest: float) -> float:
        """Put the strongest difference on the scale of good cartons."""
        return (math.log(max(strongest, 1e-3)) - self.usual_log) / self.usual_spread

    def strength(self, difference: float) -> float:
        """Undo `difference`."""
        return math.exp(self.usual_log + difference * self.usual_spread)


def prepare(params: PrintDifferenceParams, given: Given) -> PreparedPrint:
    """Load the taught file.

    Raises
    ------
    UnusableReference
        When the file was not made by `teach`, or for a region of another size.
    """
    arrays = given.references[params.reference].arrays
    if not {"format", "good", "spread", "usable", "mm_per_px", "logs"} <= set(arrays):
        raise UnusableReference("this is no taught print; make it with `teach`")
    if int(arrays["format"].ravel()[0]) != FORMAT:
        raise UnusableReference("this print was taught by another version; teach it again")
    good = np.asarray(arrays["good"], np.float32)
    scale = float(arrays["mm_per_px"].ravel()[0])
    if given.region_mm is not None and math.isfinite(scale):
        taught_mm = good.shape[1] * scale, good.shape[0] * scale
        if any(abs(a - b) > 1.5 * scale for a, b in zip(taught_mm, given.region_mm, strict=True)):
            raise UnusableReference(
                f"taught for a region of {taught_mm[0]:.1f} x {taught_mm[1]:.1f} mm, "
                f"not {given.region_mm[0]:.1f} x {given.region_mm[1]:.1f} mm; teach it again"
            )
    logs = np.asarray(arrays["logs"], np.float64).ravel()
    return PreparedPrint(
        GoodPrint.of(
            good,
            np.asarray(arrays["spread"], np.float32),
            np.asarray(arrays["usable"]) > 0,
            params.local_shifts,
        ),
        scale,
        float(logs.mean()),
        _drawn_in(logs),
    )


def _drawn_in(logs: NDArray[np.float64]) -> float:
    """Give the standard deviation, drawn towards the usual one: ten scores tell it badly."""
    off = float(((logs - logs.mean()) ** 2).sum())
    total = USUAL_WEIGHT * USUAL_SPREAD**2 + off
    return math.sqrt(total / (USUAL_WEIGHT + len(logs) - 1))


def teach(views: Sequence[View], params: PrintDifferenceParams, given: Given) -> Taught:  # noqa: ARG001
    """Learn what good prints look like, from about 10 views of good cartons.

    Parameters
    ----------
    views : sequence of View
        The region on good cartons, all at one scale.
    params : PrintDifferenceParams
        Whether local shifts are taken out.
    given : Given
        Not used.

    Returns
    -------
    Taught
        The mean print, the spread about it, and the scores (``logs``) of each view against a print
        taught without it; views that are of another size, covered, or stand out are left out.

    Raises
    ------
    UnusableReference
        When fewer than three views are alike.
    """
    left_out = _unlike_in_size(views)
    kept = [i for i in range(len(views)) if i not in left_out]
    if len(kept) < LEAST:
        raise UnusableReference(
            f"{len(kept)} of {len(views)} views can be used; {LEAST} are needed"
        )
    shape = views[kept[0]].gray.shape
    fitted = [_fitted(views[i], shape) for i in kept]
    try:
        lesson = learn(
            [g for g, _ in fitted], [_valid(g, m) for g, m in fitted], params.local_shifts
        )
    except ValueError as problem:
        raise UnusableReference(str(problem)) from problem
    left_out |= {kept[k]: why for k, why in lesson.left_out.items()}
    arrays = {
        "format": np.array([FORMAT]),
        "good": lesson.good,
        "spread": lesson.spread.astype(np.float16),
        "usable": lesson.usable.astype(np.uint8),
        "mm_per_px": np.array([views[kept[0]].mm_per_px]),
        "logs": lesson.logs,
    }
    picture = np.clip(np.rint(lesson.good), 0, 255).astype(np.uint8)
    return Taught(arrays, dict(sorted(left_out.items())), picture)


def _unlike_in_size(views: Sequence[View]) -> dict[int, str]:
    """Say which views are not of the size and scale of most."""
    if not views:
        return {}
    shapes = np.array([v.gray.shape for v in views])
    usual = np.median(shapes, axis=0)
    scale = float(np.median([v.mm_per_px for v in views]))
    out: dict[int, str] = {}
    for i, view in enumerate(views):
        rows, columns = view.gray.shape
        if np.abs(usual - view.gray.shape).max() > 1:
            out[i] = f"is {columns} x {rows} px, most are {usual[1]:.0f} x {usual[0]:.0f} px"
        elif abs(view.mm_per_px - scale) > 0.01 * scale:
            out[i] = f"is at {view.mm_per_px:.3f} mm/px, most are at {scale:.3f} mm/px"
    return out


def _fitted(
    view: View, shape: tuple[int, int]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """Give grey levels and where they count, cut or filled up to a size that is 1 px off."""
    gray, mask = view.gray, view.mask
    if gray.shape != shape:
        missing = [(0, max(0, a - b)) for a, b in zip(shape, gray.shape, strict=True)]
        mask = np.full(gray.shape, 255, np.uint8) if mask is None else mask
        mask = np.pad(mask, missing)[: shape[0], : shape[1]]
        gray = np.ascontiguousarray(np.pad(gray, missing, mode="edge")[: shape[0], : shape[1]])
    if mask is None or mask.all():
        return gray, None
    return gray, cv2.erode(mask, np.ones((3, 3), np.uint8)) > 0


def _valid(gray: NDArray[np.uint8], valid: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """Give where a view counts, written out."""
    return np.ones(gray.shape, bool) if valid is None else valid


@step
def print_difference(
    view: View, params: PrintDifferenceParams, prepared: PreparedPrint
) -> PrintDifferenceValues | NotMeasured:
    """Compare a registered print with taught good ones, down to spots of 2-4 px.

    Parameters
    ----------
    view : View
        The region of the print, (M, N) uint8 grey, registered to 0.25 px or better; size as
        taught, give or take a pixel. Masked pixels (a printed date, say) do not count.
    params : PrintDifferenceParams
        What counts.
    prepared : PreparedPrint
        The taught print.

    Returns
    -------
    PrintDifferenceValues or NotMeasured
        Not measured when the view is of another size, mostly masked, or almost black.

    Notes
    -----
    The light over the view is fitted and taken out; then, in blocks of about 80 px, a small change
    of gain and offset, a shift of up to 0.8 px and a change of sharpness; a view sharper than the
    taught ones is smoothed to their sharpness. What is left is divided by the spread of the taught
    prints and by this frame's own noise, and gathered over squares of 3, 5 and 9 px. The strongest
    is told on a logarithmic scale as `difference`: 0 is the mean of good cartons that did not make
    the print, 1 their standard deviation. Good cartons keep below about 5; a limit of 7 suits most
    products. Areas count what lies above `counts_from`, so they are 0 on good cartons; limit
    `largest_mm2` instead where small spots may pass.

    Needs: 10 taught cartons that show the usual variety. For spots, 2 px at contrast 0.4 (4 px
    where noise is up to 8 grey levels and blur up to 2 px); for a changed digit, 10 px of height
    at noise up to 4 grey levels and blur up to 1 px. Keep the region 1 mm inside the label's edge.

    Fails: a stain that fades out over more than a block is taken for light; a change of colour of
    equal grey is not seen (see `colour`); light at the end of the camera's scale hides what is
    printed there.

    Examples
    --------
    >>> from steps.contract import Reference
    >>> rng = np.random.default_rng(1)
    >>> good = np.full((80, 120), 200)
    >>> good[30:50, 20:100:6] = 60
    >>> def photograph(art):
    ...     noisy = cv2.GaussianBlur(np.float32(art), (0, 0), 0.8) + rng.normal(0, 2, art.shape)
    ...     return View(np.uint8(noisy), mm_per_px=0.2)
    >>> params = PrintDifferenceParams(reference=ReferenceFile("print.npz"))
    >>> taught = teach([photograph(good) for _ in range(8)], params, Given())
    >>> reference = Reference("print.npz", arrays=taught.arrays)
    >>> prepared = prepare(params, Given(references={"print.npz": reference}))
    >>> print_difference(photograph(good), params, prepared).count
    0
    >>> spotted = good.copy()
    >>> spotted[60:64, 90:94] = 100
    >>> values = print_difference(photograph(spotted), params, prepared)
    >>> values.count, values.direction, round(values.x_mm), round(values.y_mm)
    (1, 'darker', 18, 12)
    """
    shape = prepared.good.usable.shape
    if max(abs(a - b) for a, b in zip(view.gray.shape, shape, strict=True)) > 1:
        rows, columns = view.gray.shape
        return NotMeasured(
            f"the view is {columns} x {rows} px, the print was taught at {shape[1]} x {shape[0]} px"
        )
    scale = view.mm_per_px if math.isfinite(view.mm_per_px) else prepared.mm_per_px
    if not math.isfinite(scale):
        return NotMeasured("the scale of the view is not known")
    gray, valid = _fitted(view, shape)
    counts = prepared.good.usable if valid is None else prepared.good.usable & valid
    if counts.sum() < 0.3 * prepared.good.usable.sum() or not counts.any():
        return NotMeasured("most of the print is masked or outside the frame")
    if prepared.good.gain(gray, counts) < 0.1:
        return NotMeasured("the view is almost black")
    found = prepared.good.compare(gray, valid)
    areas, marks = _differences(found, prepared.strength(params.counts_from), scale)
    return PrintDifferenceValues(
        difference=prepared.difference(found.strongest),
        largest_mm2=max(areas, default=0.0),
        total_mm2=sum(areas),
        count=len(areas),
        strongest=found.strongest,
        x_mm=(found.at[1] + 0.5) * scale,
        y_mm=(found.at[0] + 0.5) * scale,
        direction="lighter" if found.lighter else "darker",
        marks=marks,
    )


def _differences(found: Deviation, least: float, scale: float) -> tuple[list[float], Marks]:
    """Measure the connected differences that count: areas in mm2 and outlines."""
    if found.strongest < least:
        return [], ()
    seeds = found.strength >= least
    fine = np.abs(found.fine)
    labels = np.empty(seeds.shape, np.int32)
    cv2.connectedComponents((seeds | (fine >= CORE)).astype(np.uint8), labels, connectivity=8)
    at = np.flatnonzero(labels)
    label, level = labels.ravel()[at], fine.ravel()[at]
    peak = np.zeros(int(labels.max()) + 1, np.float32)
    np.maximum.at(peak, label, level)
    # Squares and blur widen a difference: its area is where it reaches a quarter of its peak.
    core = (level >= np.maximum(CORE, peak[label] / 4)) | (peak[label] < CORE)
    number_px = np.bincount(label[core], minlength=len(peak))
    seeded: list[int] = np.unique(labels[seeds]).tolist()
    seeded.sort(key=lambda one: -number_px[one])
    areas = [float(number_px[one]) * scale**2 for one in seeded]
    outlines = [
        _outline(labels == one, area) for one, area in zip(seeded[:MOST_MARKS], areas, strict=False)
    ]
    return areas, tuple(outlines)


def _outline(inside: NDArray[np.bool_], area_mm2: float) -> Mark:
    """Draw around one connected difference, 2 px away."""
    grown = cv2.dilate(inside.astype(np.uint8), np.ones((5, 5), np.uint8))
    contours, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    points = max(contours, key=len).reshape(-1, 2).astype(np.float64)
    return Mark(points, "shape", f"{area_mm2:.2g} mm2", "difference")
