"""`cartonverdict calibrate`: lens, tilt and place of a camera from photographs of a board."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from engine.calibrate.boards import Board
    from engine.calibrate.calibration import Calibration, CartonBoard


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add = parser.add_argument
    add("images", nargs="*", type=Path, metavar="IMAGE", help="photographs of the board, 10 to 20: "
        "tilted all ways, in all parts of the frame")  # fmt: skip
    add("--board", required=True, metavar="KIND:COLUMNSxROWS",
        help="charuco:7x5 or checker:9x6; squares are counted, not inner corners")  # fmt: skip
    add("--square-mm", type=float, metavar="MM", help="side of a square, measured on the print")
    add("--marker-mm", type=float, metavar="MM", help="side of a marker (charuco)")
    add("--camera", metavar="NAME", help="name of the camera")
    add("--out", type=Path, metavar="FILE", help="the camera file to write: NAME.camera.yaml; its "
        "picture goes beside it as .png")  # fmt: skip
    add("--report", type=Path, metavar="FILE", help="also write a page, .html")
    add("--gamma", default="srgb", help="how grey values are coded: srgb, linear or a number")
    add("--carton-image", action="append", default=[], type=Path, metavar="IMAGE",
        help="a photograph of the board at a known place of the carton; one for each --board-at, "
        "by default the first IMAGE")  # fmt: skip
    add("--board-at", action="append", default=[], metavar="X,Y,Z,RX,RY,RZ",
        help="where that board's top left corner lies in mm of the carton, and its turns in "
        "degrees (write --board-at=-5,0,0 where it begins with a minus)")  # fmt: skip
    add("--lens", type=Path, metavar="FILE", help="take the lens from this camera file; only the "
        "camera's place is found anew")  # fmt: skip
    add("--print-board", type=Path, metavar="FILE",
        help="write the board at true size as .svg or .pdf, and do nothing else")  # fmt: skip
    add("--page", default="a4", help="page for --print-board: a5, a4, a3, a2, letter")


def run(options: argparse.Namespace) -> int:
    """Calibrate a camera, or print a board."""
    from engine.calibrate.boards import parse_board

    board = parse_board(options.board, options.square_mm, options.marker_mm)
    if options.print_board is not None:
        return _print_board(board, options.print_board, options.page)
    return _calibrate(options, board)


def _print_board(board: Board, file: Path, page: str) -> int:
    from engine.calibrate.printing import board_page

    content, (width, height) = board_page(board, file, page)
    _write({file: content})
    print(f"{file}: {board.name} on {page}, {width:g} x {height:g} mm. Print at 100 %, then "
          "measure the scale bar.")  # fmt: skip
    return 0


def _calibrate(options: argparse.Namespace, board: Board) -> int:
    from datetime import datetime

    from engine.calibrate.calibration import calibrate
    from engine.calibrate.camera_file import camera_text
    from engine.calibrate.page import page_html, picture_png
    from engine.station.geometry import load_camera

    gamma = _checked(options)
    out: Path = options.out or Path(f"{options.camera}.camera.yaml")
    known = load_camera(options.lens) if options.lens else None
    today = datetime.now().astimezone().date()
    boards = _carton_boards(options)
    done = calibrate(
        options.camera, board, options.images, boards, known=known, gamma=gamma, today=today
    )
    files = {out.with_suffix(".png"): picture_png(done), out: camera_text(done.shape).encode()}
    if options.report is not None:
        files = {options.report: page_html(done), **files}
    _check_kept(files, [*options.images, *options.carton_image])
    _write(files)
    _tell(done, out, files)
    return 0


def _checked(options: argparse.Namespace) -> str | float:
    """Check what argparse cannot; gives gamma."""
    from engine.problems import Problem, ProblemsFound
    from engine.station.geometry import gamma_mistake
    from engine.yamlfile import core_scalar

    problems: list[Problem] = []

    def wrong(option: str, what: str) -> None:
        problems.append(Problem(option, 0, 0, "", "option", what))

    name = options.camera or ""
    if not 0 < len(name) <= 60 or any(c in "/\\\0" or not c.isprintable() for c in name):
        wrong("--camera", "The camera's name is needed, as frames and recipes have it.")
    if options.out is not None and options.out.suffix not in (".yaml", ".yml"):
        wrong("--out", "The camera file ends in .camera.yaml.")
    if options.report is not None and options.report.suffix not in (".html", ".htm"):
        wrong("--report", "The page ends in .html.")
    gamma = core_scalar(options.gamma)
    gamma = float(gamma) if isinstance(gamma, int | float) else gamma
    mistake = gamma_mistake(gamma)
    if mistake:
        wrong("--gamma", mistake)
    if options.lens is None and not options.images:
        wrong("IMAGE", "Photographs of the board are needed, 10 to 20, or a --lens.")
    if options.lens is not None and options.images:
        wrong("--lens", "With --lens the lens is known: give --carton-image instead of IMAGE.")
    images, places = len(options.carton_image), len(options.board_at)
    is_first = places == 1 and not images and bool(options.images)
    if images != places and not is_first:
        wrong("--board-at", f"{images} --carton-image stand against {places} --board-at; each "
              "photograph needs the place of its board.")  # fmt: skip
    if options.lens is not None and not places:
        wrong("--lens", "With --lens a --carton-image and its --board-at are needed.")
    if problems:
        raise ProblemsFound(problems)
    return gamma


def _carton_boards(options: argparse.Namespace) -> list[CartonBoard]:
    from engine.calibrate.calibration import CartonBoard
    from engine.calibrate.places import parse_place

    places = [parse_place(text) for text in options.board_at]
    images = options.carton_image or options.images[: len(places)]
    return [CartonBoard(image, place) for image, place in zip(images, places, strict=True)]


def _check_kept(files: Mapping[Path, bytes], photographs: Sequence[Path]) -> None:
    """Refuse to write over a photograph."""
    from engine.problems import Problem, ProblemsFound

    held = {photograph.resolve() for photograph in photographs}
    what = "This is one of the photographs; it would be overwritten. Take another --out."
    over = [Problem(str(f), 0, 0, "", "option", what) for f in files if f.resolve() in held]
    if over:
        raise ProblemsFound(over)


def _write(files: Mapping[Path, bytes]) -> None:
    """Write all files or none: each beside its place first, then all are put there."""
    from contextlib import suppress

    from engine.faults import StoreFault

    parts = {file: file.with_name(file.name + ".part") for file in files}
    try:
        for file, content in files.items():
            file.parent.mkdir(parents=True, exist_ok=True)
            parts[file].write_bytes(content)
        for file, part in parts.items():
            part.replace(file)
    except OSError as error:
        for part in parts.values():
            with suppress(OSError):
                part.unlink()
        message = f"{error.filename} cannot be written: {error.strerror or error}"
        raise StoreFault(message) from None


def _tell(done: Calibration, out: Path, files: Mapping[Path, bytes]) -> None:
    from engine.calibrate.page import facts

    shape = done.shape
    used = len(done.grays)
    print(f"camera {shape.camera}: {used} image{'s' if used != 1 else ''} of {shape.board}")
    for name, words in facts(done):
        print(f"  {name:<15} {words}")
    for note in done.notes:
        print(f"  note: {note}")
    print(f"written: {', '.join(map(str, files))}")
    print(f"set.yaml: cameras: {{{shape.camera}: {{geometry: {out.name}}}}}")
