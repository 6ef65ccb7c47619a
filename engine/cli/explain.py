"""`cartonverdict explain`: one carton, with pictures of what was measured, and why."""

from __future__ import annotations

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("set", type=Path, help="a captured set")
    parser.add_argument("trigger", type=int, help="number of the carton")
    parser.add_argument("--recipe", type=Path, required=True, help="a recipe's folder or file")
    parser.add_argument(
        "--order",
        action="append",
        default=[],
        metavar="FIELD=VALUE",
        help="value of an order field",
    )
    parser.add_argument(
        "--out", type=Path, default=Path("out"), metavar="FOLDER", help="where pictures go"
    )


def run(options: argparse.Namespace) -> int:
    """Explain one carton; 0 whatever its verdict."""
    import cv2

    from engine.devices.cameras.captured_set import open_set
    from engine.frame import Frame, TriggerSet
    from engine.graph.order import read_pairs
    from engine.problems import Problem, ProblemsFound
    from engine.replay.replay import prepare_job, replay
    from engine.report.drawing import draw_camera
    from engine.report.explain import explain_text
    from engine.result import CartonVerdict, trigger_name

    captured = open_set(options.set)
    if options.trigger not in captured.files:
        first, last = min(captured.files), max(captured.files)
        what = f"The set holds no carton of that number; it holds {first} to {last}."
        raise ProblemsFound([Problem(str(options.set), 0, 0, "", "cartons", what)])
    job = prepare_job(captured, options.recipe, read_pairs(options.order))
    kept: list[tuple[CartonVerdict, TriggerSet]] = []

    class Keep:
        def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:
            kept.append((verdict, frames))

    replay(job, [Keep()], triggers=[options.trigger])
    verdict, frames = kept[0]
    print(explain_text(verdict))
    options.out.mkdir(parents=True, exist_ok=True)
    for result in verdict.results:
        frame = frames.frames[result.camera]
        if not isinstance(frame, Frame):
            continue
        picture = draw_camera(frame.pixels, result, verdict.findings, bits=frame.bits)
        file = options.out / f"{trigger_name(options.trigger)}-{result.camera}.png"
        done, encoded = cv2.imencode(".png", picture[:, :, ::-1])
        if done:
            file.write_bytes(encoded.tobytes())
            print(f"picture: {file}")
    return 0
