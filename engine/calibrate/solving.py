"""Lens and place of a camera from the corners it has seen, with what remains unexplained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeAlias

import cv2
import numpy as np

from engine.calibrate.boards import Points
from engine.calibrate.finding import Sighting
from engine.calibrate.places import Placing, from_vectors
from engine.frame import CameraGeometry, CameraPose, Lens
from engine.problems import Problem, ProblemsFound
from engine.station.geometry import (
    directions_to_pixels,
    matrix_of,
    pixels_to_plane,
)

MIN_IMAGES = 5
"""Pictures that a lens is told from, at least [count]."""
MIN_TILT_DEG = 10.0
"""Angle between the two boards that are tilted most against each other, at least [deg]."""
MOST_FOCAL_SPREAD = 0.01
"""Standard deviation of the focal length, at most [fraction]."""
MOST_MISPLACED_MM = 2.0
"""Residual of boards at known places, at most; beyond, their places are wrong [mm]."""

_END = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 200, 1e-10)
_MODELS: tuple[tuple[int, int], ...] = (
    (0, cv2.CALIB_FIX_K1 | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST),
    (1, cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST),
    (3, cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3),
    (4, cv2.CALIB_FIX_K3),
    (5, 0),
)
"""Lens models, simple first: how many terms of distortion they have, and their flags."""

Size: TypeAlias = tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One picture against the model."""

    sighting: Sighting
    placing: Placing
    """Where the board lay before the camera."""
    off_px: Points
    """(K, 2) found minus expected [px]."""
    off_mm: Points
    """(K, 2) the same on the board [mm]."""

    @property
    def residual_px(self) -> float:
        """Root mean square of the distances [px]."""
        return rms(self.off_px)

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the board's normal [deg]."""
        return float(np.degrees(np.arccos(np.clip(self.placing.rotation[2, 2], -1, 1))))


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A calibrated lens."""

    lens: Lens
    focal_spread_px: tuple[float, float]
    """Standard deviation of the focal lengths [px]."""
    seen: tuple[Seen, ...]
    terms: int
    """Terms of distortion that the pictures support [count]."""
    left_out: int
    """Corners left out as outliers [count]."""

    @property
    def residual_px(self) -> float:
        """Root mean square over all corners [px]."""
        return rms(np.vstack([seen.off_px for seen in self.seen]))

    @property
    def residual_mm(self) -> float:
        """The same on the board [mm]."""
        return rms(np.vstack([seen.off_mm for seen in self.seen]))


@dataclass(frozen=True, slots=True, eq=False)
class PlacedCamera:
    """Where a camera stands, told from boards at known places of the carton."""

    pose: CameraPose
    seen: tuple[Seen, ...]

    @property
    def residual_px(self) -> float:
        """Root mean square over all corners [px]."""
        return rms(np.vstack([seen.off_px for seen in self.seen]))

    @property
    def residual_mm(self) -> float:
        """The same on the boards [mm]."""
        return rms(np.vstack([seen.off_mm for seen in self.seen]))


def rms(off: Points) -> float:
    """Give the root mean square length of (K, 2) differences."""
    return float(np.sqrt(np.mean(np.sum(off * off, axis=1))))


def solve_lens(sightings: Sequence[Sighting], size: Size) -> Solution:
    """Tell a lens from pictures of a board in several poses.

    Parameters
    ----------
    sightings : sequence of Sighting
        The corners of each picture.
    size : tuple
        Width and height of all of them [px].

    Raises
    ------
    ProblemsFound
        When there are too few pictures, or their poses do not tell the lens.

    Notes
    -----
    Least squares over all corners (`cv2.calibrateCamera`, after Zhang 2000). Of five models with 0
    to 5 terms of distortion the one with the smallest Bayesian criterion is taken, so that terms
    that the pictures do not support are not made up from noise at the edges. Corners further than
    6 robust standard deviations off, and more than 0.5 px, are left out, once.

    References
    ----------
    Z. Zhang, A flexible new technique for camera calibration, IEEE TPAMI 22(11), 2000.
    G. Schwarz, Estimating the dimension of a model, Annals of Statistics 6(2), 1978.
    """
    if len(sightings) < MIN_IMAGES:
        what = (
            f"{len(sightings)} usable image{'s' if len(sightings) != 1 else ''}; at least "
            f"{MIN_IMAGES} are needed, better 10 to 20, the board tilted all ways and in all parts "
            "of the frame."
        )
        raise ProblemsFound([Problem("IMAGE", 0, 0, "", "too-few-images", what)])
    _check_poses(sightings, _fit(sightings, size, 1))
    kept = list(sightings)
    best = min((_fit(kept, size, i) for i in range(len(_MODELS))), key=lambda f: f.criterion)
    pruned = [_without_outliers(s, off) for s, off in zip(kept, best.differences, strict=True)]
    left_out = sum(len(a.pixels) - len(b.pixels) for a, b in zip(kept, pruned, strict=True))
    if left_out:
        kept = pruned
        best = min((_fit(kept, size, i) for i in range(len(_MODELS))), key=lambda f: f.criterion)
    spread = max(
        best.spread_px[0] / best.lens.focal_px[0], best.spread_px[1] / best.lens.focal_px[1]
    )
    if spread > MOST_FOCAL_SPREAD:
        what = (
            f"The images tell the focal length only to {spread:.1%} (standard deviation). Tilt the "
            "board more, by 20 to 40 degrees and all ways, and fill the frame with it."
        )
        raise ProblemsFound([Problem("IMAGE", 0, 0, "", "same-pose", what)])
    seen = tuple(_seen(best.lens, s, p) for s, p in zip(kept, best.placings, strict=True))
    return Solution(best.lens, best.spread_px, seen, best.terms, left_out)


def place_camera(lens: Lens, boards: Sequence[tuple[Sighting, Placing]]) -> PlacedCamera:
    """Tell where a camera stands from boards at known places of the carton.

    Parameters
    ----------
    lens : Lens
        Its lens.
    boards : sequence of (Sighting, Placing)
        What it sees of each board, and where the board lies in coordinates of the carton.

    Raises
    ------
    ProblemsFound
        When several boards do not fit one place of the camera.
    """
    matrix, bent = matrix_of(lens), np.array(lens.distortion)
    first, place = boards[0]
    count, turns, shifts, errors = cv2.solvePnPGeneric(
        first.board_mm, first.pixels, matrix, bent, flags=cv2.SOLVEPNP_IPPE
    )
    best = int(np.argmin(np.ravel(errors)[:count]))
    before = from_vectors(turns[best], shifts[best])
    start = before.after(place.inverse())
    places = np.vstack([where.apply(sighting.board_mm) for sighting, where in boards])
    pixels = np.vstack([sighting.pixels for sighting, _ in boards])
    turn, shift = cv2.Rodrigues(start.rotation)[0], start.shift_mm.reshape(3, 1).copy()
    # Both as columns: of a flat shift OpenCV 5.0 makes nonsense, without a word.
    turn, shift = cv2.solvePnPRefineLM(places, pixels, matrix, bent, turn, shift, _END)
    carton = from_vectors(turn, shift)
    seen = tuple(_seen(lens, s, carton.after(where)) for s, where in boards)
    placed = PlacedCamera(_pose_of(carton), seen)
    if placed.residual_mm > MOST_MISPLACED_MM:
        what = (
            f"The boards do not fit one place of the camera: corners are {placed.residual_mm:.1f} "
            "mm off. Check every x,y,z,rx,ry,rz, which image it belongs to, and the squares' size."
        )
        raise ProblemsFound([Problem("--board-at", 0, 0, "", "board-places", what)])
    return placed


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    lens: Lens
    terms: int
    spread_px: tuple[float, float]
    placings: tuple[Placing, ...]
    differences: tuple[Points, ...]
    criterion: float
    """Bayesian information criterion."""


def _fit(sightings: Sequence[Sighting], size: Size, model: int) -> _Fit:
    terms, flags = _MODELS[model]
    places = [s.board_mm.astype(np.float32) for s in sightings]
    pixels = [s.pixels.astype(np.float32) for s in sightings]
    try:
        _, matrix, bent, turns, shifts, spread, _, _ = cv2.calibrateCameraExtended(
            places, pixels, size, np.eye(3), np.zeros(5), flags=flags, criteria=_END
        )
    except cv2.error:
        what = "The images do not tell a lens: tilt the board more, and all ways."
        raise ProblemsFound([Problem("IMAGE", 0, 0, "", "same-pose", what)]) from None
    k = [float(v) for v in np.ravel(bent)[:5]]
    lens = Lens(
        size[0], size[1],
        (float(matrix[0, 0]), float(matrix[1, 1])), (float(matrix[0, 2]), float(matrix[1, 2])),
        (k[0], k[1], k[2], k[3], k[4]),
    )  # fmt: skip
    placings = tuple(from_vectors(turn, shift) for turn, shift in zip(turns, shifts, strict=True))
    pairs = zip(sightings, placings, strict=True)
    differences = tuple(_seen(lens, sighting, placing).off_px for sighting, placing in pairs)
    every = np.vstack(differences)
    count = every.size
    squares = max(float(np.sum(every * every)), 1e-12)
    criterion = count * np.log(squares / count) + (4 + terms) * np.log(count)
    spreads = np.ravel(spread)
    return _Fit(
        lens, terms, (float(spreads[0]), float(spreads[1])), placings, differences, float(criterion)
    )


def _seen(lens: Lens, sighting: Sighting, placing: Placing) -> Seen:
    before = placing.apply(sighting.board_mm)
    expected = directions_to_pixels(lens, before[:, :2] / before[:, 2:])
    camera = CameraGeometry(lens=lens, pose=_pose_of(placing))
    on_board = pixels_to_plane(camera, sighting.pixels, corrected=False)
    off_mm = (on_board - sighting.board_mm)[:, :2]
    return Seen(sighting, placing, sighting.pixels - expected, off_mm)


def _pose_of(placing: Placing) -> CameraPose:
    """Give where the camera stands, seen from what is placed before it."""
    x, y, z = placing.rotation.tolist()
    position = placing.inverse().shift_mm.tolist()
    return CameraPose(tuple(position), (tuple(x), tuple(y), tuple(z)))


def _without_outliers(sighting: Sighting, off: Points) -> Sighting:
    far = np.hypot(*off.T)
    sigma = float(np.median(far)) / 1.1774  # the median of a Rayleigh distribution
    good = far <= max(6 * sigma, 0.5)
    if good.sum() < 6 or good.all():
        return sighting
    return Sighting(sighting.name, sighting.board_mm[good], sighting.pixels[good])


def _check_poses(sightings: Sequence[Sighting], fit: _Fit) -> None:
    normals = np.array([placing.rotation[:, 2] for placing in fit.placings])
    widest = max(
        (float(np.degrees(np.arccos(np.clip(a @ b, -1, 1)))) for a, b in combinations(normals, 2)),
        default=0.0,
    )
    if widest >= MIN_TILT_DEG:
        return
    middles = np.array([s.pixels.mean(axis=0) for s in sightings])
    all_same = float(np.ptp(middles, axis=0).max()) < 0.02 * max(fit.lens.width_px, 1)
    start = (
        "All images show the board in the same pose"
        if all_same
        else (f"The board is tilted by no more than {widest:.0f} degrees from image to image")
    )
    what = f"{start}; that tells no lens. Tilt it by 20 to 40 degrees, to all sides."
    raise ProblemsFound([Problem("IMAGE", 0, 0, "", "same-pose", what)])


def coverage(solution: Solution) -> float:
    """Give the share of the frame that lies within the corners of all pictures [fraction]."""
    pixels = np.vstack([seen.sighting.pixels for seen in solution.seen]).astype(np.float32)
    area = float(cv2.contourArea(cv2.convexHull(pixels)))
    return area / (solution.lens.width_px * solution.lens.height_px)
