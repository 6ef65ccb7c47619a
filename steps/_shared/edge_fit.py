"""Fit a pose to edges: least squares along the normals, robust, held near a similarity."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from steps._shared.edge_model import (
    PROFILE_PX,
    STEP_PX,
    EdgeModel,
    Float,
    peaks_across,
    profile_offsets,
    sample_across,
)
from steps._shared.poses import carry
from steps.contract import Matrix

Floats = NDArray[np.float64]

_TUKEY = 4.685
_LEAST_SIGMA_PX = 0.03
_ROUNDS = 4
_LEAST_VARIANCE = 0.3
_LEAST_SLOPE = 0.8
_LEAST_LIKE = 0.6
_CLIPPED = 252.5
_SAY_OF_CLIPPED = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What an image shows at the edge points of a model under a pose.

    Poses here map the plane of the model to pixels of the image.
    """

    offsets: Floats
    """(K,) how far along its normal each edge was found [px]; nan where not."""
    slopes: Floats
    """(K, 2): a small move d in the plane moves the edge by slopes . d along its normal."""
    usable: NDArray[np.bool_]
    """(K,) whether the place of the point lies in the image and may be measured."""
    across: Float
    """(K, P) the grey levels across each edge."""

    def trust(self) -> Floats:
        """Give each edge's say in a fit: little where the light side is clipped.

        A clipped edge seems to lie further towards its dark side than it does. It counts only
        where there is nothing better.
        """
        clipped = self.across.max(axis=1) >= _CLIPPED
        return np.where(clipped, _SAY_OF_CLIPPED, 1.0)


def _may_measure(
    at: Floats, shape: tuple[int, ...], mask: NDArray[np.uint8] | None, reach: float
) -> NDArray[np.bool_]:
    """Say which places lie in the image, `reach` from its border, and are not masked."""
    x, y = at[:, 0], at[:, 1]
    inside = (x >= reach) & (y >= reach)
    inside &= (x <= shape[1] - 1 - reach) & (y <= shape[0] - 1 - reach)
    if mask is not None and inside.any():
        column = np.clip(np.rint(np.where(inside, x, 0)), 0, shape[1] - 1).astype(np.intp)
        row = np.clip(np.rint(np.where(inside, y, 0)), 0, shape[0] - 1).astype(np.intp)
        inside &= mask[row, column] > 0
    return inside


def look_far(
    image: Float, mask: NDArray[np.uint8] | None, model: EdgeModel, pose: Matrix, reach_px: float
) -> Seen:
    """Look within `reach_px` of every edge for what is most like it."""
    put = carry(pose, model.points, model.normals)
    usable = _may_measure(put.points, image.shape, mask, 1.0)
    n = model.printed
    across = sample_across(
        image, put.points, put.normals, profile_offsets(reach_px + STEP_PX + PROFILE_PX)
    )
    place, like = _most_alike(across[:n], model.profiles[:n])
    good = like > _LEAST_LIKE
    if model.borders:
        aside = round((PROFILE_PX - STEP_PX) / STEP_PX)
        border_place, rise = peaks_across(across[n:, aside:-aside], either_way=True)
        place, good = np.append(place, border_place), np.append(good, rise > _LEAST_SLOPE)
    found = usable & good
    return Seen(np.where(found, place, np.nan), put.slopes, usable, across)


def _most_alike(across: Float, own: Float) -> tuple[Float, Float]:
    """Slide each profile along what is seen; give where it correlates best, and how well.

    Returns
    -------
    place, likeness : (K,) float
        From the middle [px], nan where the best is at an end; and the correlation there.
    """
    if not len(own):
        return np.empty(0, np.float32), np.empty(0, np.float32)
    width = own.shape[1]
    flat = own - own.mean(axis=1, keepdims=True)
    flat /= np.maximum(np.sqrt(np.einsum("kp,kp->k", flat, flat)), 1e-6)[:, None]
    seen = across - across.mean(axis=1, keepdims=True)
    windows = np.lib.stride_tricks.sliding_window_view(seen, width, axis=1)
    up = np.einsum("ksp,kp->ks", windows, flat)
    energy = _sums(seen * seen, width) - _sums(seen, width) ** 2 / width
    like = up / np.sqrt(np.maximum(energy, _LEAST_VARIANCE * width))
    best = like.argmax(axis=1)
    last = like.shape[1] - 1
    inner = np.clip(best, 1, last - 1)
    rows = np.arange(len(like))
    before, at, after = like[rows, inner - 1], like[rows, inner], like[rows, inner + 1]
    bend = np.minimum(before - 2 * at + after, -1e-9)
    place = (inner - last / 2 + 0.5 * (before - after) / bend) * STEP_PX
    place = np.where((best > 0) & (best < last), place, np.nan).astype(np.float32)
    return place, like[rows, best].astype(np.float32)


def _sums(values: Float, width: int) -> Float:
    """Sum over a window that slides along the rows; (K, P - width + 1)."""
    sums = cv2.boxFilter(values, -1, (width, 1), normalize=False, borderType=cv2.BORDER_CONSTANT)
    half = width // 2
    return np.asarray(sums[:, half:-half], np.float32)


def look_close(
    image: Float, mask: NDArray[np.uint8] | None, model: EdgeModel, pose: Matrix
) -> Seen:
    """Compare the grey levels across every edge with the model's, to a fraction of a pixel.

    Notes
    -----
    In each profile the view is a mix of the model's profile, a constant, and the first and second
    derivative of the profile: gain, offset, shift and change of sharpness drop out of one linear
    step. Good to about 1 px of shift.
    """
    put = carry(pose, model.points, model.normals)
    usable = _may_measure(put.points, image.shape, mask, 1.0)
    across = sample_across(image, put.points, put.normals, profile_offsets(PROFILE_PX))
    mix = np.matmul(model.solvers, across[:, :, None])[:, :, 0].astype(np.float64)
    shift = -mix[:, 2] / np.maximum(mix[:, 0], 0.02)
    found = usable & (mix[:, 0] > 0.05) & (np.abs(shift) < 2.0)
    if model.borders:
        n = model.printed
        place, rise = peaks_across(across[n:], either_way=True)
        shift[n:] = place
        found[n:] = usable[n:] & np.isfinite(place) & (rise > _LEAST_SLOPE)
    return Seen(np.where(found, shift, np.nan), put.slopes, usable, across)


def likeness(model: EdgeModel, seen: Seen) -> Floats:
    """Correlate the grey levels across each edge with the model's, moved to where they were seen.

    Parameters
    ----------
    model : EdgeModel
        The points, fewer than 32 000.
    seen : Seen
        What `look_close` gave for them.

    Returns
    -------
    (K,) float64
        0 (unlike, or no contrast) to 1.
    """
    own = model.profiles
    place = np.arange(own.shape[1], dtype=np.float32)
    moved = np.nan_to_num(seen.offsets).astype(np.float32) / np.float32(STEP_PX)
    column = place[None, :] - moved[:, None]
    row = np.repeat(np.arange(len(own), dtype=np.float32)[:, None], len(place), axis=1)
    own = cv2.remap(own, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    a = seen.across - seen.across.mean(axis=1, keepdims=True)
    b = own - own.mean(axis=1, keepdims=True)
    up = np.einsum("kp,kp->k", a, b)
    energy = np.einsum("kp,kp->k", a, a)
    down = np.sqrt(energy * np.einsum("kp,kp->k", b, b))
    good = np.isfinite(seen.offsets) & (energy > _LEAST_VARIANCE * len(place))
    return np.where(good, np.clip(up / np.maximum(down, 1e-6), 0.0, 1.0), 0.0)


@dataclass(frozen=True, slots=True)
class Hold:
    """How far a pose may leave a similarity of the nominal one, as one standard deviation."""

    stretch: float = 0.02
    """Difference of scale between directions, and shear [fraction]."""
    perspective: float = 0.02
    """Change of scale from the middle to the border [fraction]."""


def fitted(
    model: EdgeModel,
    seen: Seen,
    pose: Matrix,
    usual: Matrix,
    hold: Hold,
    least_sigma_px: float = _LEAST_SIGMA_PX,
) -> tuple[Matrix, Floats]:
    """Improve a pose by one robust least squares step.

    Parameters
    ----------
    model, seen, pose
        The points, where they were seen, and the pose they were seen under.
    usual : (3, 3) float64
        The nominal pose: where it differs from the pose by more than a move, turn and scale in
        the plane, `hold` comes in.
    hold : Hold
        Weak knowledge that keeps ill-placed points from bending the pose.
    least_sigma_px : float
        Spread of the offsets that is allowed for at least [px]; while a fit is still rough, this
        keeps the part that fits already from shutting out the rest.

    Returns
    -------
    pose : (3, 3) float64
        The improved pose.
    left : (K,) float64
        What the step leaves of the offsets [px]; inf where an edge was not seen.
    """
    use = np.isfinite(seen.offsets)
    remains = np.full(model.count, np.inf)
    if use.sum() < 8:
        return pose, remains
    rows = _equations(model.points[use], seen.slopes[use])
    wanted, trust = seen.offsets[use], seen.trust()[use]
    lean, lean_rows = leaning(np.asarray(np.linalg.solve(usual, pose), np.float64))
    spread = np.array([hold.stretch, hold.stretch, hold.perspective, hold.perspective])
    left: Floats = wanted
    step: Floats = np.zeros(8)
    for _ in range(_ROUNDS):
        sigma = max(1.4826 * _median(np.abs(left)), least_sigma_px)
        t = left * (1 / (_TUKEY * sigma))
        w = np.maximum(1 - t * t, 0)
        w *= w * trust
        hold_rows = lean_rows * (sigma / spread)[:, None]
        normal = (rows * w[:, None]).T @ rows + hold_rows.T @ hold_rows
        right = rows.T @ (w * wanted) - hold_rows.T @ (lean * sigma / spread)
        held = normal + 1e-9 * np.trace(normal) * np.eye(8)
        step = np.asarray(np.linalg.solve(held, right), np.float64)
        left = wanted - rows @ step
    change = np.eye(3) + np.concatenate([step, np.zeros(1)]).reshape(3, 3)
    better = pose @ change
    remains[use] = left
    return better / better[2, 2], remains


def _median(values: Floats) -> float:
    """Give the upper median."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def _equations(points: Floats, slopes: Floats) -> Floats:
    """Give (K, 8) rows: how offsets change with the eight entries of a small homography."""
    x, y = points[:, 0], points[:, 1]
    gx, gy = slopes[:, 0], slopes[:, 1]
    q = gx * x + gy * y
    return np.column_stack([gx * x, gx * y, gx, gy * x, gy * y, gy, -q * x, -q * y])


def leaning(relative: Matrix) -> tuple[Floats, Floats]:
    """Give how far a matrix is from a similarity, and how a small change changes that.

    Returns
    -------
    lean : (4,) float64
        Stretch along x, shear, and the two perspective terms.
    rows : (4, 8) float64
        Their derivatives by the entries of a homography applied first.
    """
    h = relative / relative[2, 2]
    j = h[:2, :2] - np.outer(h[:2, 2], h[2, :2])
    turn = np.arctan2(j[1, 0] - j[0, 1], j[0, 0] + j[1, 1])
    c, s = np.cos(turn), np.sin(turn)
    stretch = np.array([[c, s], [-s, c]]) @ j
    size = max(float(stretch[0, 0] + stretch[1, 1]), 1e-9)
    lean = np.array(
        [(stretch[0, 0] - stretch[1, 1]) / size, 2 * stretch[0, 1] / size, h[2, 0], h[2, 1]]
    )
    rows = np.zeros((4, 8))
    rows[0, 0], rows[0, 4] = 0.5, -0.5
    rows[1, 1], rows[1, 3] = 0.5, 0.5
    rows[2, 6] = rows[3, 7] = 1.0
    return lean, rows
