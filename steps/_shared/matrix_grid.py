"""The grid of a matrix symbol, fitted to the edges between its modules."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ROUNDS = 5
_SETTLED = 0.05
"""Change of the grid from which on no further round is made [X]."""
_STEPS = 11
"""Samples across each edge, from the middle of one module to that of the next."""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edges between neighbouring modules of other colour."""

    at: Floats
    """(K, 2) where each should be, (x, y) in modules."""
    off: Floats
    """(K,) how far it lies off along its direction [X]."""
    sideways: NDArray[np.bool_]
    """(K,) whether it is crossed along x, else along y."""
    sign: Floats
    """(K,) 1 where dark comes first, else -1."""


@dataclass(frozen=True, slots=True, eq=False)
class MatrixGrid:
    """A fitted grid."""

    matrix: Floats
    """(3, 3) map from modules (x to the right, y down, corners at whole numbers) to pixels."""
    rows: int
    columns: int
    gain: tuple[float, float]
    """How much wider dark modules are than they should be, along x and y [X]."""
    edges: Edges
    """Edges, off from the fitted grid and gain."""

    @property
    def px_per_module(self) -> tuple[float, float]:
        """Mean size of a module along x and y [px]."""
        return spacing(self.matrix, self.rows, self.columns)


def spacing(matrix: Floats, rows: int, columns: int) -> tuple[float, float]:
    """Mean distance of grid lines along x and y, from the sides of the symbol.

    Examples
    --------
    >>> spacing(np.diag([5.0, 4.0, 1.0]), 10, 10)
    (5.0, 4.0)
    """
    c = quad(matrix, rows, columns)
    along = float(np.hypot(*(c[1] - c[0])) + np.hypot(*(c[2] - c[3]))) / 2.0
    down = float(np.hypot(*(c[3] - c[0])) + np.hypot(*(c[2] - c[1]))) / 2.0
    return along / columns, down / rows


def quad(matrix: Floats, rows: int, columns: int) -> Floats:
    """Corners of the symbol in pixels: top left, top right, bottom right, bottom left.

    Examples
    --------
    >>> quad(np.eye(3), 2, 3).tolist()
    [[0.0, 0.0], [3.0, 0.0], [3.0, 2.0], [0.0, 2.0]]
    """
    corners = np.array([[[0, 0], [columns, 0], [columns, rows], [0, rows]]], np.float64)
    return np.asarray(cv2.perspectiveTransform(corners, matrix)[0], np.float64)


def sample(picture: NDArray[np.float32], matrix: Floats, x: Floats, y: Floats) -> Floats:
    """Values at places given in modules; linear between pixels, the border repeated.

    Parameters
    ----------
    picture : (M, N) float32
        Any picture.
    matrix : (3, 3) float64
        Modules to pixels.
    x, y : (...) float64
        Places; both of one shape of two dimensions.

    Returns
    -------
    (...) float64

    Examples
    --------
    >>> picture = np.tile(np.arange(9, dtype=np.float32), (9, 1))
    >>> sample(picture, np.eye(3), np.array([[2.5]]), np.array([[4.0]])).tolist()
    [[2.5]]
    """
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    u = (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / w
    v = (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / w
    values = cv2.remap(
        picture, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(values, np.float64)


def centres(rows: int, columns: int, margin: int = 0) -> tuple[Floats, Floats]:
    """Middles of all modules, `margin` more on every side: x and y, each (R, C).

    Examples
    --------
    >>> x, y = centres(1, 2)
    >>> x.tolist(), y.tolist()
    ([[0.5, 1.5]], [[0.5, 0.5]])
    """
    across = np.arange(-margin, columns + margin, dtype=np.float64) + 0.5
    down = np.arange(-margin, rows + margin, dtype=np.float64) + 0.5
    x, y = np.meshgrid(across, down)
    return x, y


def fit_grid(
    picture: NDArray[np.float32], corners: Floats, rows: int, columns: int
) -> MatrixGrid | None:
    """Fit a grid to a symbol, from its corners about a module near.

    Parameters
    ----------
    picture : (M, N) float32
        Light.
    corners : (4, 2) float64
        (x, y) of the symbol's top left, top right, bottom right and bottom left.
    rows, columns : int
        Modules.

    Returns
    -------
    MatrixGrid or None
        None where the corners span nothing, too few edges show or the grid does not settle.

    Notes
    -----
    Between neighbouring modules of other colour the place of half height is found; homography and
    gain are fitted to these places by least squares, far ones held down, and the modules are
    sampled anew until the grid moves no more.

    Examples
    --------
    >>> modules = np.indices((10, 10)).sum(axis=0) % 2
    >>> picture = np.kron(np.pad(1 - modules, 2, constant_values=1), np.ones((6, 6)))
    >>> corners = np.array([[12.5, 11], [71, 12], [72, 70.5], [11, 72]])
    >>> grid = fit_grid(picture.astype(np.float32), corners, 10, 10)
    >>> [round(v, 2) for v in grid.px_per_module]
    [6.0, 6.0]
    """
    unit = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32)
    if cv2.contourArea(corners.astype(np.float32)) < 2.5 * rows * columns:
        return None
    matrix = np.asarray(cv2.getPerspectiveTransform(unit, corners.astype(np.float32)), np.float64)
    for _ in range(_ROUNDS):
        edges = find_edges(picture, matrix, rows, columns)
        if len(edges.off) < 20:
            return None
        matrix, gain, rest, moved = _improved(matrix, edges, rows, columns)
        if not np.isfinite(matrix).all():
            return None
        if moved < _SETTLED:
            left = Edges(edges.at, rest, edges.sideways, edges.sign)
            return MatrixGrid(matrix, rows, columns, (float(gain[0]), float(gain[1])), left)
    return None


def find_edges(picture: NDArray[np.float32], matrix: Floats, rows: int, columns: int) -> Edges:
    """Find the edges between neighbouring modules, a module of quiet zone included.

    Parameters
    ----------
    picture : (M, N) float32
        Light.
    matrix : (3, 3) float64
        Modules to pixels.
    rows, columns : int
        Modules.

    Returns
    -------
    Edges
    """
    x, y = centres(rows, columns, 1)
    values = sample(picture, matrix, x, y)
    low, high = np.quantile(values, (0.05, 0.95))
    dark = values < (low + high) / 2.0
    found: list[tuple[Floats, Floats, bool, Floats]] = []
    along = np.linspace(-0.5, 0.5, _STEPS)
    for sideways in (True, False):
        near, far = (
            (dark[1:-1, :-1], dark[1:-1, 1:]) if sideways else (dark[:-1, 1:-1], dark[1:, 1:-1])
        )
        r, c = np.nonzero(near != far)
        first = near[r, c]
        at = np.stack((c, r), axis=1).astype(np.float64)
        at[:, 1 if sideways else 0] += 0.5
        lines = [np.repeat(at[:, k : k + 1], _STEPS, axis=1) for k in (0, 1)]
        lines[0 if sideways else 1] += along[None]
        if not len(r):
            continue
        sign = 2.0 * first.astype(np.float64) - 1.0
        profile = sample(picture, matrix, lines[0], lines[1]) * sign[:, None]
        off = _half_height(profile, along)
        found.append((at, off, sideways, sign))
    if not found:
        none = np.zeros(0)
        return Edges(np.zeros((0, 2)), none, np.zeros(0, bool), none)
    at = np.concatenate([f[0] for f in found])
    off = np.concatenate([f[1] for f in found])
    sideways_all = np.concatenate([np.full(len(f[1]), f[2]) for f in found])
    sign = np.concatenate([f[3] for f in found])
    good = np.isfinite(off)
    return Edges(at[good], off[good], sideways_all[good], sign[good])


def _half_height(profile: Floats, along: Floats) -> Floats:
    """Place at which each rising profile passes the middle between its ends; nan where none."""
    middle = (profile[:, :1] + profile[:, -1:]) / 2.0
    above = profile >= middle
    crossing = ~above[:, :-1] & above[:, 1:]
    distance = np.where(crossing, np.abs(along[:-1] + along[1:])[None], np.inf)
    k = np.argmin(distance, axis=1)
    rows = np.arange(len(profile), dtype=np.intp)
    seen = crossing[rows, k]
    a, b = profile[rows, k], profile[rows, k + 1]
    step = np.where(b > a, b - a, 1.0)
    place = along[k] + (middle[:, 0] - a) / step * (along[1] - along[0])
    return np.where(seen, place, np.nan)


def _improved(
    matrix: Floats, edges: Edges, rows: int, columns: int
) -> tuple[Floats, Floats, Floats, float]:
    """Fit a small homography in modules, and gain, to the places of the edges.

    Returns the better matrix, the gain, what is left of each edge, and the largest move [X].
    """
    size = float(max(rows, columns))
    x = (edges.at[:, 0] - columns / 2.0) / size
    y = (edges.at[:, 1] - rows / 2.0) / size
    one, none = np.ones(len(x)), np.zeros(len(x))
    s, half = edges.sideways, edges.sign / 2.0
    own = np.where(s, x, y)
    terms = np.stack(
        (
            np.where(s, one, none), np.where(s, x, none), np.where(s, y, none),
            np.where(s, none, one), np.where(s, none, x), np.where(s, none, y),
            own * x, own * y, np.where(s, half, none), np.where(s, none, half),
        ),
        axis=1,
    )  # fmt: skip
    solution: Floats = np.zeros(10)
    weights = one
    for _ in range(3):
        left = terms.T @ (terms * weights[:, None])
        right = terms.T @ (weights * edges.off)
        solution = np.asarray(np.linalg.solve(left + 1e-9 * np.eye(10), right), np.float64)
        rest = np.abs(edges.off - terms @ solution)
        scale = max(2.0 * float(np.median(rest)), 0.01)
        weights = np.minimum(1.0, scale / np.maximum(rest, 1e-9))
    a = solution[:8] / size
    change = np.array([[1.0 + a[1], a[2], a[0]], [a[4], 1.0 + a[5], a[3]], [-a[6], -a[7], 1.0]])
    middle = np.array([[1 / size, 0, -columns / 2 / size], [0, 1 / size, -rows / 2 / size],
                       [0, 0, 1.0]])  # fmt: skip
    moved = float(np.abs(terms[:, :8] @ solution[:8]).max())
    better = matrix @ np.linalg.inv(middle) @ change @ middle
    return better, solution[8:], edges.off - terms @ solution, moved
