"""Made-up contents with exact truth, for tests and benchmarks: trays of items, and round items."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

MM_PER_PX = 0.2
"""Scale of the trays [mm/px]."""
CELL_MM = 20.0
"""Side of a cell [mm]."""


@dataclass(frozen=True)
class Circles:
    """A view of round items and their number."""

    gray: NDArray[np.uint8]
    count: int
    middles: list[tuple[float, float]]
    """x, y of each item [px]."""


def circles(
    seed: int,
    *,
    count: int | None = None,
    contrast: float = 40.0,
    noise: float = 4.0,
    diameter: float = 30.0,
    touching: bool = True,
    shape: tuple[int, int] = (200, 240),
) -> Circles:
    """Draw round items on a ground under uneven light.

    Parameters
    ----------
    seed : int
        Of everything random.
    count : int, optional
        Number of items; random from 0 to 18 by default.
    contrast, noise : float
        Item against ground (lighter or darker by turns), sigma of the noise [grey levels].
    diameter : float
        Diameter [px]; each item differs by up to 3 %.
    touching : bool
        Whether each item is pushed against another.
    shape : (int, int)
        Rows and columns.

    Returns
    -------
    Circles
    """
    rng = np.random.default_rng(seed)
    wanted = int(rng.integers(0, 19)) if count is None else count
    placed: list[tuple[float, float, float]] = []
    tries = 0
    while len(placed) < wanted and tries < 3000:
        tries += 1
        r = diameter / 2 * rng.uniform(0.97, 1.03)
        if placed and touching:
            x0, y0, r0 = placed[int(rng.integers(len(placed)))]
            turn = rng.uniform(0, 2 * np.pi)
            x, y = x0 + (r + r0) * np.cos(turn), y0 + (r + r0) * np.sin(turn)
        else:
            x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        gap = -0.01 if touching else 2.0
        inside = r + 2 <= x <= shape[1] - r - 3 and r + 2 <= y <= shape[0] - r - 3
        if inside and all(np.hypot(x - a, y - b) >= r + c + gap for a, b, c in placed):
            placed.append((x, y, r))
    fine = np.zeros(shape, np.float64)
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    for x, y, r in placed:
        fine = np.maximum(fine, np.clip(r - np.hypot(xx - x, yy - y) + 0.5, 0, 1))
    blurred = cv2.GaussianBlur(fine, (0, 0), float(rng.uniform(0.6, 1.2)))
    sign = 1 if rng.random() < 0.5 else -1
    gray = (rng.uniform(90, 150) + sign * contrast * blurred) * uneven(shape, rng)
    gray += rng.normal(0, noise, shape)
    return Circles(
        np.clip(np.rint(gray), 0, 255).astype(np.uint8), len(placed), [p[:2] for p in placed]
    )


def uneven(
    shape: tuple[int, int], rng: np.random.Generator, most: float = 0.1
) -> NDArray[np.float64]:
    """Light that falls off across the view, by up to `most` each way, and changes between views."""
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    a, b, c = rng.uniform(-most, most, 3)
    return rng.uniform(0.85, 1.05) * (1 + a * x + b * y - abs(c) * (x * x + y * y) / 2)


def item(variety: str) -> NDArray[np.uint8]:
    """Draw an item face on, 17 x 17 mm, RGB: a white wrapper with a band, a drawing and a word.

    `red`: the right one; `brown`: the near variant, only its band differs; `blue`: band and word
    differ; `back`: the plain back.
    """
    side = round(17 / MM_PER_PX)
    face = np.full((side, side, 3), (226, 222, 212), np.uint8)
    if variety == "back":
        return face
    band = {"red": (190, 60, 50), "brown": (160, 85, 50), "blue": (50, 80, 170)}[variety]
    face[14:30] = band
    word = "Malva" if variety != "blue" else "Linde"
    cv2.putText(face, word, (10, 72), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (50, 45, 40), 2, cv2.LINE_AA)
    cv2.ellipse(face, (40, 45), (16, 7), 20, 0, 360, (90, 140, 70), -1, cv2.LINE_AA)
    cv2.circle(face, (46, 44), 5, (220, 180, 60), -1, cv2.LINE_AA)
    return face


def tray(
    seed: int,
    varieties: list[list[str]],
    *,
    noise: float = 2.0,
    either_way: bool = False,
    ground: tuple[int, int, int] = (140, 112, 84),
) -> NDArray[np.uint8]:
    """Draw a tray of 20 mm cells, each with an item of the given variety, or `none`.

    Items lie up to 1.2 mm off the middle and turned by up to 3 degrees; light and colour cast
    change from tray to tray.

    Parameters
    ----------
    seed : int
        Of everything random.
    varieties : list of list of str
        Rows of cells: `red`, `brown`, `blue`, `back` or `none`.
    noise : float
        Sigma of the noise [grey levels].
    either_way : bool
        Whether half of the items lie turned by half a turn.
    ground : (int, int, int)
        Colour of the tray.

    Returns
    -------
    (M, N, 3) uint8
        RGB.
    """
    rng = np.random.default_rng(seed)
    cell = round(CELL_MM / MM_PER_PX)
    rows, columns = len(varieties), len(varieties[0])
    image = np.zeros((rows * cell, columns * cell, 3))
    image[:] = ground
    for r in range(rows + 1):
        image[max(0, r * cell - 2) : r * cell + 2] *= 0.6
    for r in range(rows):
        for c in range(columns):
            shift, turn = rng.uniform(-1.2, 1.2, 2) / MM_PER_PX, float(rng.uniform(-3, 3))
            turn += 180 * float(either_way and rng.random() < 0.5)
            if varieties[r][c] != "none":
                middle = np.array([c + 0.5, r + 0.5]) * cell + shift
                lay(image, item(varieties[r][c]), middle, turn)
    image = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.6, 1.0)))
    image *= uneven(image.shape[:2], rng, 0.05)[:, :, None] * rng.uniform(0.98, 1.02, 3)
    image += rng.normal(0, noise, image.shape)
    return np.clip(np.rint(image), 0, 255).astype(np.uint8)


def lay(
    image: NDArray[np.float64], face: NDArray[np.uint8], middle: NDArray[np.float64], turn: float
) -> None:
    """Lay an item into the image, turned about its middle, with a soft shadow."""
    side = face.shape[0]
    matrix = cv2.getRotationMatrix2D(((side - 1) / 2, (side - 1) / 2), turn, 1)
    matrix[:, 2] += middle - side / 2
    size = (image.shape[1], image.shape[0])
    laid = cv2.warpAffine(face.astype(np.float64), matrix, size)
    cover = cv2.warpAffine(np.ones(face.shape[:2]), matrix, size)[:, :, None]
    shadow = cv2.GaussianBlur(cv2.warpAffine(np.ones(face.shape[:2]), matrix, size), (0, 0), 4)
    image *= 1 - 0.25 * shadow[:, :, None] * (1 - cover)
    image[:] = image * (1 - cover) + laid
