"""A calibration in words, as one picture and as one self-contained page."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from engine.calibrate.calibration import Calibration
from engine.calibrate.pictures import (
    Picture,
    found_picture,
    lens_picture,
    magnification,
    scatter_picture,
    sheet,
    straight_picture,
)
from engine.calibrate.solving import Seen, rms
from engine.frame import Lens
from engine.station.geometry import bend_px

_TEMPLATES = Path(__file__).parent / "templates"
_JPEG_QUALITY = 88
_LOOK = Path(__file__).parents[1] / "report" / "templates"


def facts(calibration: Calibration) -> list[tuple[str, str]]:
    """Give what was found, as names and words."""
    shape, solution = calibration.shape, calibration.solution
    lens = _lens(calibration)
    (fx, fy), (cx, cy) = shape.focal_px, shape.centre_px
    spread = ""
    if solution is not None:
        a, b = solution.focal_spread_px
        spread = f" (standard deviation {max(a, b):.1f})"
    found = [
        ("frame", f"{shape.width_px} x {shape.height_px} px"),
        ("focal length", f"{fx:.1f} x {fy:.1f} px{spread}"),
        ("centre", f"{cx:.1f}, {cy:.1f} px"),
        ("distortion", f"moves the corners of the frame by up to {bend_px(lens):.1f} px"),
        ("lens residual", f"{shape.residual_px:.3f} px, {shape.residual_mm:.4f} mm"),
    ]
    if shape.pose is not None:
        x, y, z = shape.pose.position_mm
        found += [
            ("stands at", f"{x:.1f}, {y:.1f}, {z:.1f} mm of the carton"),
            ("tilt", f"{shape.pose.tilt_deg:.1f} deg to the board on the carton"),
            ("place residual", f"{shape.pose.residual_px:.3f} px, {shape.pose.residual_mm:.4f} mm"),
        ]
    return found


def pictures(calibration: Calibration) -> list[tuple[Picture, str]]:
    """Give the pictures, each with its words."""
    solution, placed = calibration.solution, calibration.placed
    lens = _lens(calibration)
    seen = [*(solution.seen if solution else ()), *(placed.seen if placed else ())]
    often = magnification(seen)
    shown = placed.seen[0] if placed else max(seen, key=lambda one: _reach(one, lens))
    gray = calibration.grays[shown.sighting.name]
    name = Path(shown.sighting.name).name
    made = [
        (found_picture(gray, shown, often), f"{name}: corners found; residuals {often} times"),
        (
            straight_picture(gray, shown, lens, calibration.board),
            "the lens taken out, with the board as a pinhole sees it",
        ),
    ]
    if solution is not None:
        words = f"a straight grid through the lens (blue); all corners, residuals {often} times"
        made.append((lens_picture(solution, often), words))
    words = f"residuals of all {sum(len(s.off_px) for s in seen)} corners; black: root mean square"
    made.append((scatter_picture(seen), words))
    return made


def picture_png(calibration: Calibration) -> bytes:
    """Give all pictures on one sheet, as PNG."""
    shape = calibration.shape
    title = f"{shape.camera}: {shape.residual_px:.3f} px, {shape.residual_mm:.4f} mm"
    if shape.pose is not None:
        title += f"; place {shape.pose.residual_px:.3f} px, {shape.pose.residual_mm:.4f} mm"
    return _png(sheet(pictures(calibration), title))


def page_html(calibration: Calibration) -> bytes:
    """Give the page; its pictures stand in it."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    shape = calibration.shape
    loader = FileSystemLoader([_TEMPLATES, _LOOK])
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined)
    tiles = [
        (f"{shape.residual_px:.3f} px", "lens residual in the picture (root mean square)"),
        (f"{shape.residual_mm:.4f} mm", "lens residual on the board"),
    ]
    if shape.pose is not None:
        tiles += [
            (f"{shape.pose.residual_mm:.4f} mm", "residual of the place on the carton"),
            (f"{shape.pose.tilt_deg:.1f} deg", "tilt to the board on the carton"),
        ]
    page = environment.get_template("calibration.html.j2").render(
        shape=shape,
        tiles=tiles,
        facts=facts(calibration),
        notes=calibration.notes,
        pictures=[(_data_uri(picture), words) for picture, words in pictures(calibration)],
        rows=_rows(calibration),
    )
    return page.encode()


def _rows(calibration: Calibration) -> list[dict[str, Any]]:
    groups = (
        ("lens", calibration.solution.seen if calibration.solution else ()),
        ("place", calibration.placed.seen if calibration.placed else ()),
    )
    return [
        {
            "name": Path(one.sighting.name).name,
            "shows": shows,
            "corners": len(one.off_px),
            "px": one.residual_px,
            "mm": rms(one.off_mm),
            "tilt": one.tilt_deg,
            "away": float(one.placing.shift_mm[2]),
        }
        for shows, group in groups
        for one in group
    ]


def _reach(seen: Seen, lens: Lens) -> float:
    """How far from the middle of the frame the board reaches: there the lens bends most."""
    return float(np.hypot(*(seen.sighting.pixels - np.array(lens.centre_px)).T).max())


def _lens(calibration: Calibration) -> Lens:
    lens = calibration.geometry.lens
    if lens is None:
        message = "a calibration has a lens"
        raise ValueError(message)
    return lens


def _png(picture: Picture) -> bytes:
    return cv2.imencode(".png", picture[:, :, ::-1])[1].tobytes()


def _data_uri(picture: Picture) -> str:
    kind = [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    coded = cv2.imencode(".jpg", picture[:, :, ::-1], kind)[1].tobytes()
    return "data:image/jpeg;base64," + base64.b64encode(coded).decode()
