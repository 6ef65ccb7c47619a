"""Find the pose of a reference in a view: a coarse search, then fits to edges, then a check."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.edge_fit import Hold, fitted, likeness, look_close, look_far
from steps._shared.edge_model import EdgeModel, edge_model, level_factors, smoothed, with_borders
from steps._shared.edge_search import (
    Reach,
    Search,
    Start,
    best_starts,
    kernels_of,
    window_size,
)
from steps._shared.nominal import Nominal
from steps._shared.pose_evidence import coverage, filled, is_bent
from steps._shared.poses import corners_of, moved, reduced, through, turned
from steps.contract import Gray, Matrix

_COARSE_PX = 72.0
_POINTS = {1: 1280, 2: 640}
_POINTS_COARSE = 400
_LIKE = 0.8
_CLOSE_PX = 0.7
_AROUND_PX = 12
_FIRST_REACHES = ((3.0, 2.0), (5.0, 3.0))
_REACHES = (2.5,)
_MEND_FACTOR = 2
_MEND_REACHES = (8.0, 5.0)
_MENDED_PX = 0.4
_GUESS, _ALMOST, _CLEAR, _SURE = 0.35, 0.7, 0.8, 0.95
_ROUGH = 0.12
_ROUGH_CLOSE_PX = 0.2
_ALL_BUT_WHOLE = 0.97
_WELL_FILLED = 0.5
_FIRST_HOLDS = (Hold(0.001, 0.001), Hold(0.005, 0.005))


@dataclass(frozen=True, slots=True)
class Range:
    """What poses are looked for around the nominal one."""

    shift_px: float | None
    """To each side [px]; None: anywhere in the view."""
    turn_deg: float
    scale: float


@dataclass(frozen=True, slots=True, eq=False)
class Finder:
    """A reference made ready to be found; nothing in it changes when it is used."""

    nominal: Nominal
    models: tuple[EdgeModel, ...]
    """Edges at each reduction, the largest reduction first, the last at full size."""
    searches: tuple[Search, ...]
    """The usual coarse search, then a finer one for when the first does not lead to the pose."""
    wanted: Range
    filled: float
    """Share of the reference's area that bears edges [fraction]."""

    @property
    def sure_from(self) -> float:
        """Give the quality from which no other pose needs to be tried.

        Where edges are few or only near the border, a pose that follows a wrong line at one side
        still explains most of them.
        """
        return _ALMOST if self.filled >= _WELL_FILLED else _ALL_BUT_WHOLE


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A pose and how well it is borne out."""

    from_plane: Matrix
    """From the plane of the reference to pixels of the view."""
    quality: float
    """Share of the edges that lie where the pose puts them and look alike [fraction]."""
    visible: float
    """Share of the edges that lie in the view and may be measured [fraction]."""
    coverage: float
    """Share of its width, or of its height if less, over which edges agree [fraction]."""
    agreeing: int
    """How many edges of the full-size model agree."""
    bent: bool
    """Whether the pose is far from a move, turn and scale in the plane."""

    def is_clear(self, enough: float) -> bool:
        """Say whether no other pose needs to be tried.

        A pose that a good part of the edges does not bear out must not be bent as well: that is
        how a fit looks which follows a wrong line at one side.
        """
        return self.quality >= max(enough, _CLEAR if self.bent else 0.0)


def coarse_factor(nominal_px: tuple[float, float]) -> int:
    """Choose the reduction of the coarse search for a reference of a size in pixels."""
    # A long panel bears a coarser search than its area says.
    side = max(math.sqrt(nominal_px[0] * nominal_px[1]), max(nominal_px) / 1.35, 1.0)
    factor = 1 << max(0, round(math.log2(side / _COARSE_PX)))
    while factor > 1 and min(nominal_px) / factor < 14:
        factor //= 2
    return factor


def make_finder(
    nominal: Nominal,
    factor: int,
    wanted: Range,
    usual_shape: tuple[int, ...] | None,
    outline: bool,
) -> Finder:
    """Take the edges of a reference and render it for the coarse search."""
    models: list[EdgeModel] = []
    for level in level_factors(factor):
        image, usable = _reduce(nominal.image, level), _reduce(nominal.usable, level)
        usable = np.where(usable >= 250, np.uint8(255), np.uint8(0))
        most = _POINTS.get(level, _POINTS_COARSE)
        to_canonical = nominal.to_canonical @ np.linalg.inv(reduced(level))
        to_plane = np.linalg.solve(nominal.pose @ nominal.from_plane, to_canonical)
        model = edge_model(image, usable, level, most, np.asarray(to_plane, np.float64))
        if outline:
            corners = through(
                np.linalg.inv(to_canonical) @ nominal.pose, corners_of(nominal.size_mm)
            )
            model = with_borders(model, image, corners, np.asarray(to_plane, np.float64))
        models.append(model)
    searches = [_search(nominal, factor, wanted, usual_shape, 0.6)]
    if factor > 1:
        searches.append(_search(nominal, factor // 2, wanted, usual_shape, 1.5))
    printed = models[-1].points[: models[-1].printed]
    share = filled(nominal.size_mm, printed)
    return Finder(nominal, tuple(models), tuple(searches), wanted, share)


def _search(
    nominal: Nominal, factor: int, wanted: Range, usual_shape: tuple[int, ...] | None, room: float
) -> Search:
    """Render the reference for one coarse search, `room` times the usual distance between turns."""
    h, w = nominal.image.shape
    corner_px = math.hypot(w, h) / 2 / factor
    step = room * 2.4 / corner_px
    turns = _evenly(wanted.turn_deg, math.degrees(step))
    scales = [1 + s for s in _evenly(wanted.scale, step)]
    middle = (nominal.size_mm[0] / 2, nominal.size_mm[1] / 2)
    back = np.linalg.inv(nominal.pose)
    moves = [nominal.pose @ turned(t, s, middle) @ back for s in scales for t in turns]
    corner, kernels = kernels_of(nominal.image, nominal.usable, nominal.to_canonical, moves, factor)
    search = Search(factor, corner, kernels)
    if usual_shape is None and wanted.shift_px is None:
        return search
    reach = _reach(search, wanted, usual_shape or (0, 0), (0, 0))
    window = window_size(search, reach)
    return replace(search, usual=(window, search.spectra(window)))


def _evenly(most: float, step: float) -> list[float]:
    """Cover -most to most so that no value is further than half a step from one given."""
    count = max(1, math.ceil(2 * most / step - 1e-9))
    return [most * ((2 * k + 1) / count - 1) for k in range(count)]


def _reach(search: Search, wanted: Range, shape: tuple[int, ...], offset: tuple[int, int]) -> Reach:
    """Say how far to look: as asked, or anywhere in the view."""
    if wanted.shift_px is not None:
        r = math.ceil(wanted.shift_px / search.factor)
        return Reach(r, r, r, r)
    rows, cols = search.kernels[0].x.shape
    left, top = search.corner[0] + offset[0], search.corner[1] + offset[1]
    beyond = max(rows, cols) // 8
    right = shape[1] // search.factor - cols - left
    down = shape[0] // search.factor - rows - top
    return Reach(*(max(0, v + beyond) for v in (left, right, top, down)))


def _reduce(image: Gray, factor: int) -> Gray:
    """Reduce by a power of two, mean of each block, halving step by step."""
    while factor > 1:
        h, w = image.shape[0] // 2, image.shape[1] // 2
        if not h or not w:
            return image
        cut = image[: 2 * h, : 2 * w]
        image = np.asarray(cv2.resize(cut, (w, h), interpolation=cv2.INTER_AREA), np.uint8)
        factor //= 2
    return image


def find(
    finder: Finder,
    gray: Gray,
    mask: NDArray[np.uint8] | None,
    offset: tuple[float, float],
    enough: float,
) -> Found | None:
    """Find the reference.

    Parameters
    ----------
    finder : Finder
        What is looked for.
    gray, mask : (M, N) uint8
        The view, and where it may be measured.
    offset : tuple of float
        Where the canonical view's origin lies in the view [px].
    enough : float
        A quality at which no second way in is tried [fraction].

    Returns
    -------
    Found or None
        The best-borne-out pose, however poor; None where no fit can be made at all.
    """
    levels = _levels(finder, gray)
    masks = None if mask is None else _levels(finder, mask)
    nominal = finder.nominal
    usual = moved(*offset) @ nominal.pose @ nominal.from_plane
    to_plane = np.asarray(np.linalg.inv(nominal.from_plane), np.float64)
    scene = _Scene(through(to_plane, corners_of(nominal.size_mm)), levels, masks, usual)
    best: Found | None = None
    for search in finder.searches:
        most = 2 if finder.filled >= _WELL_FILLED else 4
        starts = _starts(finder, search, scene, offset, most)
        for start, reaches in product(starts, _FIRST_REACHES):
            found = _follow(finder, scene, start, reaches)
            if found is not None and _GUESS < found.quality < _SURE:
                found = _mended(finder, scene, found)
            if found is not None and (best is None or found.quality > best.quality):
                best = found
            if best is not None and best.is_clear(max(enough, finder.sure_from)):
                return best
        if best is not None and best.is_clear(enough) and finder.filled >= _WELL_FILLED:
            return best
    return best


def _levels(finder: Finder, image: Gray) -> dict[int, Gray]:
    """Give the image at every reduction that is needed."""
    levels = {1: image}
    factor, last = 1, image
    while factor < finder.searches[0].factor:
        factor, last = factor * 2, _reduce(last, 2)
        levels[factor] = last
    return levels


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """A view at every reduction, and where the nominal pose lies in it."""

    corners: NDArray[np.float64]
    """(4, 2) of the reference, in its plane."""
    levels: dict[int, Gray]
    masks: dict[int, Gray] | None
    usual: Matrix
    """From the plane of the reference to pixels of the view, in the nominal place."""


def _starts(
    finder: Finder, search: Search, scene: _Scene, offset: tuple[float, float], most: int
) -> list[Matrix]:
    """Give poses to start from, plane to view pixels."""
    f = search.factor
    whole = (round(offset[0] / f), round(offset[1] / f))
    mask = None if scene.masks is None else _only_whole(scene.masks[f])
    reach = _reach(search, finder.wanted, scene.levels[1].shape, whole)
    starts: Sequence[Start] = best_starts(search, scene.levels[f], mask, whole, reach, most)
    into = moved(whole[0] * f, whole[1] * f)
    return [into @ start.move @ finder.nominal.pose @ finder.nominal.from_plane for start in starts]


def _follow(
    finder: Finder, scene: _Scene, start: Matrix, reaches: tuple[float, ...]
) -> Found | None:
    """Fit from the coarsest level, with the reaches given, to full size and check the result.

    A short reach keeps lines that run side by side apart; a long one makes up for a start that is
    further off.
    """
    pose = start
    holds = _FIRST_HOLDS
    for model in finder.models:
        cut = _cut(scene, model.factor, pose)
        if cut is None:
            return None
        here = cut.from_view @ pose
        for reach, hold in zip(reaches, holds, strict=True):
            seen = look_far(cut.image, cut.mask, model, here, reach)
            here, _ = fitted(model, seen, here, cut.usual, hold, _ROUGH * reach)
        pose = np.linalg.inv(cut.from_view) @ here
        reaches, holds = (_REACHES, (Hold(),)) if model.factor > 2 else ((), ())
        if model.factor == 1:
            return _checked(finder, cut, here)
    return None


def _mended(finder: Finder, scene: _Scene, found: Found) -> Found:
    """Look further for the edges that a pose does not explain, and keep what is better.

    Notes
    -----
    Where a line runs close beside another, a fit may settle on the wrong one at one side of the
    reference and bend the pose. The edges that agree are kept in place; the others are looked for
    over a wider reach, and all are fitted together.
    """
    model = next(model for model in finder.models if model.factor <= _MEND_FACTOR)
    cut = _cut(scene, model.factor, found.from_plane)
    if cut is None:
        return found
    here = cut.from_view @ found.from_plane
    before = through(here, scene.corners)
    for reach in _MEND_REACHES:
        seen = look_far(cut.image, cut.mask, model, here, _REACHES[0])
        lost = ~(np.abs(seen.offsets) < _CLOSE_PX)
        far = look_far(cut.image, cut.mask, model.part(lost), here, reach)
        seen.offsets[lost] = far.offsets
        here, _ = fitted(model, seen, here, cut.usual, Hold(), reach / 4)
        if np.abs(through(here, scene.corners) - before).max() < _MENDED_PX:
            return found
    seen = look_far(cut.image, cut.mask, model, here, _REACHES[0])
    here, _ = fitted(model, seen, here, cut.usual, Hold(), _ROUGH * _REACHES[0])
    pose = np.linalg.inv(cut.from_view) @ here
    cut = _cut(scene, 1, pose)
    if cut is None:
        return found
    model, here = finder.models[-1], cut.from_view @ pose
    seen = look_far(cut.image, cut.mask, model, here, _REACHES[0])
    here, _ = fitted(model, seen, here, cut.usual, Hold(), _ROUGH * _REACHES[0])
    again = _checked(finder, cut, here)
    return again if again.quality > found.quality else found


def _checked(finder: Finder, cut: _Cut, pose: Matrix) -> Found:
    """Fit twice more by whole profiles and count the edges that bear the pose out."""
    model = finder.models[-1]
    seen = look_close(cut.image, cut.mask, model, pose)
    pose, _ = fitted(model, seen, pose, cut.usual, Hold(), _ROUGH_CLOSE_PX)
    seen = look_close(cut.image, cut.mask, model, pose)
    pose, left = fitted(model, seen, pose, cut.usual, Hold())
    agreeing = (np.abs(left) < _CLOSE_PX) & (likeness(model, seen) >= _LIKE)
    usable = int(seen.usable[: model.printed].sum())
    return Found(
        np.linalg.inv(cut.from_view) @ pose,
        float(agreeing.sum() / max(usable, 1)),
        usable / max(model.printed, 1),
        coverage(finder.nominal.size_mm, model.points[: model.printed], agreeing),
        int(agreeing.sum()),
        is_bent(cut.usual, pose),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """The part of a level that a pose covers, smoothed."""

    image: NDArray[np.float32]
    mask: NDArray[np.uint8] | None
    from_view: Matrix
    """From pixels of the view to pixels of `image`."""
    usual: Matrix
    """The nominal pose, plane to pixels of `image`."""


def _cut(scene: _Scene, factor: int, pose: Matrix) -> _Cut | None:
    """Cut the part of a level that the reference covers and smooth it; None where there is none."""
    image = scene.levels[factor]
    to_level = reduced(factor) @ pose
    ends = through(to_level, scene.corners)
    if not np.isfinite(ends).all() or np.abs(ends).max() > 1e5:
        return None
    x0, y0 = (max(0, int(v) - _AROUND_PX) for v in ends.min(axis=0))
    x1, y1 = (max(0, int(v) + _AROUND_PX + 1) for v in ends.max(axis=0))
    part = image[y0:y1, x0:x1]
    if min(part.shape) < _AROUND_PX:
        return None
    mask = None
    if scene.masks is not None:
        whole = _only_whole(scene.masks[factor][y0:y1, x0:x1])
        shrunk = cv2.erode(whole, np.ones((7, 7), np.uint8), borderValue=255)
        mask = np.asarray(shrunk, np.uint8)
    from_view = moved(-x0, -y0) @ reduced(factor)
    return _Cut(smoothed(part), mask, from_view, from_view @ scene.usual)


def _only_whole(mask: Gray) -> Gray:
    """Keep of a reduced mask what every pixel of a block allows."""
    return np.where(mask >= 250, np.uint8(255), np.uint8(0))
