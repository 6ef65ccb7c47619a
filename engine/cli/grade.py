"""`cartonverdict grade`: indicative print quality of one code in a scan or photograph."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

if TYPE_CHECKING:
    from rich.console import Console

    from engine.graph.registry import Step
    from engine.report.grade_wording import Graded
    from steps.contract import View

_STEPS = ("code_grade_linear", "code_grade_matrix")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("image", type=Path, help="a scan or photograph with one code")
    parser.add_argument(
        "--symbology", required=True, metavar="NAME",
        help="ean13, ean8, upca, code128, gs1_128, itf14, datamatrix, gs1_datamatrix, qr or gs1_qr",
    )  # fmt: skip
    parser.add_argument("--mm-per-px", type=float, metavar="F", help="size of a pixel on the print")
    parser.add_argument(
        "--gamma", default="srgb", help="how grey values are coded: srgb (default), linear, or 2.2"
    )
    parser.add_argument(
        "--channel", choices=("red", "grey"), default="red",
        help="which light of a colour picture is measured",
    )  # fmt: skip
    parser.add_argument("--json", metavar="FILE", help="everything measured; - for the terminal")
    parser.add_argument("--report", type=Path, metavar="FILE", help="one HTML page with drawings")
    parser.add_argument("--whole-grades", action="store_true", help="whole grades, as before 2016")
    known = parser.add_argument_group("conditions, where they are known")
    known.add_argument("--aperture-mm", type=float, metavar="D", help="measuring aperture")
    known.add_argument("--wavelength-nm", type=float, metavar="L", help="light")
    known.add_argument("--angle-deg", type=float, metavar="A", help="light to the surface")
    known.add_argument(
        "--white-reflectance", type=float, metavar="R",
        help="reflectance (0 to 1) of the white patch, or of full scale where none is named",
    )  # fmt: skip
    known.add_argument(
        "--white-patch", nargs=4, type=int, metavar=("X", "Y", "WIDTH", "HEIGHT"),
        help="where a white of known reflectance lies in the picture, in pixels",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Grade one picture; 1 when no grade is possible."""
    from datetime import datetime

    from rich.console import Console

    from engine.cli.main import version
    from engine.report.grade_page import grade_page
    from engine.report.pages import write_page

    to_terminal = options.json == "-"
    console = Console(highlight=False, stderr=to_terminal)
    graded = _graded(options)
    _say(graded, console)
    if options.json is not None:
        _write_json(graded, None if to_terminal else Path(options.json))
    if options.report is not None:
        now = datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
        write_page(options.report, grade_page(graded, made_at=now, version=version()))
        console.print(f"report: {options.report}", markup=False, soft_wrap=True)
    return 0 if graded.grade is not None else 1


def _graded(options: argparse.Namespace) -> Graded:
    """Read the picture, measure, and put together what is shown."""
    from engine.report.grade_wording import Graded, Taken
    from steps.contract import NotMeasured

    step, symbology = _step_of(options.symbology)
    gamma = _gamma(options.gamma)
    view = _view(options.image, options.mm_per_px, gamma)
    params = _params(options, step, symbology, view, gamma)
    if step.survey is None:
        raise TypeError(f"{step.name} gives nothing to draw")
    found = step.survey(view, params)
    measured = not isinstance(found, NotMeasured)
    rows, columns = view.gray.shape
    taken = Taken(
        name=options.image.name,
        size=(columns, rows),
        coding="linear" if gamma == 1.0 else str(gamma),
        channel="" if view.rgb is None else options.channel,
        mm_per_px=options.mm_per_px,
        aperture_mm=options.aperture_mm,
        wavelength_nm=options.wavelength_nm,
        angle_deg=options.angle_deg,
        white_reflectance=options.white_reflectance,
        has_patch=options.white_patch is not None,
    )
    return Graded(
        picture=view.gray if view.rgb is None else view.rgb,
        symbology=symbology,
        taken=taken,
        values=found[0].model_dump(exclude={"marks"}) if measured else {},
        about={name: (info.unit, info.description) for name, info in step.values.items()},
        survey=found[1] if measured else {},
        why="" if measured else found.why,
    )


def _step_of(name: str) -> tuple[Step, str]:
    """Find the step that grades a symbology, and the symbology's name there."""
    from engine.graph.registry import load_step
    from engine.problems import listed, nearest

    every: list[str] = []
    for step_name in _STEPS:
        step = load_step(step_name)
        allowed = [str(a) for a in get_args(step.params.model_fields["symbology"].annotation)]
        for known in allowed:
            if _plain(known) == _plain(name):
                return step, known
        every += allowed
    what = f"No symbology of this name is graded; these are: {listed(every)}."
    raise _wrong("--symbology", name, what + nearest(name, every))


def _plain(name: str) -> str:
    """Letters and digits of a name, so that EAN-13 means ean13."""
    return "".join(c for c in name.lower() if c.isalnum())


def _gamma(text: str) -> str | float:
    if text in ("srgb", "linear"):
        return text if text == "srgb" else 1.0
    try:
        exponent = float(text)
    except ValueError:
        exponent = 0.0
    if not 0.2 <= exponent <= 5.0:
        what = "Grey values are coded as `srgb`, `linear`, or by an exponent from 0.2 to 5."
        raise _wrong("--gamma", text, what)
    return exponent


def _view(image: Path, mm_per_px: float | None, gamma: str | float) -> View:
    """Read the picture as one view."""
    import math

    import cv2
    import numpy as np

    from engine.devices.cameras.decode import Undecodable, decode_image
    from engine.problems import Problem, ProblemsFound, sentence
    from steps.contract import View

    if mm_per_px is not None and not 0 < mm_per_px < 100:
        raise _wrong("--mm-per-px", f"{mm_per_px:g}", "A pixel is more than 0 and under 100 mm.")
    try:
        pixels, bits = decode_image(image.read_bytes())
    except OSError as error:
        what = sentence(f"the picture cannot be read: {error.strerror or error}")
        raise ProblemsFound([Problem(str(image), 0, 0, "", "unreadable", what)]) from None
    except Undecodable as error:
        what = sentence(str(error))
        raise ProblemsFound([Problem(str(image), 0, 0, "", "unreadable", what)]) from None
    shown: Any = np.ascontiguousarray(pixels >> 8, np.uint8) if bits == 16 else pixels
    color = pixels.ndim == 3
    return View(
        cv2.cvtColor(shown, cv2.COLOR_RGB2GRAY) if color else shown,
        mm_per_px=math.nan if mm_per_px is None else mm_per_px,
        rgb=shown if color else None,
        frame=pixels,
        gamma=gamma,
    )


def _params(
    options: argparse.Namespace, step: Step, symbology: str, view: View, gamma: str | float
) -> Any:
    """Give the step's settings; every option that cannot be is a problem."""
    from pydantic import ValidationError

    from engine.problems import Problem, ProblemsFound, sentence

    if options.aperture_mm is not None and options.mm_per_px is None:
        what = "An aperture in mm needs the size of a pixel: give --mm-per-px."
        raise _wrong("--aperture-mm", f"{options.aperture_mm:g}", what)
    settings = {
        "symbology": symbology,
        "channel": options.channel,
        "aperture_mm": options.aperture_mm,
        "wavelength_nm": options.wavelength_nm,
        "light_angle_deg": options.angle_deg,
        "white_level": _white_level(options, view, gamma),
    }
    if options.white_reflectance is not None:
        settings["white_reflectance"] = options.white_reflectance
    if options.whole_grades:
        settings["decimals"] = False
    named = {"light_angle_deg": "--angle-deg"}
    try:
        return step.params.model_validate(settings)
    except ValidationError as error:
        problems: list[Problem] = []
        for found in error.errors():
            setting = str(found["loc"][0])
            option = named.get(setting, "--" + setting.replace("_", "-"))
            given = f"{found['input']:g}"
            problems.append(Problem(option, 0, 0, given, "option", sentence(found["msg"])))
        raise ProblemsFound(problems) from None


def _white_level(options: argparse.Namespace, view: View, gamma: str | float) -> float | None:
    """Light of the white whose reflectance is known, as a share of full scale."""
    import numpy as np

    if options.white_patch is None:
        return None if options.white_reflectance is None else 1.0
    given = " ".join(map(str, options.white_patch))
    if options.white_reflectance is None:
        what = "How much that patch reflects must be known too: give --white-reflectance."
        raise _wrong("--white-patch", given, what)
    x, y, width, height = options.white_patch
    frame: Any = view.frame
    rows, columns = frame.shape[:2]
    if min(x, y) < 0 or min(width, height) < 1 or x + width > columns or y + height > rows:
        what = f"The patch must lie within the picture of {columns} x {rows} px."
        raise _wrong("--white-patch", given, what)
    part = frame[y : y + height, x : x + width]
    if part.ndim == 3:
        part = part[:, :, 0] if options.channel == "red" else view.gray[
            y : y + height, x : x + width
        ]  # fmt: skip
    full = float(np.iinfo(part.dtype).max)
    if np.mean(part >= full) > 0.02:
        what = "The patch is at full scale, so its light is not known: expose less."
        raise _wrong("--white-patch", given, what)
    shares = part / full
    if gamma == "srgb":
        light = np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)
    else:
        light = shares ** float(gamma)
    return max(float(np.mean(light)), 1e-6)


def _wrong(option: str, given: str, what: str) -> Exception:
    from engine.problems import Problem, ProblemsFound, quoted

    return ProblemsFound([Problem(option, 0, 0, quoted(given), "option", what)])


def _say(graded: Graded, console: Console) -> None:
    """Print what was found."""
    from rich.table import Table

    from engine.report.grade_wording import (
        condition_rows,
        indicator_rows,
        parameter_rows,
        seen_text,
    )

    def line(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    values = graded.values
    line(f"{graded.taken.name}: print quality of {graded.title}, indicative, not a verification")
    for name, words in condition_rows(graded)[1:]:
        line(f"  {name}: {words}")
    if graded.grade is None:
        line(f"no grade: {graded.why_no_grade}")
        if not values:
            return
        table = Table("value", "measured", "what it is", title="indicators", title_justify="left")
        for row in indicator_rows(graded):
            table.add_row(*row)
        console.print(table)
        return
    table = Table("parameter")
    table.add_column("value", justify="right")
    table.add_column("grade", justify="right")
    table.add_column("what usually lowers it")
    for row in parameter_rows(graded.survey):
        table.add_row(row.text, row.value, f"{row.grade:.1f}", row.cause)
    console.print(table)
    line(f"content: {graded.content}")
    line(f"seen at {seen_text(graded)}")
    line(f"limited by {values['limited_by'] or 'nothing: every parameter has its best grade'}")
    formal = f", {values['notation']}" if values["notation"] else ""
    line(f"symbol grade {graded.grade:.1f} ({values['letter']}){formal}, indicative")


def _write_json(graded: Graded, file: Path | None) -> None:
    """Write what was measured to a file or to the terminal."""
    import json

    from engine.faults import StoreFault
    from engine.report.grade_wording import as_json

    text = json.dumps(as_json(graded), indent=1, ensure_ascii=False) + "\n"
    if file is None:
        sys.stdout.write(text)
        return
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, "utf-8")
    except OSError as error:
        message = f"{file}: writing the results failed: {error.strerror or error}"
        raise StoreFault(message) from error
