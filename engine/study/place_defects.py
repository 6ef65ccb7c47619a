"""Made-up defects of place: labels shifted and turned, lines moved, what is looked for covered."""

from __future__ import annotations

import math

import numpy as np

from engine.study.painting import Matrix, Points, through
from engine.study.print_defects import Made, Rng
from engine.study.scene import Scene


def shifted(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Cut out what the step looks for and lay it down so many mm away, in any direction."""
    way = rng.uniform(0, 2 * np.pi)
    move = np.array([[1, 0, size * math.cos(way)], [0, 1, size * math.sin(way)], [0, 0, 1.0]])
    return _laid_down(scene, move, size, rng)


def turned(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Turn it about its middle by so many degrees, either way."""
    turn = math.radians(size) * rng.choice((-1, 1))
    c, s = math.cos(turn), math.sin(turn)
    return _laid_down(scene, _about(scene, np.array([[c, -s], [s, c]])), size, rng)


def enlarged(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Make it larger by so many per cent, as what comes nearer to the camera."""
    return _laid_down(scene, _about(scene, np.eye(2) * (1 + size / 100)), size, rng)


def corner_lifted(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Draw one corner outwards by so many mm, as of a lid that is not down there."""
    import cv2

    corners = scene.corners
    middle = corners.mean(axis=0)
    moved = corners.copy()
    k = int(rng.integers(4))
    moved[k] += (corners[k] - middle) / np.hypot(*(corners[k] - middle)) * size
    move = cv2.getPerspectiveTransform(corners.astype(np.float32), moved.astype(np.float32))
    return _laid_down(scene, move.astype(np.float64), size, rng)


def _about(scene: Scene, linear: Matrix) -> Matrix:
    middle = scene.corners.mean(axis=0)
    move = np.eye(3)
    move[:2, :2] = linear
    move[:2, 2] = middle - linear @ middle
    return move


def _laid_down(scene: Scene, move: Matrix, size: float, rng: Rng) -> Made:
    """Cut the region out, fill the hole from around it, and lay it down moved (in mm)."""
    before, after = scene.at(scene.corners), scene.at(through(move, scene.corners))
    canvas = scene.canvas(np.vstack([before, after]), margin=8 * scene.look.blur_px + 4)
    grow = 1 + 2 * (3 * scene.look.blur_px + 1) / scene.px_per_mm / scene.smaller_side
    middle = before.mean(axis=0)
    hole = canvas.alpha([middle + (before - middle) * grow])
    moved = canvas.moved(scene.plane @ move @ np.linalg.inv(scene.plane))
    canvas.paint(np.minimum(hole * 4, 1), canvas.filled(hole))
    canvas.paint(canvas.alpha([after]), moved, noisy=True)
    canvas.fresh = np.where(canvas.alpha([after]) > 0.5, 0, canvas.fresh).astype(np.float32)
    return Made(canvas.done(rng), size, after)


def covered(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Cover so many per cent of it from one side, by a plain mid tone."""
    x, y, w, h = scene.region
    share = size / 100
    parts = ((x, y, w * share, h), (x + w * (1 - share), y, w * share, h),
             (x, y, w, h * share), (x, y + h * (1 - share), w, h * share))  # fmt: skip
    left, top, wide, high = parts[int(rng.integers(4))]
    corners = np.array([(left, top), (left + wide, top), (left + wide, top + high),
                        (left, top + high)])  # fmt: skip
    area = scene.at(corners)
    canvas = scene.canvas(area)
    light, _, _ = scene.small
    canvas.paint(canvas.alpha([area]), np.median(light, axis=(0, 1)).astype(np.float32))
    return Made(canvas.done(rng), size, area)


def removed(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Take so many per cent of it away, from one side: filled from what lies around it."""
    corners = scene.at(scene.corners)
    share = size / 100
    a, b, c, d = corners
    parts = (
        (a, a + (b - a) * share, d + (c - d) * share, d),
        (b + (a - b) * share, b, c, c + (d - c) * share),
        (a, b, b + (c - b) * share, a + (d - a) * share),
        (d + (a - d) * share, c + (b - c) * share, c, d),
    )
    part = np.array(parts[int(rng.integers(4))])
    canvas = scene.canvas(corners, margin=8 * scene.look.blur_px + 4)
    grow = 1 + 2 * (3 * scene.look.blur_px + 1) / scene.px_per_mm / scene.smaller_side
    middle = corners.mean(axis=0)
    light = canvas.filled(canvas.alpha([middle + (corners - middle) * grow]))
    out = part.mean(axis=0)
    canvas.paint(canvas.alpha([out + (part - out) * grow]), light)
    return Made(canvas.done(rng), size, part)


def line_up(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Move the edge or line towards the top (or the left) by so many mm."""
    return _line_moved(scene, size, 0.0, size, -1, rng)


def line_down(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Move the edge or line towards the bottom (or the right) by so many mm."""
    return _line_moved(scene, size, 0.0, size, 1, rng)


def line_tilted(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Turn the edge or line about its middle by so many degrees, either way."""
    return _line_moved(
        scene, 0.0, math.tan(math.radians(size)), size, int(rng.choice((-1, 1))), rng
    )


def line_hidden(scene: Scene, size: float, rng: Rng) -> Made | None:
    """Cover so many per cent of the region from one side, by a plain mid tone."""
    return covered(scene, size, rng)


def _line_moved(
    scene: Scene, by: float, slope: float, size: float, sign: int, rng: Rng
) -> Made | None:
    """Move the line with a narrow strip about it; what it leaves shows the ground next to it.

    The strip is 1 mm to either side, or less where the region is low. What the line moves over is
    hidden; all else stays. Beyond the region's ends the change fades out over a tenth of it.
    """
    line = next((m for m in scene.result.marks if m.kind == "line" and m.tone == "measured"), None)
    if line is None or len(line.points) < 2:
        return None
    along = scene.setting("along") != "columns"
    x, y, w, h = scene.region if along else _swapped(scene.region)
    ends = _turned(scene.back(np.array(line.points, np.float64)), along)
    rise = (ends[-1, 1] - ends[0, 1]) / (ends[-1, 0] - ends[0, 0] or 1.0)
    fade = 0.1 * w
    outer = np.array([(x - fade, y), (x + w + fade, y), (x + w + fade, y + h), (x - fade, y + h)])
    canvas = scene.canvas(scene.at(_turned(outer, along)))
    rows, columns = canvas.light.shape[:2]
    grid = np.indices((rows, columns))[::-1].reshape(2, -1).T + np.array((canvas.x0, canvas.y0))
    at = _turned(scene.back(grid.astype(np.float64)), along)
    edge = ends[0, 1] + rise * (at[:, 0] - ends[0, 0])
    weight = np.clip((fade - np.maximum(x - at[:, 0], at[:, 0] - x - w)) / fade, 0, 1)
    move = sign * (by + slope * (at[:, 0] - x - w / 2)) * weight
    half = max(3 / scene.px_per_mm, min(1.0, 0.08 * h))
    move = np.clip(edge + move, y + half, y + h - half) - edge
    above, below = np.minimum(move, 0), np.maximum(move, 0)
    place = at[:, 1] - edge
    strip = np.abs(place - move) <= half
    left = ~strip & (place > above - half) & (place < below + half)
    from_y = np.where(strip, at[:, 1] - move, edge + np.where(move < 0, half, -half))
    touched = (strip | left) & (np.abs(move) > 1e-6) & (at[:, 1] > y) & (at[:, 1] < y + h)
    from_y = np.where(touched, from_y, at[:, 1])
    source = scene.at(_turned(np.column_stack([at[:, 0], from_y]), along))
    fx, fy = (source[:, k].reshape(rows, columns).astype(np.float32) for k in (0, 1))
    changed = touched.reshape(rows, columns).astype(np.float32)
    canvas.paint(changed, canvas.drawn_from(fx, fy), noisy=True)
    canvas.fresh = (left & touched).reshape(rows, columns).astype(np.float32)
    return Made(canvas.done(rng), size, scene.at(scene.corners))


def _swapped(region: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    x, y, w, h = region
    return y, x, h, w


def _turned(points: Points, along: bool) -> Points:
    return points if along else points[:, ::-1]
