"""A captured set of another invented product: pralines, one camera at a slant, one above.

Drawn, not photographed: a panel with a pasted label (ordinary print, Data Matrix) seen at a slant
in colour, its lid's edge above it, and a tray of twelve round items seen from above in grey.
Cartons wander and turn; light, blur and noise change. Everything follows from the seed.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

PX = 8
"""Artwork pixels per mm."""
PANEL_MM = (160, 100)
LABEL_MM = (62, 40, 90, 44)
TRAY_MM = (170, 104)
PANEL_PX = ((210, 190), (1070, 130), (1085, 690), (190, 655))
TRAY_PX = ((120, 90), (880, 100), (870, 560), (110, 548))
GTIN_GOOD, GTIN_OTHER = "02004481000015", "02004481000022"
DEFECTS = (
    "wrong-date", "wrong-lot", "code-wrong", "print-smudge", "label-shifted:4", "label-shifted:6",
    "label-skewed:5", "missing-label", "missing-item:1", "missing-item:3", "flap-open:4",
    "flap-open:8",
)  # fmt: skip

_INK = (30, 25, 40)
_RED = (120, 40, 50)
Picture = NDArray[Any]


@dataclass(frozen=True)
class Carton:
    """What is on one carton."""

    defect: str = ""
    size: float = 0.0


def code_text(gtin: str = GTIN_GOOD) -> str:
    """Give the content of the code (plain, no separators needed)."""
    return f"01{gtin}1727083010P2210"


def write_set(
    folder: Path, *, good: int = 32, of_each: int = 2, taught: int = 20, seed: int = 7
) -> dict[int, dict[str, list[list[int]]]]:
    """Write the set: the first `taught` cartons good, the rest mixed.

    Gives for each trigger, by camera, the corners of panel and tray to the pixel, as someone reads
    them off a picture viewer.
    """
    rng = np.random.default_rng(seed)
    cartons = [Carton()] * good
    for word in DEFECTS:
        name, _, size = word.partition(":")
        cartons += [Carton(name, float(size or 0))] * of_each
    rest = taught + rng.permutation(len(cartons) - taught)
    rows = []
    board = _board(rng)
    corners: dict[int, dict[str, list[list[int]]]] = {}
    for trigger, index in enumerate([*range(taught), *rest], start=1):
        carton = cartons[index]
        frames = folder / "frames" / f"{trigger:06d}"
        frames.mkdir(parents=True)
        place = _Place(rng)
        slant = _finish(_slant(carton, board, place, rng), rng)
        above = cv2.cvtColor(_finish(_above(carton, place, rng), rng), cv2.COLOR_RGB2GRAY)
        cv2.imwrite(str(frames / "slant.png"), slant[:, :, ::-1])
        cv2.imwrite(str(frames / "above.png"), above)
        corners[trigger] = {
            "slant": _corners(_slant_to_px(place), PANEL_MM),
            "above": _corners(_above_to_px(place), TRAY_MM),
        }
        size = f":{carton.size:g}" if carton.size else ""
        verdict = "reject" if carton.defect else "pass"
        rows.append((f"{trigger:06d}", verdict, carton.defect + size))
    with (folder / "truth.csv").open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([("trigger", "verdict", "defects"), *rows])
    (folder / "set.yaml").write_text(
        "order: {lot: P2210, expiry: 2027-08-30}\n"
        "cameras: {slant: {gamma: srgb}, above: {gamma: srgb}}\n"
    )
    return corners


class _Place:
    """Where a carton stands."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.across, self.along, self.tray = (
            rng.uniform(-3, 3),
            rng.uniform(-3, 3),
            rng.uniform(-2, 2),
        )
        self.turn = rng.uniform(-2.5, 2.5)


def _text(
    image: Picture, text: str, x: float, y: float, height: float, ink: Any = _INK, weight: int = 400
) -> None:
    face = cv2.FontFace("sans")
    at = int(x * PX), int(y * PX)
    cv2.putText(image, text, at, ink, face, int(height * PX * 1.4), weight)


def _board(rng: np.random.Generator) -> Picture:
    board = np.full((100 * PX, 160 * PX, 3), (196, 205, 150), np.uint8)
    for _ in range(14):
        middle = int(rng.integers(0, 160 * PX)), int(rng.integers(0, 100 * PX))
        cv2.circle(board, middle, int(rng.integers(20, 60)), (180, 190, 130), -1, cv2.LINE_AA)
    cv2.rectangle(board, (3 * PX, 3 * PX), (157 * PX, 97 * PX), _RED, 6, cv2.LINE_AA)
    _text(board, "HALDEN", 12, 20, 9, _RED, 700)
    _text(board, "12 fine pralines", 12, 31, 4.5, (90, 60, 40))
    _text(board, "Store cool and dry. Net 150 g.", 10, 92, 3, (60, 60, 60))
    return board


def _label(carton: Carton, rng: np.random.Generator) -> Picture:
    label = np.full((44 * PX, 90 * PX, 3), 252, np.uint8)
    cv2.rectangle(label, (0, 0), (90 * PX - 1, 44 * PX - 1), (150, 150, 150), 3)
    cv2.rectangle(label, (0, 0), (90 * PX, 8 * PX), (40, 70, 140), -1)
    _text(label, "DARK  SEA SALT", 4, 6, 4, (255, 255, 255), 700)
    _text(label, "Ingredients: cocoa mass, sugar,", 4, 14, 2.4)
    _text(label, "cream, sea salt. May contain nuts.", 4, 18.5, 2.4)
    lot = "P2270" if carton.defect == "wrong-lot" else "P2210"
    year = 2026 if carton.defect == "wrong-date" else 2027
    _text(label, f"LOT {lot}", 4, 30, 3.4, (20, 20, 20), 500)
    _text(label, f"EXP 30.08.{year}", 4, 38, 3.4, (20, 20, 20), 500)
    gtin = GTIN_OTHER if carton.defect == "code-wrong" else GTIN_GOOD
    code = zxingcpp.create_barcode(code_text(gtin), zxingcpp.BarcodeFormat.DataMatrix)
    modules = np.asarray(code.to_image(scale=7, add_quiet_zones=False))
    rows, columns = modules.shape[:2]
    label[14 * PX : 14 * PX + rows, 64 * PX : 64 * PX + columns] = modules.reshape(rows, columns, 1)
    if carton.defect == "print-smudge":
        x, y = int(rng.integers(10, 40) * PX), int(rng.integers(11, 17) * PX)
        part = label[y : y + 24, x : x + 120]
        part[:] = cv2.blur(part, (61, 5))
    return label


def _slant(carton: Carton, board: Picture, place: _Place, rng: np.random.Generator) -> Picture:
    label = _label(carton, rng)
    shift, turn = rng.normal(0, 0.3, 2), rng.normal(0, 0.4)
    if carton.defect == "label-shifted":
        way = rng.uniform(0, 2 * np.pi)
        shift = carton.size * np.array([np.cos(way), np.sin(way)])
    if carton.defect == "label-skewed":
        turn = carton.size
    art = board.astype(np.float32)
    if carton.defect != "missing-label":
        x, y, width, height = LABEL_MM
        moved = _moved(*shift, turn, x + width / 2, y + height / 2) @ _scaled(1, x, y)
        art = _laid(art, label, _scaled(PX) @ moved @ _scaled(1 / PX))
    scene = np.full((800, 1280, 3), 45, np.float32)
    scene[60:100] = 150
    to_px = _slant_to_px(place)
    lift = carton.size if carton.defect == "flap-open" else 0.0
    lid = np.full((24, 160 * PX, 3), (150, 158, 112), np.float32)
    lid[-3:] = (70, 70, 60)
    scene = _laid(scene, lid, to_px @ _scaled(1, 0, -3 - lift) @ _scaled(1 / PX))
    return _laid(scene, art, to_px @ _scaled(1 / PX))


def _above(carton: Carton, place: _Place, rng: np.random.Generator) -> Picture:
    tray = np.full((104 * PX, 170 * PX, 3), (205, 190, 160), np.uint8)
    cv2.rectangle(tray, (2 * PX, 2 * PX), (168 * PX, 102 * PX), (140, 120, 90), 8)
    _text(tray, "HALDEN", 60, 12, 7, _RED, 700)
    missing = int(carton.size) if carton.defect == "missing-item" else 0
    gone = set(rng.choice(12, missing, replace=False).tolist())
    for k in range(12):
        x, y = (25 + 40 * (k % 4)) * PX, (30 + 28 * (k // 4)) * PX
        if k in gone:
            cv2.circle(tray, (x, y), 12 * PX, (190, 172, 140), -1, cv2.LINE_AA)
            continue
        middle = int(x + rng.normal(0, 4)), int(y + rng.normal(0, 4))
        cv2.circle(tray, middle, 11 * PX, (75, 45, 30), -1, cv2.LINE_AA)
        shine = middle[0] - 20, middle[1] - 20
        cv2.circle(tray, shine, 3 * PX, (120, 90, 70), -1, cv2.LINE_AA)
    to_px = _above_to_px(place)
    scene = np.full((650, 1000, 3), 60, np.float32)
    return _laid(scene, tray.astype(np.float32), to_px @ _scaled(1 / PX))


def _slant_to_px(place: _Place) -> Picture:
    return _plane(PANEL_PX, PANEL_MM) @ _moved(place.across, place.along, place.turn, 80, 50)


def _above_to_px(place: _Place) -> Picture:
    return _plane(TRAY_PX, TRAY_MM) @ _moved(place.across, place.tray, place.turn, 85, 52)


def _corners(to_px: Picture, size: tuple[int, int]) -> list[list[int]]:
    plane = np.array([[[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]]], np.float64)
    return np.rint(cv2.perspectiveTransform(plane, to_px)[0]).astype(int).tolist()


def _finish(scene: Picture, rng: np.random.Generator) -> Picture:
    width = scene.shape[1]
    light = rng.uniform(0.85, 1.08) * (1 + rng.uniform(-0.08, 0.08) * np.linspace(-0.5, 0.5, width))
    blurred = cv2.GaussianBlur(scene * light[None, :, None], (0, 0), rng.uniform(0.6, 1.0))
    return np.clip(blurred + rng.normal(0, 2.0, scene.shape), 0, 255).astype(np.uint8)


def _laid(scene: Picture, art: Picture, matrix: Picture) -> Picture:
    height, width = scene.shape[:2]
    shown = cv2.warpPerspective(art, matrix, (width, height), flags=cv2.INTER_AREA)
    there = cv2.warpPerspective(np.ones(art.shape[:2], np.float32), matrix, (width, height))
    return scene * (1 - there[..., None]) + shown * there[..., None]


def _plane(corners: Any, size: Any) -> Picture:
    plane = [[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]]
    return cv2.getPerspectiveTransform(np.array(plane, np.float32), np.array(corners, np.float32))


def _scaled(s: float, x: float = 0.0, y: float = 0.0) -> Picture:
    return np.array([[s, 0, x], [0, s, y], [0, 0, 1.0]])


def _moved(dx: float, dy: float, deg: float, cx: float, cy: float) -> Picture:
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array(
        [[c, -s, cx - c * cx + s * cy + dx], [s, c, cy - s * cx - c * cy + dy], [0, 0, 1]]
    )
