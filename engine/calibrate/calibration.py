"""One calibration from photographs to a camera file, with every mistake named before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import cv2
import numpy as np

from engine.calibrate.boards import Board
from engine.calibrate.finding import Photograph, Sighting, Unseen, find_boards
from engine.calibrate.places import Place, placing_of
from engine.calibrate.solving import PlacedCamera, Solution, coverage, place_camera, solve_lens
from engine.devices.cameras.decode import Undecodable, decode_image
from engine.frame import CameraGeometry, Lens
from engine.problems import Problem, ProblemsFound
from engine.station.geometry import CameraFile, CameraShape, PoseShape

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class CartonBoard:
    """A photograph of a board at a known place of the carton."""

    image: Path
    place: Place


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What was found, with the photographs that show it."""

    shape: CameraShape
    geometry: CameraGeometry
    board: Board
    solution: Solution | None
    """None where the lens was taken from a file."""
    placed: PlacedCamera | None
    grays: dict[str, np.ndarray]
    """Grey values of the photographs by name."""
    notes: tuple[str, ...]


def calibrate(
    camera: str,
    board: Board,
    images: Sequence[Path],
    carton_boards: Sequence[CartonBoard] = (),
    *,
    known: CameraFile | None = None,
    gamma: str | float = "srgb",
    today: date | None = None,
) -> Calibration:
    """Calibrate one camera.

    Parameters
    ----------
    camera : str
        Its name.
    board : Board
        The board in all photographs.
    images : sequence of Path
        Photographs that tell the lens.
    carton_boards : sequence of CartonBoard
        Photographs of boards at known places of the carton, which tell where the camera stands.
    known : CameraFile, optional
        A camera file whose lens is taken instead of `images`.
    gamma : str or float
        How grey values are coded.
    today : date, optional
        The day that is written down.

    Raises
    ------
    ProblemsFound
        With everything that keeps the photographs from telling what is asked.
    """
    paths = list(dict.fromkeys([*images, *(b.image for b in carton_boards)]))
    photographs = _read(paths, known.geometry.lens if known else None)
    found = dict(zip(paths, find_boards(board, photographs), strict=True))
    problems = [
        Problem(result.name, 0, 0, "", result.code, result.why)
        for result in found.values()
        if isinstance(result, Unseen)
    ]
    if carton_boards and not board.has_one_way_up:
        what = (
            f"{board.name} looks the same after half a turn, so it cannot say how it lies. Take a "
            "charuco board, or a checker board whose numbers across and down add up to an odd one."
        )
        problems.append(Problem("--board-at", 0, 0, "", "option", what))
    if problems:
        raise ProblemsFound(problems)
    sightings = {path: s for path, s in found.items() if isinstance(s, Sighting)}
    rows, columns = photographs[0].gray.shape
    solution = None
    if known is None:
        solution = solve_lens([sightings[path] for path in images], (columns, rows))
    lens = solution.lens if solution else known.geometry.lens  # type: ignore[union-attr]
    if lens is None:
        message = "a camera file holds a lens"
        raise ValueError(message)
    placed = None
    if carton_boards:
        boards = [(sightings[b.image], placing_of(b.place)) for b in carton_boards]
        placed = place_camera(lens, boards)
    shape = _shape(camera, lens, board, solution, known, gamma)
    shape = shape.model_copy(update={
        "pose": _pose(placed, carton_boards),
        "carton_images": tuple(_shown(b.image) for b in carton_boards),
        "made": today,
    })  # fmt: skip
    if solution is not None:
        shape = shape.model_copy(update={"images": tuple(map(_shown, images))})
    geometry = CameraGeometry(gamma, None, lens, placed.pose if placed else None)
    grays = {p.name: p.gray for p in photographs}
    return Calibration(shape, geometry, board, solution, placed, grays, _notes(solution))


def _read(paths: Sequence[Path], lens: Lens | None) -> list[Photograph]:
    """Read photographs; all of one size, which is that of a lens that is known."""
    problems: list[Problem] = []
    photographs: list[Photograph] = []
    for path in paths:
        try:
            pixels, _ = decode_image(path.read_bytes())
        except Undecodable as error:
            what = f"The image cannot be used: {error}."
            problems.append(Problem(str(path), 0, 0, "", "bad-image", what))
            continue
        except OSError as error:
            what = f"The file cannot be read: {error.strerror or error}."
            problems.append(Problem(str(path), 0, 0, "", "unreadable", what))
            continue
        photographs.append(Photograph(str(path), _gray(pixels)))
    sizes = [p.gray.shape[::-1] for p in photographs]
    if lens is not None:
        wanted, whose = (lens.width_px, lens.height_px), "the lens was calibrated at"
    else:
        wanted, whose = max(sizes, key=sizes.count, default=(0, 0)), "most of the images have"
    for photograph, size in zip(photographs, sizes, strict=True):
        if size != wanted:
            what = (
                f"The image has {size[0]} x {size[1]} px; {whose} {wanted[0]} x {wanted[1]}. "
                "All are needed as the camera gives them, neither cut nor resized."
            )
            problems.append(Problem(photograph.name, 0, 0, "", "image-sizes", what))
    if problems:
        raise ProblemsFound(problems)
    return photographs


def _gray(pixels: np.ndarray) -> np.ndarray:
    """Give grey values of 8 bits; deeper pictures are stretched to their brightest pixel."""
    if pixels.dtype != np.uint8:
        brightest = max(int(pixels.max()), 1)
        pixels = (pixels.astype(np.float32) * (255 / brightest)).astype(np.uint8)
    if pixels.ndim == 3:
        pixels = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    return pixels


def _shape(
    camera: str,
    lens: Lens,
    board: Board,
    solution: Solution | None,
    known: CameraFile | None,
    gamma: str | float,
) -> CameraShape:
    if solution is None:
        assert known is not None  # noqa: S101 - one of the two is always given
        return known.shape.model_copy(update={"camera": camera, "gamma": gamma, "pose": None})
    return CameraShape(
        format=1,
        camera=camera,
        width_px=lens.width_px,
        height_px=lens.height_px,
        focal_px=lens.focal_px,
        centre_px=lens.centre_px,
        distortion=lens.distortion,
        gamma=gamma,
        residual_px=solution.residual_px,
        residual_mm=solution.residual_mm,
        board=board.name,
        square_mm=board.square_mm,
        marker_mm=board.marker_mm or None,
    )


def _pose(placed: PlacedCamera | None, boards: Sequence[CartonBoard]) -> PoseShape | None:
    if placed is None:
        return None
    x, y, z = placed.pose.axes
    return PoseShape(
        position_mm=placed.pose.position_mm,
        axes=(_triple(x), _triple(y), _triple(z)),
        tilt_deg=placed.seen[0].tilt_deg,
        boards_at=tuple(board.place for board in boards),
        residual_px=placed.residual_px,
        residual_mm=placed.residual_mm,
    )


def _triple(values: Sequence[float]) -> Triple:
    x, y, z = values
    return (x, y, z)


def _shown(path: Path) -> str:
    """Give a file as it was named; of a full path, its last three parts."""
    return "/".join(path.parts[-3:]) if path.is_absolute() else path.as_posix()


def _notes(solution: Solution | None) -> tuple[str, ...]:
    if solution is None:
        return ()
    notes: list[str] = []
    share = coverage(solution)
    if share < 0.4:
        notes.append(
            f"the corners cover {share:.0%} of the frame; beyond them the distortion is only "
            "guessed: hold the board into the corners of the frame too"
        )
    if len(solution.seen) < 8:
        notes.append(f"{len(solution.seen)} images are few; 10 to 20 tell the lens better")
    if solution.residual_px > 0.3:
        notes.append(
            f"{solution.residual_px:.2f} px is much: is the board flat, and are the images sharp "
            "and neither cut nor resized?"
        )
    if solution.left_out:
        notes.append(f"{solution.left_out} corners far from all others were left out")
    return tuple(notes)
