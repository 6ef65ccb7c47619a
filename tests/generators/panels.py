"""Made-up printed panels in camera frames, with the exact pose of each.

A panel of 152 x 104 mm is drawn as a print file at 15 px/mm. A frame (1280 x 1024 by default, the
panel about 760 x 520 in it) is made by mapping the print file through the wanted homography at
twice the frame's resolution and averaging 2 x 2; then lens blur, light falling off to one side,
gain and noise. Poses map mm of the panel to frame pixels (pixel centres) and are exact.

Conditions: turn +-5 deg, shift +-40 px, scale +-3 %, mild perspective, gain 0.7 to 1.05, noise
sigma 2 to 8, blur 0 to 2 px; `hard` frames carry a glare and a strap across the panel as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Gray = NDArray[np.uint8]
Matrix = NDArray[np.float64]

SIZE_MM = (152.0, 104.0)
MM_PER_PX = 0.2
PRINT_PX_PER_MM = 15
_WORDS = (
    "ALDERWICK", "Oat & Plum", "MORNING FLAKES", "net 450 g", "keep dry", "Best before: see lid",
    "with dried fruit", "High in fibre", "LOT", "Pour 40 g into a bowl", "add milk, stir",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class PanelFrame:
    """One frame and its truth."""

    gray: Gray
    pose: Matrix
    """From mm of the panel to pixels of the frame."""
    blur_px: float
    noise: float


def print_file(seed: int, size_mm: tuple[float, float] = SIZE_MM) -> Gray:
    """Draw a panel: words, lines, boxes, dots and bars, different for each seed."""
    rng = np.random.default_rng([7, seed])
    w, h = (round(side * PRINT_PX_PER_MM) for side in size_mm)
    paper = int(rng.integers(170, 235))
    art = np.full((h, w), paper, np.uint8)
    cv2.rectangle(art, (0, 0), (w, int(h * rng.uniform(0.15, 0.3))), int(rng.integers(60, 140)), -1)
    for _ in range(6):
        x, y = int(rng.integers(0, w)), int(rng.integers(0, h))
        size = (int(rng.integers(60, w // 4)), int(rng.integers(60, h // 4)))
        shade = int(rng.integers(50, 250))
        if rng.random() < 0.5:
            cv2.ellipse(
                art, (x, y), size, float(rng.integers(0, 180)), 0, 360, shade, -1, cv2.LINE_AA
            )
        else:
            cv2.rectangle(
                art, (x, y), (x + size[0], y + size[1]), shade, int(rng.choice([-1, 6, 14]))
            )
    for _ in range(14):
        text = str(rng.choice(_WORDS))
        scale = float(rng.uniform(2, 7))
        at = (int(rng.integers(0, w * 3 // 4)), int(rng.integers(h // 10, h)))
        ink = int(rng.integers(10, 90)) if rng.random() < 0.7 else 250
        font = cv2.FONT_HERSHEY_SIMPLEX if rng.random() < 0.6 else cv2.FONT_HERSHEY_COMPLEX
        cv2.putText(art, text, at, font, scale, ink, max(3, int(scale * 2.5)), cv2.LINE_AA)
    x = int(rng.integers(0, w * 2 // 3))
    y = int(rng.integers(h // 3, h * 2 // 3))
    cv2.rectangle(art, (x, y), (x + 620, y + 330), 240, -1)
    for _ in range(40):
        bar = x + 20 + int(rng.integers(0, 575))
        cv2.rectangle(art, (bar, y + 20), (bar + int(rng.choice([4, 9, 14])), y + 300), 20, -1)
    return art


def plain_lid(seed: int) -> Gray:
    """Draw a lid with one line of print and nothing else."""
    rng = np.random.default_rng([8, seed])
    w, h = (round(side * PRINT_PX_PER_MM) for side in SIZE_MM)
    art = np.full((h, w), int(rng.integers(120, 200)), np.uint8)
    cv2.putText(
        art, "ALDERWICK MILL", (w // 8, h // 2), cv2.FONT_HERSHEY_COMPLEX, 7, 40, 18, cv2.LINE_AA
    )
    return art


def nominal_pose(shape: tuple[int, int] = (1024, 1280), mm_per_px: float = MM_PER_PX) -> Matrix:
    """Give the pose of a panel in the middle of a frame, upright."""
    k = 1 / mm_per_px
    x = (shape[1] - SIZE_MM[0] * k) / 2 - 0.5
    y = (shape[0] - SIZE_MM[1] * k) / 2 - 0.5
    return np.array([[k, 0, x], [0, k, y], [0, 0, 1.0]])


def wandering(rng: np.random.Generator, nominal: Matrix) -> Matrix:
    """Give a pose as a carton takes it: turned, shifted, nearer or further, a little aslant."""
    a = np.radians(rng.uniform(-5, 5))
    s = 1 + rng.uniform(-0.03, 0.03)
    c, n = s * np.cos(a), s * np.sin(a)
    x, y = SIZE_MM[0] / 2, SIZE_MM[1] / 2
    about = np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])
    aslant = np.eye(3)
    aslant[2, :2] = rng.uniform(-0.02, 0.02, 2) / x
    move = np.eye(3)
    move[:2, 2] = rng.uniform(-40, 40, 2)
    turn = np.array([[c, -n, 0], [n, c, 0], [0, 0, 1]])
    pose = move @ nominal @ about @ turn @ aslant @ np.linalg.inv(about)
    return pose / pose[2, 2]


def belt(rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Draw a belt: dark, with soft blotches and a few seams."""
    rough = rng.normal(0, 1, (shape[0] // 16 + 1, shape[1] // 16 + 1)).astype(np.float32)
    soft = cv2.resize(rough, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    field = np.float32(rng.uniform(30, 80)) + 6 * soft
    for x in rng.integers(0, shape[1], 3):
        cv2.line(field, (int(x), 0), (int(x) + 30, shape[0]), float(rng.uniform(20, 120)), 3)
    return field  # type: ignore[return-value]


def project(
    art: Gray, pose: Matrix, ground: NDArray[np.float32], px_per_mm: float = PRINT_PX_PER_MM
) -> NDArray[np.float32]:
    """Put a print file into a scene by its pose, averaged 2 x 2 and with soft borders."""
    h, w = ground.shape
    to_art = np.array([[px_per_mm, 0, -0.5], [0, px_per_mm, -0.5], [0, 0, 1.0]])
    twice = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    # The print file is finer than the fine frame: average it first.
    j = pose[:2, :2] / pose[2, 2]
    ratio = px_per_mm / (2 * np.sqrt(abs(np.linalg.det(j))))
    source = cv2.GaussianBlur(art, (0, 0), max(0.5 * np.sqrt(max(ratio**2 - 1, 0)), 0.1))
    matrix = twice @ pose @ np.linalg.inv(to_art)
    fine = cv2.warpPerspective(source, matrix, (2 * w, 2 * h), borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpPerspective(np.full_like(art, 255), matrix, (2 * w, 2 * h))
    shown = cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32)
    share = cv2.resize(cover, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    return ground * (1 - share) + shown * share


def camera(
    scene: NDArray[np.float32], rng: np.random.Generator, blur_px: float, noise: float, gain: float
) -> Gray:
    """Take a picture: lens blur, light falling off to one side, gain, noise, 8 bits."""
    if blur_px > 0.2:
        scene = cv2.GaussianBlur(scene, (0, 0), blur_px)  # type: ignore[assignment]
    h, w = scene.shape
    fall = rng.uniform(-0.12, 0.12, 2)
    light = 1 + fall[0] * np.linspace(-1, 1, w)[None] + fall[1] * np.linspace(-1, 1, h)[:, None]
    shot = scene * (gain * light).astype(np.float32)
    shot += rng.standard_normal(scene.shape, np.float32) * np.float32(noise)
    return np.clip(np.rint(shot), 0, 255).astype(np.uint8)


def with_glare_and_strap(
    scene: NDArray[np.float32], rng: np.random.Generator, pose: Matrix
) -> NDArray[np.float32]:
    """Lay a strap across the panel and let a lamp glare on it."""
    h, w = scene.shape
    middle = pose @ np.array([SIZE_MM[0] / 2, SIZE_MM[1] / 2, 1.0])
    x, y = middle[:2] / middle[2] + rng.uniform(-220, 220, 2)
    out = scene.copy()
    a = rng.uniform(-0.5, 0.5) + (np.pi / 2 if rng.random() < 0.5 else 0)
    along = np.array([np.cos(a), np.sin(a)]) * 2000
    ends = [(int(x - along[0]), int(y - along[1])), (int(x + along[0]), int(y + along[1]))]
    cv2.line(out, ends[0], ends[1], float(rng.uniform(20, 230)), int(rng.integers(30, 70)))
    gx, gy = middle[:2] / middle[2] + rng.uniform(-250, 250, 2)
    yy, xx = np.mgrid[:h, :w].astype(np.float32)
    radius = rng.uniform(40, 110, 2)
    glow = np.exp(-(((xx - gx) / radius[0]) ** 2) - ((yy - gy) / radius[1]) ** 2)
    return out + np.float32(rng.uniform(150, 400)) * glow


def aslant_pose(down_deg: float, side_deg: float, distance_mm: float = 500.0) -> Matrix:
    """Give the pose of a panel in the middle of a frame, seen at a slant from near by."""
    w, h = SIZE_MM
    a, b = np.radians(down_deg), np.radians(side_deg)
    tip = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    turn = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    across, down, _ = (turn @ tip).T
    k = distance_mm / MM_PER_PX
    lens = np.array([[k, 0, 639.5], [0, k, 511.5], [0, 0, 1]])
    middle = np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1]])
    pose = lens @ np.column_stack([across, down, [0, 0, distance_mm]]) @ middle
    return pose / pose[2, 2]


def taught_frame(
    art: Gray, seed: int, shape: tuple[int, int] = (1024, 1280), nominal: Matrix | None = None
) -> PanelFrame:
    """Take the frame a reference is cut from: nominal place, quiet light."""
    rng = np.random.default_rng([9, seed])
    pose = nominal_pose(shape) if nominal is None else nominal
    scene = project(art, pose, belt(rng, shape))
    return PanelFrame(camera(scene, rng, 0.7, 2.0, 0.9), pose, 0.7, 2.0)


def panel_frame(
    art: Gray,
    seed: int,
    *,
    hard: bool = False,
    shape: tuple[int, int] = (1024, 1280),
    nominal: Matrix | None = None,
) -> PanelFrame:
    """Take a frame of a panel that lies as cartons lie; the same for the same seed."""
    rng = np.random.default_rng([10, seed])
    pose = wandering(rng, nominal_pose(shape) if nominal is None else nominal)
    scene = project(art, pose, belt(rng, shape))
    if hard:
        scene = with_glare_and_strap(scene, rng, pose)
    blur, noise = float(rng.uniform(0, 2)), float(rng.uniform(2, 8))
    return PanelFrame(camera(scene, rng, blur, noise, rng.uniform(0.7, 1.05)), pose, blur, noise)


def empty_belt(seed: int, shape: tuple[int, int] = (1024, 1280)) -> Gray:
    """Take a frame without a carton."""
    rng = np.random.default_rng([11, seed])
    return camera(belt(rng, shape), rng, float(rng.uniform(0, 2)), float(rng.uniform(2, 8)), 0.9)


@dataclass(frozen=True, slots=True)
class PoseError:
    """How far a pose is from the truth."""

    center_px: float
    turn_deg: float
    corner_px: float
    """The worst of the four corners."""


def pose_error(found: Matrix, true: Matrix, size_mm: tuple[float, float] = SIZE_MM) -> PoseError:
    """Compare a pose with the truth."""
    w, h = size_mm
    points = np.array(
        [[w / 2, h / 2, 1], [0, 0, 1], [w, 0, 1], [w, h, 1], [0, h, 1], [w / 2 + 1, h / 2, 1]]
    )

    def put(matrix: Matrix) -> NDArray[np.float64]:
        mapped = points @ matrix.T
        return mapped[:, :2] / mapped[:, 2:]

    a, b = put(found), put(true)
    off = np.hypot(*(a - b).T)
    turn = np.degrees(np.arctan2(*(a[5] - a[0])[::-1]) - np.arctan2(*(b[5] - b[0])[::-1]))
    return PoseError(float(off[0]), float(abs(turn)), float(off[1:5].max()))
