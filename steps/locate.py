"""Find the pose of a panel or label whose size is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from steps._shared.nominal import gray_of, render
from steps._shared.pose_finder import Finder, Range, coarse_factor, find, make_finder
from steps._shared.poses import (
    corners_of,
    departure,
    from_corners,
    mean_mm_per_px,
    mm_to_pixels,
    moved,
    through,
)
from steps.contract import (
    Given,
    Mark,
    Marks,
    Matrix,
    NotMeasured,
    Params,
    Pose,
    ReferenceFile,
    UnusableReference,
    Values,
    View,
    no_marks,
    step,
)

_LEAST_POINTS = 40
_LEAST_VISIBLE = 0.6
_ENOUGH = 0.6
_LEAST_SIDE_PX = 16


class LocateParams(Params):
    """What is looked for, and where."""

    reference: ReferenceFile
    """Picture of the panel or label: the print file, a cut-out of a frame, or a whole frame."""

    size_mm: tuple[float, float]
    """Width and height of the panel or label [mm]."""

    corners_px: (
        tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
        | None
    ) = None
    """Where its four corners lie in a usual frame, clockwise from its top left [px]; a slanted
    camera needs them. Only for a step that is not placed by another."""

    corners_area_mm: tuple[float, float, float, float] | None = None
    """The part (x, y, width, height) of the reference to whose corners `corners_px` belong, where
    its own corners are out of the picture; by default the whole reference [mm]."""

    reference_is_frame: bool = False
    """Whether the reference is a whole frame of a good carton, to which `corners_px` belong."""

    at_mm: tuple[float, float] | None = None
    """Where its top left corner should lie in the region of a placed step, from the region's own
    top left corner [mm]. Neither this nor `corners_px`: in the middle of the view, not turned."""

    mm_per_px: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    """Scale of the view [mm/px]; by default the scale of the placing step, or else that of the
    reference picture. Not used with `corners_px`."""

    search_mm: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    """How far from its place it is looked for, to each side [mm]; by default anywhere in view."""

    search_deg: float = Field(default=5.0, ge=0, le=180)
    """How far it may be turned from its place, either way [deg]."""

    search_scale: float = Field(default=0.03, ge=0, le=0.3)
    """How much larger or smaller it may appear [fraction]."""

    leave_out_mm: tuple[tuple[float, float, float, float], ...] = ()
    """Parts (x, y, width, height) of the reference that may change or move and do not count:
    a window, a date, a label pasted on the panel [mm]."""

    outline: bool = False
    """Whether the physical border counts as an edge beside the print; helps where there is little
    print. Not for a reference whose border is no edge."""

    min_quality: float = Field(default=0.6, ge=0, le=1)
    """A pose of lower quality is not measured [fraction]."""

    min_coverage: float = Field(default=0.7, ge=0, le=1)
    """Where it is seen over less of its width or height, it is not measured: half-hidden, or half
    out of the picture [fraction]."""


class LocateValues(Values):
    """Where it was found, from its nominal place."""

    quality: float
    """Share of the reference's edges that are seen where the pose puts them [fraction]."""

    coverage: float
    """Share of its width, or of its height if that is less, over which its print is seen; strips
    without print do not count [fraction]."""

    shift_mm: float
    """How far its middle lies from the nominal place [mm]."""

    shift_x_mm: float
    """The same, to the right [mm]."""

    shift_y_mm: float
    """The same, downwards [mm]."""

    turn_deg: float
    """How far it is turned, clockwise [deg]."""

    scale: float
    """How large it appears; 1 is as in the nominal place [fraction]."""

    aspect: float
    """Scale across over scale down; 1 is as in the nominal place, more where it is tilted away at
    the top or bottom, as a lifted lid is [fraction]."""

    pose: Pose
    """From mm of the reference to pixels of the view."""

    marks: Marks = no_marks()
    """Its outline."""


@dataclass(frozen=True, slots=True, eq=False)
class LocatePrepared:
    """A reference made ready to be found."""

    finder: Finder
    mm_per_px: float
    """Scale of the nominal place [mm/px]."""
    nominal: Matrix
    """From mm of the reference to pixels of the canonical view."""
    from_middle: bool
    """Whether the canonical view's origin is the middle of the view."""
    in_frame: bool
    """Whether the canonical view is the whole frame."""

    def offset(self, view: View) -> tuple[float, float]:
        """Give where the canonical view's origin lies in a view [px]."""
        if self.from_middle:
            return (view.gray.shape[1] - 1) / 2, (view.gray.shape[0] - 1) / 2
        if self.in_frame:
            return -float(view.to_frame[0, 2]), -float(view.to_frame[1, 2])
        return 0.0, 0.0


def prepare(params: LocateParams, given: Given) -> LocatePrepared:
    """Take the edges of the reference as the camera would see them in the nominal place.

    Raises
    ------
    UnusableReference
        When the reference is no picture or shows too little, or settings do not fit together.
    """
    image = given.references[params.reference].image
    if image is None:
        raise UnusableReference("the reference of `locate` is a picture (PNG or JPEG)")
    gray = gray_of(image)
    if min(params.size_mm) <= 0 or not np.isfinite(params.size_mm).all():
        raise UnusableReference("both sides are above 0 mm", "size_mm")
    to_reference = _mm_to_reference(params, gray.shape[1], gray.shape[0])
    nominal, from_middle = _nominal(params, given, to_reference)
    mm_per_px = mean_mm_per_px(nominal, params.size_mm)
    factor = coarse_factor((params.size_mm[0] / mm_per_px, params.size_mm[1] / mm_per_px))
    shown = render(gray, to_reference, nominal, params.size_mm, params.leave_out_mm, 2 * factor)
    shift_px = None if params.search_mm is None else params.search_mm / mm_per_px
    wanted = Range(shift_px, params.search_deg, params.search_scale)
    usual: tuple[int, ...] | None = gray.shape if params.reference_is_frame else None
    if given.region_mm is not None and not from_middle:
        usual = (round(given.region_mm[1] / mm_per_px), round(given.region_mm[0] / mm_per_px))
    finder = make_finder(shown, factor, wanted, usual, params.outline)
    if finder.models[-1].printed < _LEAST_POINTS:
        raise UnusableReference("the reference shows too few edges to be found by")
    in_frame = params.corners_px is not None
    return LocatePrepared(finder, mm_per_px, nominal, from_middle, in_frame)


def _mm_to_reference(params: LocateParams, width: int, height: int) -> Matrix:
    """Give mm -> pixels of the reference picture."""
    if not params.reference_is_frame:
        return mm_to_pixels((params.size_mm[0] / width, params.size_mm[1] / height))
    if params.corners_px is None:
        raise UnusableReference("a whole frame needs `corners_px`", "reference_is_frame")
    return _from_corners(params)


def _from_corners(params: LocateParams) -> Matrix:
    """Give mm -> pixels of the frame in which the corners were picked."""
    x, y, w, h = params.corners_area_mm or (0.0, 0.0, *params.size_mm)
    matrix = from_corners((w, h), params.corners_px or ()) if min(w, h) > 0 else None
    if matrix is None:
        raise UnusableReference("four corners, clockwise from the top left", "corners_px")
    return matrix @ moved(-x, -y)


def _nominal(params: LocateParams, given: Given, to_reference: Matrix) -> tuple[Matrix, bool]:
    """Give mm -> pixels of the canonical view, and whether its origin is the view's middle."""
    if params.corners_px is not None:
        if given.region_mm is not None:
            why = "a placed step sees no whole frame: give `at_mm` in its region"
            raise UnusableReference(why, "corners_px")
        if params.at_mm is not None:
            raise UnusableReference("give `corners_px` or `at_mm`, not both", "at_mm")
        return _from_corners(params), False
    mm_per_px = params.mm_per_px or given.mm_per_px
    if not math.isfinite(mm_per_px):
        mm_per_px = mean_mm_per_px(to_reference, params.size_mm)
    square = mm_to_pixels((mm_per_px, mm_per_px), params.at_mm or (0.0, 0.0))
    if params.at_mm is not None:
        return square, False
    x, y = through(square, [(params.size_mm[0] / 2, params.size_mm[1] / 2)])[0]
    return moved(-float(x), -float(y)) @ square, True


@step
def locate(
    view: View, params: LocateParams, prepared: LocatePrepared
) -> LocateValues | NotMeasured:
    """Find a panel or label by the edges of its print, to a fraction of a pixel.

    Parameters
    ----------
    view : View
        The frame or a part of it, or a rectified view where another step places this one; (M, N)
        uint8 grey.
    params : LocateParams
        What is looked for, and where.
    prepared : LocatePrepared
        The reference made ready by `prepare`.

    Returns
    -------
    LocateValues or NotMeasured
        Not measured when nothing bears a pose out: no panel, another product, half of it hidden.

    Notes
    -----
    The reference is rendered as the camera sees it in the nominal place. Edge directions are
    correlated with the much reduced view over turns, scales and shifts. From the best place a
    homography is fitted to where each edge is seen along its normal, from coarse to fine, each
    edge weighted by Tukey's function; weak knowledge keeps it near a move in the plane where edges
    are few. The last fits compare the grey levels across each edge with the reference's, free of
    gain, offset and change of sharpness. Where a fit is poor, edges are looked for further away,
    other places are tried, then a finer search.

    It needs about 40 edge points spread over the reference (a few words), a contrast of 10 grey
    levels, and print at least 100 px long; `outline` helps where there is one line of print only.
    `quality` is about 0.95 to 1 for a panel seen whole, below 0.3 for another product. It does not
    tell variants of one design apart. Where lines near the border are nearly all there is, a pose
    that takes one line for another still explains up to 0.93: set `min_quality: 0.95` there.
    Stripes or dots that repeat over the whole reference, and print that bends, are its limits; a
    panel tilted out of its plane is found to about 20 degrees.

    References
    ----------
    P. J. Huber, "Robust Statistics", 1981 (fits by weights); R. Hartley, A. Zisserman, "Multiple
    View Geometry", 2nd edition, chapter 4 (homographies and their scaling).

    Examples
    --------
    >>> from steps.contract import Reference
    >>> print_file = np.full((120, 160), 200, np.uint8)
    >>> print_file[20:50, 20:90] = 60
    >>> print_file[70:100, 50:140] = 90
    >>> frame = np.full((240, 320), 200, np.uint8)
    >>> frame[65:185, 83:243] = print_file
    >>> params = LocateParams(reference="label.png", size_mm=(80, 60))
    >>> given = Given({"label.png": Reference("label.png", print_file)})
    >>> found = locate(View(frame), params, prepare(params, given))
    >>> round(found.shift_x_mm, 2), round(found.shift_y_mm, 2), round(found.quality, 1)
    (1.5, 2.5, 1.0)
    """
    if min(view.gray.shape) < _LEAST_SIDE_PX:
        return NotMeasured(f"the view is less than {_LEAST_SIDE_PX} px wide or high")
    found = find(
        prepared.finder,
        view.gray,
        view.mask,
        prepared.offset(view),
        max(params.min_quality, _ENOUGH),
    )
    if found is None:
        return NotMeasured("not found: too few edges in the view")
    if not found.is_clear(params.min_quality) or found.agreeing < _LEAST_POINTS / 2:
        return NotMeasured(f"not found: best place has quality {found.quality:.2f}")
    if found.visible < _LEAST_VISIBLE:
        return NotMeasured(f"only {found.visible:.0%} of its print lies where it may be measured")
    if found.coverage < params.min_coverage:
        return NotMeasured(f"hidden: only {found.coverage:.0%} of its width or height is seen")
    pose = found.from_plane @ np.linalg.inv(prepared.finder.nominal.from_plane)
    pose /= pose[2, 2]
    away = departure(moved(*prepared.offset(view)) @ prepared.nominal, pose, params.size_mm)
    outline = through(pose, corners_of(params.size_mm))
    return LocateValues(
        quality=found.quality,
        coverage=found.coverage,
        shift_mm=math.hypot(away.shift_x_mm, away.shift_y_mm),
        shift_x_mm=away.shift_x_mm,
        shift_y_mm=away.shift_y_mm,
        turn_deg=away.turn_deg,
        scale=away.scale,
        aspect=away.aspect,
        pose=Pose(pose, params.size_mm),
        marks=(Mark(outline, "shape"),),
    )
