"""How well a lens and a camera's place are told from photographs of boards, and what they are for.

Known lenses are drawn at random (barrel and cushion, up to some 30 px at the corners of 960 x 720,
focal lengths of 0.9 to 2 frame widths) and boards photographed through them
(`tests/generators/boards.py`: exact truth, blur, noise, 8 bits). Per condition:

fit         residual of the photographs that were used [px], root mean square
held back   exact corners of boards in other poses, the pose fitted anew [px]; worst lens
mm error    lengths of 40 mm and more between places on a carton's panel, seen by the camera as it
            was placed by one photograph of a board, against the truth [%]; worst lens
z           errors of the focal length in stated standard deviations, root mean square

Goals: held back <= 0.1 px, mm error <= 0.1 %.
`python benchmarks/calibrate.py [--quick]`
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import cv2
import numpy as np

from engine.calibrate.boards import Board
from engine.calibrate.finding import Photograph, Sighting, find_boards
from engine.calibrate.places import Placing
from engine.calibrate.solving import place_camera, solve_lens
from engine.devices.cameras.lens_correction import LensCorrection
from engine.frame import CameraGeometry, Frame, Lens
from engine.station.geometry import bend_px, pixels_to_plane
from tests.generators.boards import Placed, TrueCamera, board_before, photograph, poses

CHARUCO = Board("charuco", 7, 5, 12.0, 9.0)
FINE = Board("charuco", 11, 8, 8.0, 6.0)
CHECKER = Board("checker", 9, 6, 10.0)


@dataclass(frozen=True)
class Condition:
    """How boards are photographed."""

    name: str
    board: Board
    count: int = 12
    blur: float = 0.8
    noise: float = 2.5
    tilt: float = 28.0


CONDITIONS = (
    Condition("charuco 7x5, 12 images", CHARUCO),
    Condition("charuco 11x8, 12 images", FINE),
    Condition("checker 9x6, 12 images", CHECKER),
    Condition("charuco 7x5, 6 images", CHARUCO, count=6),
    Condition("charuco 7x5, 20 images", CHARUCO, count=20),
    Condition("charuco 7x5, blur 1.8 px", CHARUCO, blur=1.8),
    Condition("charuco 7x5, noise 8", CHARUCO, noise=8.0),
    Condition("charuco 7x5, tilt 12 deg", CHARUCO, tilt=12.0),
)


def random_camera(seed: int) -> TrueCamera:
    rng = np.random.default_rng(1000 + seed)
    width, height = 960, 720
    focal = width * rng.uniform(0.9, 2.0)
    reach = np.hypot(width, height) / 2 / focal
    bend = rng.uniform(-30, 30) / (focal * reach**3)
    return TrueCamera(
        width, height, focal, focal * rng.uniform(0.995, 1.005),
        width / 2 + rng.uniform(-15, 15), height / 2 + rng.uniform(-15, 15),
        (bend, -0.3 * bend, *rng.uniform(-0.001, 0.001, 2), 0.0),
    )  # fmt: skip


def find(board: Board, camera: TrueCamera, placed: list[Placed], condition: Condition, seed: int):
    shots = [
        Photograph(str(i), photograph(board, p, camera, blur=condition.blur,
                                      noise=condition.noise, seed=seed + i))
        for i, p in enumerate(placed)
    ]  # fmt: skip
    return [one for one in find_boards(board, shots) if isinstance(one, Sighting)]


def one_lens(condition: Condition, seed: int) -> tuple[float, float, float, float, int]:
    board, camera = condition.board, random_camera(seed)
    placed = poses(board, camera, condition.count, seed=seed, tilt=condition.tilt)
    found = find(board, camera, placed, condition, 100 * seed)
    solution = solve_lens(found, (camera.width, camera.height))
    here = Placing(np.eye(3), np.zeros(3))
    held = []
    for other in poses(board, camera, 6, seed=7000 + seed):
        exact = Sighting("held", board.corners_mm(), other.pixels(camera, board.corners_mm()))
        held.append(place_camera(solution.lens, [(exact, here)]).residual_px)
    z = (solution.lens.focal_px[0] - camera.fx) / solution.focal_spread_px[0]
    error = mm_error(condition, camera, solution.lens, seed)
    return solution.residual_px, max(held), error, z, solution.terms


def mm_error(condition: Condition, camera: TrueCamera, lens: Lens, seed: int) -> float:
    """Worst length on the panel [%]."""
    board = condition.board
    away = camera.fx * board.size_mm[0] / (camera.width * 0.62)
    carton = board_before(board, (12, -15, 5), away)
    (seen,) = find(board, camera, [carton], condition, 100 * seed + 77)
    placed = place_camera(lens, [(seen, Placing(np.eye(3), np.zeros(3)))])
    geometry = CameraGeometry(lens=lens, pose=placed.pose)
    width, height = board.size_mm
    x, y = np.meshgrid(np.linspace(0, width, 5), np.linspace(0, height, 4))
    panel = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    found = pixels_to_plane(geometry, carton.pixels(camera, panel), corrected=False)
    pairs = [(a, b) for a, b in combinations(range(len(panel)), 2)
             if np.linalg.norm(panel[a] - panel[b]) >= 40]  # fmt: skip
    lengths = [
        np.linalg.norm(found[a] - found[b]) / np.linalg.norm(panel[a] - panel[b]) for a, b in pairs
    ]
    return 100 * float(np.abs(np.array(lengths) - 1).max())


def lenses(count: int) -> None:
    print(f"{'condition':<28}{'fit':>8}{'held back':>11}{'worst':>8}{'mm error':>10}{'worst':>8}"
          f"{'z':>6}{'in both goals':>15}")  # fmt: skip
    for condition in CONDITIONS:
        rows = np.array([one_lens(condition, seed) for seed in range(count)])
        fit, held, error, z = rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3]
        good = int(np.sum((held <= 0.1) & (error <= 0.1)))
        print(f"{condition.name:<28}{np.median(fit):8.3f}{np.median(held):11.3f}{held.max():8.3f}"
              f"{np.median(error):9.3f}%{error.max():7.3f}%{np.sqrt(np.mean(z**2)):6.1f}"
              f"{good:>9} of {count}")  # fmt: skip


def correction() -> None:
    """Straight lines of a panel before and after, the cost, and the contrast of fine print."""
    print(
        f"\n{'lens bends corners by':<24}{'bow before':>11}{'after':>8}   of the panel's lines [px]"
    )
    for k1 in (-0.005, -0.02, -0.08, -0.25):
        camera = TrueCamera(distortion=(k1, 0.1 * abs(k1), 0.0, 0.0, 0.0))
        lens = Lens(camera.width, camera.height, (camera.fx, camera.fy), (camera.cx, camera.cy),
                    camera.distortion)  # fmt: skip
        board = Board("charuco", 13, 9, 8.0, 6.0)
        gray = photograph(board, board_before(board, (8, -6, 2), 155), camera)
        after = LensCorrection(lens)(Frame("front", 1, gray))
        assert isinstance(after, Frame)
        print(f"{bend_px(lens):>20.1f} px{bow(board, gray):12.2f}{bow(board, after.pixels):8.2f}")
    cv2.setNumThreads(1)
    for size in ((1280, 1024), (2448, 2048)):
        width, height = size
        lens = Lens(
            width, height, (1.4 * width,) * 2, (width / 2, height / 2), (-0.2, 0.1, 0, 0, 0)
        )
        correct = LensCorrection(lens)
        for name, shape in (("grey", (height, width)), ("colour", (height, width, 3))):
            pixels = np.random.default_rng(1).integers(0, 256, shape).astype(np.uint8)
            times = []
            for i in range(7):
                start = time.process_time()
                correct(Frame("front", i, pixels))
                times.append(time.process_time() - start)
            print(f"{width} x {height} {name:<7}{1000 * min(times):7.1f} ms a frame, one thread")
    for period in (3.0, 4.0, 6.0, 10.0):
        print(f"contrast of lines {period:g} px apart that is kept: {kept(period):.0%}")


def bow(board: Board, gray: np.ndarray) -> float:
    """Largest distance of a corner from the board's best homography: what no pose can fit."""
    (found,) = find_boards(board, [Photograph("x", gray)])
    assert isinstance(found, Sighting), found
    matrix, _ = cv2.findHomography(found.board_mm[:, :2], found.pixels)
    fitted = cv2.perspectiveTransform(found.board_mm[:, None, :2], matrix)[:, 0]
    return float(np.linalg.norm(fitted - found.pixels, axis=1).max())


def kept(period: float) -> float:
    """Contrast that is left of a sine, the pixels shifted by every part of a pixel."""
    lens = Lens(960, 720, (1300.0, 1300.0), (479.5, 359.5), (-0.05, 0, 0, 0, 0))
    wave = 128 + 100 * np.sin(2 * np.pi * np.arange(960) / period)
    pixels = np.repeat(np.rint(wave).astype(np.uint8)[None], 720, axis=0)
    after = LensCorrection(lens)(Frame("front", 1, pixels))
    assert isinstance(after, Frame)
    part = slice(60, -60)
    return float(after.pixels[part, part].std() / pixels[part, part].std())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="two lenses a condition")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    lenses(2 if options.quick else 6)
    correction()


if __name__ == "__main__":
    main()
