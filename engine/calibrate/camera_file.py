"""A camera file as text."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from engine.station.geometry import CameraShape, PoseShape

_HEAD = """\
# Lens and place of one camera, made by `cartonverdict calibrate`.
# Pixels count from the centre of the top left pixel, x to the right and y down. Coordinates of the
# carton are mm from the top left corner of its front panel: x right, y down, z into the carton.
"""


def camera_text(shape: CameraShape) -> str:
    """Write a camera file.

    Parameters
    ----------
    shape : CameraShape
        What it holds.

    Returns
    -------
    str
        YAML that `engine.station.geometry.load_camera` reads back to the digits written.
    """
    lines = [
        _HEAD + "format: 1",
        f"camera: {_text(shape.camera)}",
        f"width_px: {shape.width_px}",
        f"height_px: {shape.height_px}",
        f"focal_px: {_list(shape.focal_px, 4)}",
        f"centre_px: {_list(shape.centre_px, 4)}",
        f"distortion: {_list(shape.distortion, 9)}  # k1, k2, p1, p2, k3",
        f"gamma: {shape.gamma if isinstance(shape.gamma, str) else _number(shape.gamma, 4)}",
        f"residual_px: {_number(shape.residual_px, 4)}",
        f"residual_mm: {_number(shape.residual_mm, 5)}",
    ]
    if shape.pose is not None:
        lines += _pose(shape.pose)
    if shape.board:
        lines.append(f"board: {_text(shape.board)}")
    for name in ("square_mm", "marker_mm"):
        value: Any = getattr(shape, name)
        lines += [] if value is None else [f"{name}: {_number(value, 6)}"]
    if shape.made is not None:
        lines.append(f"made: {shape.made.isoformat()}")
    for name in ("images", "carton_images"):
        files: Sequence[str] = getattr(shape, name)
        lines += [f"{name}:", *(f"  - {_text(file)}" for file in files)] if files else []
    return "\n".join(lines) + "\n"


def _pose(pose: PoseShape) -> list[str]:
    lines = [
        "pose:  # in coordinates of the carton",
        f"  position_mm: {_list(pose.position_mm, 4)}",
        "  axes:  # to the right, down and ahead in the picture, as directions of the carton",
        *(f"    - {_list(axis, 9)}" for axis in pose.axes),
        f"  tilt_deg: {_number(pose.tilt_deg, 3)}  # optical axis to the normal of the first board",
        f"  residual_px: {_number(pose.residual_px, 4)}",
        f"  residual_mm: {_number(pose.residual_mm, 5)}",
    ]
    if pose.boards_at:
        lines.append("  boards_at:  # x, y, z [mm], turned about x, y, z [deg]")
        lines += [f"    - {_list(place, 4)}" for place in pose.boards_at]
    return lines


def _number(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def _list(values: Sequence[float], digits: int) -> str:
    return f"[{', '.join(_number(value, digits) for value in values)}]"


def _text(text: str) -> str:
    """Quote a text, so that nothing in it is taken for YAML."""
    return json.dumps(text, ensure_ascii=False)
