"""From answers to places: panels, labels and codes on the good cartons of a set."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from engine.devices.cameras.captured_set import CapturedSet
from engine.draft.answers import Camera, Panel
from engine.draft.corners import Corners, corners_of, out_of_view, through, widest_apart
from engine.draft.draft import CameraDraft, Draft
from engine.draft.found import find_picture, frames_of, is_sound
from engine.draft.locating import Located, locate
from engine.frame import Frame, to_8_bit
from engine.problems import Problem, ProblemsFound, listed
from engine.result import trigger_name

Say = Callable[[str], None]
_LOOKED_AT = 9
"""So many frames, spread over the good ones, are searched for a print file."""


@dataclass(slots=True)
class Material:
    """The good cartons, and where files of the answers lie."""

    captured: CapturedSet
    triggers: Sequence[int]
    base: Path
    """Folder that names of print files are relative to."""
    folder: Path
    """Where the recipe is being made."""
    say: Say
    frames: dict[str, dict[int, Frame]] = field(default_factory=dict[str, dict[int, Frame]])

    def of(self, camera: str) -> dict[int, Frame]:
        """Give one camera's good frames, read once."""
        if camera not in self.frames:
            self.frames[camera] = frames_of(self.captured, camera, self.triggers)
        return self.frames[camera]

    def some(self, camera: str) -> dict[int, Frame]:
        """Give a few of them, spread over all."""
        frames = self.of(camera)
        triggers = list(frames)
        chosen = np.unique(np.linspace(0, len(triggers) - 1, _LOOKED_AT).round().astype(int))
        return {triggers[i]: frames[triggers[i]] for i in chosen}


def place_panels(draft: Draft, material: Material) -> Located:
    """Find every camera's panel on all good cartons, and build on the carton in the middle."""
    problems: list[Problem] = []
    for name, answers in draft.answers.cameras.items():
        try:
            draft.cameras[name] = _first_place(draft, name, answers, material)
        except ProblemsFound as found:
            problems += found.problems
    if problems:
        raise ProblemsFound(problems)
    material.say("finding the panels on all good cartons")
    located = locate(draft, material.folder, material.captured, material.triggers)
    for name, camera in draft.cameras.items():
        size = camera.answers.panel.size_mm
        poses = located.poses[name, "panel"]
        placed = {t: corners_of(pose, size) for t, pose in poses.items()}
        lie = widest_apart(placed)
        camera.nominal, camera.corners = lie.middle, placed[lie.middle]
        camera.how += f" Carton {lie.middle:06d} lies\nin the middle of the good ones; the others "
        camera.how += f"lie up to {lie.farthest_px:.0f} px from it."
        if camera.is_frame:
            write_frame(material.of(name)[lie.middle], material.folder / camera.reference)
        hidden = out_of_view(poses.values(), size, (camera.width_px, camera.height_px))
        camera.leave_out += [(strip, "not always in view") for strip in hidden]
    return locate(draft, material.folder, material.captured, material.triggers)


def _first_place(draft: Draft, name: str, answers: Camera, material: Material) -> CameraDraft:
    """Give a camera's panel its first corners: as said, or where its print file is found."""
    frames = material.of(name)
    first = next(iter(frames.values()))
    panel = answers.panel
    camera = CameraDraft(
        answers=answers,
        width_px=first.pixels.shape[1],
        height_px=first.pixels.shape[0],
        color=first.pixels.ndim == 3,
        nominal=panel.carton or first.trigger,
        reference="",
        corners=np.zeros((4, 2)),
        is_frame=panel.print is None,
        how="",
        leave_out=_left_out(answers),
    )
    if panel.print is not None:
        camera.reference = copy_print(panel.print, f"cameras.{name}.panel.print", material)
    if panel.corners_px is not None:
        camera.corners = np.array(panel.corners_px, np.float64)
        if not is_sound(camera.corners):
            what = "These are not the corners of a panel, clockwise from its own top left."
            place = f"cameras.{name}.panel.corners_px"
            raise ProblemsFound([Problem("the answers", 0, 0, place, "value", what)])
        camera.how = "Its corners are built on those you gave."
        if camera.is_frame:
            _from_frame(camera, name, panel, material)
        return camera
    if panel.print is None:
        what = "Without a print file the panel's corners are needed, as read off a good frame: "
        what += "`corners_px` and `carton`."
        raise ProblemsFound(
            [Problem("the answers", 0, 0, f"cameras.{name}.panel", "missing", what)]
        )
    _from_print(camera, name, material, draft)
    return camera


def _left_out(answers: Camera) -> list[tuple[tuple[float, float, float, float], str]]:
    """Give the parts of a panel that answers say may change."""
    left = [(box, "as you said") for box in answers.panel.leave_out_mm]
    left += [(said.region_mm, n) for n, said in answers.contents.items() if said.on == "panel"]
    left += [(said.region_mm, n) for n, said in answers.texts.items() if said.on == "panel"]
    for name, label in answers.labels.items():
        if label.at_mm is not None:
            left.append((with_room(label.at_mm, label.size_mm, label.max_shift_mm), name))
    return left


def with_room(
    at: tuple[float, float], size: tuple[float, float], room: float
) -> tuple[float, float, float, float]:
    """Give the box of a label with room for its wandering."""
    room += 0.5
    left, top = max(0.0, at[0] - room), max(0.0, at[1] - room)
    return left, top, at[0] + size[0] + room - left, at[1] + size[1] + room - top


def _from_frame(camera: CameraDraft, name: str, panel: Panel, material: Material) -> None:
    """Take the frame in which the corners were read as the reference."""
    frames = material.of(name)
    if panel.carton not in frames:
        what = "Say in which good carton's frame the corners were read, as `carton: 7`."
        if panel.carton is not None:
            what = f"Carton {panel.carton} is none of the good ones, or has no frame of {name}."
        place = f"cameras.{name}.panel.carton"
        raise ProblemsFound([Problem("the answers", 0, 0, place, "cartons", what)])
    camera.reference = f"{name}.png"
    write_frame(frames[panel.carton], material.folder / camera.reference)


def _from_print(camera: CameraDraft, name: str, material: Material, draft: Draft) -> None:
    """Find the print file in good frames."""
    picture = read_print(material.folder / camera.reference)
    size = camera.answers.panel.size_mm
    frames = material.some(name)
    material.say(f"looking for {camera.reference} in {len(frames)} frames of {name}")
    seen = find_picture(picture, frames, size)
    lost = [trigger for trigger in frames if trigger not in seen]
    if 2 * len(lost) >= len(frames):
        others = [
            other
            for other in draft.answers.cameras
            if other != name and len(find_picture(picture, _few(material.some(other)), size)) > 1
        ]
        place = f"cameras.{name}.panel.print"
        what = f"{camera.reference} is found in {len(seen)} of {len(frames)} good frames of {name}"
        what += f" (looked at: {', '.join(trigger_name(t) for t in frames)})."
        if others:
            what += f"\nIt is found in frames of {listed(others)}: were cameras swapped?"
        else:
            what += "\nIs it what this camera sees, the right way up? Else give `corners_px`."
        raise ProblemsFound([Problem("the answers", 0, 0, place, "print-not-found", what)])
    lie = widest_apart({t: s.corners for t, s in seen.items()})
    camera.nominal, camera.corners = lie.middle, seen[lie.middle].corners
    features = sorted(s.inliers for s in seen.values())
    camera.how = f"The print file was found in {len(seen)} of {len(frames)} frames, by "
    camera.how += f"{features[0]} to {features[-1]} features."
    material.say(f"{name}: {camera.how}")


def _few(frames: Mapping[int, Frame]) -> dict[int, Frame]:
    return dict(list(frames.items())[:3])


def copy_print(file: str, place: str, material: Material) -> str:
    """Copy a print file into the recipe's folder; gives its name there."""
    source = material.base / file
    if source.suffix.lower() in (".pdf", ".svg", ".ai", ".eps"):
        what = f"{source.name} is no picture in pixels. Export it as PNG, in its true proportions, "
        what += "at 8 pixels per mm or more:\ncolours and fonts of page files differ from reader "
        what += "to reader, and a reference must be one thing."
        raise ProblemsFound([Problem("the answers", 0, 0, place, "print-file", what)])
    if not source.is_file():
        what = f"There is no file {source}."
        raise ProblemsFound([Problem("the answers", 0, 0, place, "unreadable", what)])
    target = material.folder / source.name
    if target.exists() and target.read_bytes() != source.read_bytes():
        target = target.with_name(f"{target.stem}-{len(list(material.folder.iterdir()))}.png")
    shutil.copyfile(source, target)
    read_print(target)
    return target.name


def read_print(file: Path) -> NDArray[np.uint8]:
    """Read a print file as grey."""
    picture = cv2.imdecode(np.frombuffer(file.read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    if picture is None:
        what = "This cannot be decoded as a picture; a PNG is needed."
        raise ProblemsFound([Problem(file.name, 0, 0, "", "print-file", what)])
    return np.asarray(picture, np.uint8)


def write_frame(frame: Frame, file: Path) -> None:
    """Write a frame, as steps see it, as PNG."""
    write_picture(to_8_bit(frame.pixels, frame.bits), file)


def write_picture(pixels: NDArray[np.uint8], file: Path) -> None:
    """Write a grey or RGB picture as PNG."""
    shown = pixels if pixels.ndim == 2 else pixels[:, :, ::-1]
    file.write_bytes(cv2.imencode(".png", shown)[1].tobytes())


def corners_on(poses: Mapping[int, NDArray[np.float64]], corners: Mapping[int, Corners]) -> (
    dict[int, Corners]
):  # fmt: skip
    """Give places in a frame in mm of what a step found there, by trigger."""
    both = poses.keys() & corners.keys()
    return {
        t: through(np.asarray(np.linalg.inv(poses[t]), np.float64), corners[t])
        for t in sorted(both)
    }
