"""Made-up photographs of boards through a known lens, with exact truth.

A board is drawn at 20 px/mm from its black parts. Each pixel of the photograph is divided by 3
both ways; for each part the direction that the lens draws there is found (the distortion is
inverted on a grid of every fourth pixel to 1e-12 and interpolated by cubic splines), its ray is met
with the plane of the board, and the board is read off there. The nine parts are averaged; then come
blur, a fall of light to the edges, noise and rounding to 8 bits.

The lens is written here as OpenCV's documentation gives it, apart from the code under test; places
of corners come from `cv2.projectPoints`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.spatial.transform import Rotation

from engine.calibrate.boards import Board, black_cells

PER_MM = 20
FINE = 3
PAPER, INK, TABLE = 225.0, 30.0, 120.0


@dataclass(frozen=True)
class TrueCamera:
    """A camera as it is."""

    width: int = 960
    height: int = 720
    fx: float = 1310.0
    fy: float = 1304.0
    cx: float = 487.3
    cy: float = 351.8
    distortion: tuple[float, float, float, float, float] = (-0.21, 0.12, 0.0011, -0.0008, 0.0)

    @property
    def matrix(self) -> NDArray[np.float64]:
        return np.array([[self.fx, 0, self.cx], [0, self.fy, self.cy], [0, 0, 1.0]])


@dataclass(frozen=True)
class Placed:
    """A board or a carton in front of a camera: p_camera = rotation p + shift [mm]."""

    rotation: NDArray[np.float64]
    shift: NDArray[np.float64]

    def pixels(self, camera: TrueCamera, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where the camera sees (K, 3) places, by OpenCV."""
        turn, _ = cv2.Rodrigues(self.rotation)
        seen, _ = cv2.projectPoints(
            places, turn, self.shift, camera.matrix, np.array(camera.distortion)
        )
        return np.asarray(seen, np.float64).reshape(-1, 2)

    def after(self, inner: Placed) -> Placed:
        """This placing of something that is itself placed."""
        return Placed(self.rotation @ inner.rotation, self.rotation @ inner.shift + self.shift)


def board_before(
    board: Board, tilt: tuple[float, float, float], away: float, off: tuple[float, float] = (0, 0)
) -> Placed:
    """Place a board with its middle on the optical axis (or off it), turned about x, y, z [deg]."""
    rotation = Rotation.from_euler("xyz", tilt, degrees=True).as_matrix()
    middle = np.array([board.size_mm[0] / 2, board.size_mm[1] / 2, 0])
    return Placed(rotation, np.array([*off, away]) - rotation @ middle)


def poses(
    board: Board, camera: TrueCamera, count: int, seed: int = 1, tilt: float = 28.0
) -> list[Placed]:
    """Places all over the frame, tilted all ways; the whole board is in the picture."""
    rng = np.random.default_rng(seed)
    found: list[Placed] = []
    for _ in range(4000):
        if len(found) == count:
            return found
        fill = rng.uniform(0.5, 0.9)
        away = camera.fx * board.size_mm[0] / (camera.width * fill)
        reach = np.array([camera.width / camera.fx, camera.height / camera.fy]) * away / 2
        off = rng.uniform(-0.7, 0.7, 2) * reach
        turned = (*rng.uniform(-tilt, tilt, 2), rng.uniform(-25, 25))
        placed = board_before(board, turned, away, (off[0], off[1]))
        width, height = board.size_mm
        rim = np.array([[0, 0, 0], [width, 0, 0], [width, height, 0], [0, height, 0.0]])
        pixels = placed.pixels(camera, rim)
        if (pixels > 4).all() and (pixels < [camera.width - 5, camera.height - 5]).all():
            found.append(placed)
    raise ValueError("the board is too large for the frame")


def photograph(
    board: Board,
    placed: Placed,
    camera: TrueCamera,
    *,
    blur: float = 0.8,
    noise: float = 2.5,
    seed: int = 0,
    family: str = "5x5",
) -> NDArray[np.uint8]:
    """Draw what the camera sees of a board on a sheet with a white edge, on a grey table."""
    texture, edge = _texture(board, family)
    x, y = _directions(camera)
    to_camera = np.column_stack([placed.rotation[:, 0], placed.rotation[:, 1], placed.shift])
    to_board = np.linalg.inv(to_camera).astype(np.float64)
    u = to_board[0, 0] * x + to_board[0, 1] * y + to_board[0, 2]
    v = to_board[1, 0] * x + to_board[1, 1] * y + to_board[1, 2]
    w = to_board[2, 0] * x + to_board[2, 1] * y + to_board[2, 2]
    across = ((u / w + edge) * PER_MM - 0.5).astype(np.float32)
    down = ((v / w + edge) * PER_MM - 0.5).astype(np.float32)
    fine = cv2.remap(
        texture, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=TABLE
    )
    size = (camera.width, camera.height)
    picture = cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float64)
    if blur:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    rows, columns = np.mgrid[0 : camera.height, 0 : camera.width]
    far = np.hypot(columns / camera.width - 0.5, rows / camera.height - 0.5)
    picture *= 1 - 0.35 * far**2
    picture += np.random.default_rng(seed).normal(0, noise, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


@lru_cache(maxsize=8)
def _texture(board: Board, family: str) -> tuple[NDArray[np.float32], float]:
    edge = board.square_mm
    width, height = board.size_mm
    over = 2
    scale = PER_MM * over
    shape = (round((height + 2 * edge) * scale), round((width + 2 * edge) * scale))
    drawn = np.full(shape, PAPER, np.float32)
    for x, y, w, h in black_cells(board, family):
        left, top = round((x + edge) * scale), round((y + edge) * scale)
        right, bottom = round((x + w + edge) * scale), round((y + h + edge) * scale)
        drawn[top:bottom, left:right] = INK
    size = (shape[1] // over, shape[0] // over)
    small = cv2.resize(drawn, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32), edge


@lru_cache(maxsize=4)
def _directions(camera: TrueCamera) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Directions (x / z, y / z) of the fine pixels."""
    step = 4
    across = np.arange(-2 * step, camera.width + 2 * step + 1, step, dtype=np.float64)
    down = np.arange(-2 * step, camera.height + 2 * step + 1, step, dtype=np.float64)
    columns, rows = np.meshgrid(across, down)
    want_x, want_y = (columns - camera.cx) / camera.fx, (rows - camera.cy) / camera.fy
    k1, k2, p1, p2, k3 = camera.distortion
    x, y = want_x.copy(), want_y.copy()
    for _ in range(200):
        r2 = x * x + y * y
        radial = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3
        dx = 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        dy = p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        new_x, new_y = (want_x - dx) / radial, (want_y - dy) / radial
        moved = max(np.abs(new_x - x).max(), np.abs(new_y - y).max())
        x, y = new_x, new_y
        if moved < 1e-12:
            break
    else:
        raise ValueError("this lens folds the picture over")
    fine_x = (np.arange(camera.width * FINE) + 0.5) / FINE - 0.5
    fine_y = (np.arange(camera.height * FINE) + 0.5) / FINE - 0.5
    return tuple(  # type: ignore[return-value]
        RectBivariateSpline(down, across, values)(fine_y, fine_x) for values in (x, y)
    )
