"""`cartonverdict cut`: a rectified picture of a part of a good carton, as a reference."""

from __future__ import annotations

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("set", type=Path, help="a captured set")
    parser.add_argument("trigger", type=int, help="a good carton")
    parser.add_argument("file", type=Path, help="the PNG file to write, in the recipe's folder")
    parser.add_argument("--recipe", type=Path, required=True, help="a recipe's folder or file")
    parser.add_argument(
        "--place", required=True, metavar="CAMERA.STEP", help="the step on whose reference it lies"
    )
    parser.add_argument(
        "--region-mm", required=True, nargs=4, type=float, metavar=("X", "Y", "WIDTH", "HEIGHT"),
        help="where it lies on that reference",
    )  # fmt: skip
    parser.add_argument(
        "--order",
        action="append",
        default=[],
        metavar="FIELD=VALUE",
        help="value of an order field",
    )


def run(options: argparse.Namespace) -> int:
    """Write one cut-out."""
    import cv2

    from engine.devices.cameras.captured_set import open_set
    from engine.graph.order import read_pairs
    from engine.problems import Problem, ProblemsFound
    from engine.replay.cartons import chosen
    from engine.replay.replay import prepare_job
    from engine.teach.cut import cut_out

    captured = open_set(options.set)
    chosen(str(options.trigger), captured.files, "TRIGGER")
    camera, _, name = options.place.partition(".")
    order = read_pairs(options.order)
    job = prepare_job(captured, options.recipe, order, untaught_allowed=True, only=(camera, name))
    planned = job.plan.cameras[camera].steps[-1]
    if planned.step.pose_name is None:
        what = f"`{options.place}` ({planned.step.name}) finds no pose to cut by."
        raise ProblemsFound([Problem("--place", 0, 0, options.place, "no-pose", what)])
    x, y, width, height = options.region_mm
    if width <= 0 or height <= 0 or max(width, height) / planned.mm_per_px > 10_000:
        what = "Width and height are above 0, and not larger than a view can be."
        raise ProblemsFound([Problem("--region-mm", 0, 0, "", "option", what)])
    region = (x, y, width, height)
    picture = cut_out(job, options.trigger, planned.camera, planned.name, region)
    options.file.parent.mkdir(parents=True, exist_ok=True)
    pixels = picture if picture.ndim == 2 else picture[:, :, ::-1]
    options.file.write_bytes(cv2.imencode(".png", pixels)[1].tobytes())
    rows, columns = picture.shape[:2]
    print(f"{options.file}: {width:g} x {height:g} mm as {columns} x {rows} px. In the recipe:")
    print(f"  settings: {{reference: {options.file.name}, size_mm: [{width:g}, {height:g}], "
          f"at_mm: [{x:g}, {y:g}]}}")  # fmt: skip
    return 0
