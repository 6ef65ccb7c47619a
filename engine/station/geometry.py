"""The geometry of one camera: its file `<camera>.camera.yaml`, and where it sees a place.

Coordinates of a carton are in mm. x and y lie in its front panel, x to the right and y down, from
the panel's top left corner; z goes into the carton. A camera's own axes are the same way: to the
right, down, and ahead.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field

from engine.frame import CameraGeometry, CameraPose, Lens
from engine.placing import validate
from engine.problems import Problem, ProblemsFound
from engine.yamlfile import read_yaml

Points: TypeAlias = NDArray[np.float64]
Triple: TypeAlias = Annotated[tuple[float, float, float], Field()]


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class PoseShape(_Shape):
    """Where the camera stands in coordinates of the carton."""

    position_mm: Triple
    """Where it stands [mm]."""
    axes: tuple[Triple, Triple, Triple]
    """Its axes to the right, down and ahead, as directions of the carton."""
    tilt_deg: float = Field(0, ge=0, le=180)
    """Angle between the optical axis and the normal of the first board [deg]."""
    boards_at: tuple[tuple[float, float, float, float, float, float], ...] = ()
    """Where the boards lay: x, y, z [mm] and turns about x, y, z [deg]."""
    residual_px: float = Field(0, ge=0)
    """How far corners are from where this pose puts them, root mean square [px]."""
    residual_mm: float = Field(0, ge=0)
    """The same on the board [mm]."""


class CameraShape(_Shape):
    """What a camera file holds."""

    format: int = Field(ge=1, le=1)
    """Number of the format; 1."""
    camera: str = Field(min_length=1, max_length=60)
    """Name of the camera."""
    width_px: int = Field(ge=16, le=65535)
    """Width of its frames [px]."""
    height_px: int = Field(ge=16, le=65535)
    """Height of its frames [px]."""
    focal_px: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    """Focal lengths across and down [px]."""
    centre_px: tuple[float, float]
    """Where the optical axis meets the frame, from the centre of the top left pixel [px]."""
    distortion: tuple[float, float, float, float, float]
    """k1, k2, p1, p2, k3."""
    gamma: str | float = "srgb"
    """How grey values are coded: `srgb`, `linear`, or g of value = light ** (1 / g)."""
    residual_px: float = Field(ge=0)
    """How far corners are from where the model puts them, root mean square [px]."""
    residual_mm: float = Field(ge=0)
    """The same on the board [mm]."""
    pose: PoseShape | None = None
    """Where the camera stands, where it saw a board at a known place."""
    board: str = ""
    """The board that was photographed."""
    square_mm: float | None = Field(None, gt=0)
    """Side of its squares [mm]."""
    marker_mm: float | None = Field(None, gt=0)
    """Side of its markers [mm]."""
    made: date | None = None
    """Day of the calibration."""
    images: tuple[str, ...] = ()
    """Photographs it rests on."""
    carton_images: tuple[str, ...] = ()
    """Photographs of the boards at known places."""


@dataclass(frozen=True, slots=True)
class CameraFile:
    """A camera file, loaded."""

    camera: str
    geometry: CameraGeometry
    shape: CameraShape


def gamma_mistake(gamma: str | float) -> str | None:
    """Say what is wrong with a gamma, or give None."""
    if gamma in ("srgb", "linear") or (isinstance(gamma, float) and 0.2 <= gamma <= 5):
        return None
    return "`gamma` is `srgb`, `linear` or a number from 0.2 to 5."


def load_camera(file: Path) -> CameraFile:
    """Load a camera file.

    Raises
    ------
    ProblemsFound
        With every mistake in it.
    """
    document = read_yaml(file)
    if document.data is None:
        raise ProblemsFound([Problem(str(file), 0, 0, "", "empty", "The file holds nothing.")])
    shape, problems = validate(CameraShape, document.data, document)
    if shape is None:
        raise ProblemsFound(problems)
    wrong = gamma_mistake(shape.gamma)
    if wrong:
        problems.append(document.problem(("gamma",), "value-error", wrong))
    if shape.pose is not None:
        axes = np.array(shape.pose.axes)
        if not np.allclose(axes @ axes.T, np.eye(3), atol=1e-4) or np.linalg.det(axes) < 0:
            what = "Three directions of length 1, square to each other, right-handed, are needed."
            problems.append(document.problem(("pose", "axes"), "value-error", what))
    if problems:
        raise ProblemsFound(problems)
    return CameraFile(shape.camera, _geometry(shape), shape)


def _geometry(shape: CameraShape) -> CameraGeometry:
    lens = Lens(shape.width_px, shape.height_px, shape.focal_px, shape.centre_px, shape.distortion)
    pose = None if shape.pose is None else CameraPose(shape.pose.position_mm, shape.pose.axes)
    gamma = 1.0 if shape.gamma == "linear" else shape.gamma
    return CameraGeometry(gamma, None, lens, pose)


def carton_to_pixels(
    geometry: CameraGeometry, points_mm: ArrayLike, *, corrected: bool = True
) -> Points:
    """Give where a camera sees places of the carton.

    Parameters
    ----------
    geometry : CameraGeometry
        A calibrated camera with a pose.
    points_mm : (K, 3) array_like
        Places in coordinates of the carton [mm].
    corrected : bool
        Whether pixels are those of frames whose distortion is taken out, as the engine hands them
        to steps, or those of the camera.

    Returns
    -------
    (K, 2) ndarray
        Columns and rows [px]; not-a-number for what lies behind the camera.

    Examples
    --------
    A camera 500 mm in front of the panel's corner, looking straight at it:

    >>> lens = Lens(640, 480, (1000.0, 1000.0), (320.0, 240.0))
    >>> pose = CameraPose((0.0, 0.0, -500.0), ((1, 0, 0), (0, 1, 0), (0, 0, 1)))
    >>> carton_to_pixels(CameraGeometry(lens=lens, pose=pose), [[0, 0, 0], [10, 5, 0]])
    array([[320., 240.],
           [340., 250.]])
    """
    lens, pose = _calibrated(geometry)
    points = np.asarray(points_mm, np.float64).reshape(-1, 3)
    seen = (points - np.array(pose.position_mm)) @ np.array(pose.axes).T
    ahead = np.where(seen[:, 2] > 0, seen[:, 2], np.nan)
    directions = seen[:, :2] / ahead[:, None]
    return directions_to_pixels(lens, directions, distorted=not corrected)


def pixels_to_plane(
    geometry: CameraGeometry,
    pixels: ArrayLike,
    origin_mm: ArrayLike = (0, 0, 0),
    normal: ArrayLike = (0, 0, 1),
    *,
    corrected: bool = True,
) -> Points:
    """Give the places of a plane of the carton that a camera sees at some pixels.

    Parameters
    ----------
    geometry : CameraGeometry
        A calibrated camera with a pose.
    pixels : (K, 2) array_like
        Columns and rows [px].
    origin_mm, normal : (3,) array_like
        A place in the plane [mm] and the direction square to it; by default the front panel.
    corrected : bool
        As in `carton_to_pixels`.

    Returns
    -------
    (K, 3) ndarray
        Places in coordinates of the carton [mm]; not-a-number where a pixel does not see the plane.
    """
    lens, pose = _calibrated(geometry)
    directions = pixels_to_directions(lens, pixels, distorted=not corrected)
    rays = np.column_stack([directions, np.ones(len(directions))]) @ np.array(pose.axes)
    square = np.asarray(normal, np.float64)
    position = np.array(pose.position_mm)
    height = float((np.asarray(origin_mm, np.float64) - position) @ square)
    fall = rays @ square
    fall = np.where(fall * height > 0, fall, np.nan)
    return position + rays * (height / fall)[:, None]


def directions_to_pixels(lens: Lens, directions: Points, *, distorted: bool = True) -> Points:
    """Give the pixels on which (K, 2) directions (x / z, y / z) fall."""
    bent = _bent(lens, directions) if distorted else directions
    return bent * np.array(lens.focal_px) + np.array(lens.centre_px)


def pixels_to_directions(lens: Lens, pixels: ArrayLike, *, distorted: bool = True) -> Points:
    """Give the directions (x / z, y / z) of (K, 2) pixels.

    Notes
    -----
    The distortion is inverted by Newton's method with differences; it converges within a few rounds
    where the lens draws each direction on one pixel, that is, inside the frame of any usual lens.
    """
    points = np.asarray(pixels, np.float64).reshape(-1, 2)
    flat = (points - np.array(lens.centre_px)) / np.array(lens.focal_px)
    if not distorted or not any(lens.distortion):
        return flat
    found = flat.copy()
    step = 1e-6
    east, south = np.array([step, 0.0]), np.array([0.0, step])
    for _ in range(30):
        off = _bent(lens, found) - flat
        if np.nanmax(np.abs(off), initial=0) < 1e-13:
            break
        by_x = (_bent(lens, found + east) - _bent(lens, found - east)) / (2 * step)
        by_y = (_bent(lens, found + south) - _bent(lens, found - south)) / (2 * step)
        size = by_x[:, 0] * by_y[:, 1] - by_x[:, 1] * by_y[:, 0]
        size = np.where(np.abs(size) < 1e-6, np.nan, size)
        found[:, 0] -= (off[:, 0] * by_y[:, 1] - off[:, 1] * by_y[:, 0]) / size
        found[:, 1] -= (off[:, 1] * by_x[:, 0] - off[:, 0] * by_x[:, 1]) / size
    return found


def bend_px(lens: Lens) -> float:
    """Give how far the lens moves a corner of the frame, at most [px].

    Examples
    --------
    >>> bend_px(Lens(640, 480, (1000.0, 1000.0), (319.5, 239.5)))
    0.0
    """
    right, bottom = lens.width_px - 1.0, lens.height_px - 1.0
    corners = np.array([[0.0, 0.0], [right, 0.0], [right, bottom], [0.0, bottom]])
    moved = directions_to_pixels(lens, pixels_to_directions(lens, corners, distorted=False))
    return float(np.hypot(*(moved - corners).T).max())


def matrix_of(lens: Lens) -> Points:
    """Give the (3, 3) matrix from directions (x, y, 1) to pixels, without distortion."""
    (fx, fy), (cx, cy) = lens.focal_px, lens.centre_px
    return np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])


def _bent(lens: Lens, directions: Points) -> Points:
    k1, k2, p1, p2, k3 = lens.distortion
    x, y = directions[:, 0], directions[:, 1]
    r2 = x * x + y * y
    s = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    across = x * s + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    down = y * s + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return np.column_stack([across, down])


def _calibrated(geometry: CameraGeometry) -> tuple[Lens, CameraPose]:
    if geometry.lens is None or geometry.pose is None:
        message = "the camera is not calibrated to the carton: it needs a lens and a pose"
        raise ValueError(message)
    return geometry.lens, geometry.pose
