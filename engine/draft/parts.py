"""Labels and codes on panels that were found."""

from __future__ import annotations

import statistics
from collections.abc import Mapping

import numpy as np

from engine.draft.answers import Box, Code, Label
from engine.draft.codes import CodeSeen, expected, find_codes
from engine.draft.corners import around, lies_in
from engine.draft.draft import CameraDraft, CodeDraft, Draft
from engine.draft.found import find_picture
from engine.draft.locating import Located, locate
from engine.draft.panels import (
    Material,
    copy_print,
    corners_on,
    read_print,
    with_room,
    write_picture,
)
from engine.problems import Problem, ProblemsFound
from engine.result import Value
from engine.teach.cut import cut_out

_QUIET_MM = 4.0
"""Room around a code, at least; wide codes get more for their quiet zones [mm]."""


def place_labels(draft: Draft, material: Material, located: Located) -> Located:
    """Find labels on the panels: by their print file, or by a cut-out of a good carton."""
    cut: list[tuple[str, str]] = []
    for name, camera in draft.cameras.items():
        for label, said in camera.answers.labels.items():
            if said.print is None:
                cut.append((name, label))
                _cut_label(camera, name, label, said, material, located, camera.nominal)
            else:
                _printed_label(camera, name, label, said, material, located)
    if not any(camera.answers.labels for camera in draft.cameras.values()):
        return located
    material.say("finding the labels on all good cartons")
    located = locate(draft, material.folder, material.captured, material.triggers)
    for name, label in cut:
        camera = draft.cameras[name]
        best = _straightest(located.values[name, label])
        _cut_label(camera, name, label, camera.answers.labels[label], material, located, best)
    for name, camera in draft.cameras.items():
        for label, said in camera.answers.labels.items():
            if said.at_mm is None:
                _settle(camera, label, said, located, name)
    return locate(draft, material.folder, material.captured, material.triggers)


def _cut_label(
    camera: CameraDraft, name: str, label: str, said: Label, material: Material, located: Located,
    trigger: int,
) -> None:  # fmt: skip
    at = said.at_mm or (0.0, 0.0)
    picture = cut_out(located.job, trigger, name, "panel", (*at, *said.size_mm))
    file = f"{label.replace('_', '-')}.png"
    write_picture(picture, material.folder / file)
    camera.label_files[label], camera.label_at[label] = file, at
    camera.label_how[label] = f"Cut out of carton {trigger:06d}, on which it lies as usual."


def _printed_label(
    camera: CameraDraft, name: str, label: str, said: Label, material: Material, located: Located
) -> None:
    place = f"cameras.{name}.labels.{label}.print"
    file = copy_print(said.print or "", place, material)
    camera.label_files[label] = file
    camera.label_how[label] = "Its print file."
    if said.at_mm is not None:
        camera.label_at[label] = said.at_mm
        return
    frames = material.some(name)
    material.say(f"looking for {file} in {len(frames)} frames of {name}")
    seen = find_picture(read_print(material.folder / file), frames, said.size_mm)
    if 2 * len(seen) <= len(frames):
        what = f"{file} is found in {len(seen)} of {len(frames)} good frames of {name}. Is it the "
        what += "label's print, the right way up? Else give its place on the panel, `at_mm`."
        raise ProblemsFound([Problem("the answers", 0, 0, place, "print-not-found", what)])
    on_panel = corners_on(located.poses[name, "panel"], {t: s.corners for t, s in seen.items()})
    middle = np.median([corners.mean(axis=0) for corners in on_panel.values()], axis=0)
    x, y = middle - np.array(said.size_mm) / 2
    camera.label_at[label] = round(float(x), 1), round(float(y), 1)
    camera.leave_out.append((with_room(camera.label_at[label], said.size_mm, said.max_shift_mm),
                             label))  # fmt: skip


def _straightest(values: Mapping[int, Mapping[str, Value]]) -> int:
    """Choose the carton on which a label lies nearest to the median place and turn."""
    names = ("shift_x_mm", "shift_y_mm", "turn_deg")
    places = {t: np.array([_number(v[n]) for n in names]) for t, v in values.items()}
    middle = np.median(list(places.values()), axis=0)
    return min(places, key=lambda t: float(np.abs(places[t] - middle).sum()))


def _number(value: Value) -> float:
    return float(value) if isinstance(value, (int, float)) else 0.0


def _settle(camera: CameraDraft, label: str, said: Label, located: Located, name: str) -> None:
    """Put a label's place where it lies on the good cartons, in the middle of all."""
    values = located.values[name, label].values()
    x, y = camera.label_at[label]
    x += statistics.median(_number(v["shift_x_mm"]) for v in values)
    y += statistics.median(_number(v["shift_y_mm"]) for v in values)
    camera.label_at[label] = round(x, 1), round(y, 1)
    camera.label_how[label] = f"Its print file; its place is the median of {len(values)} cartons."
    room = with_room(camera.label_at[label], said.size_mm, said.max_shift_mm)
    camera.leave_out = [(room if why == label else box, why) for box, why in camera.leave_out]


def place_codes(draft: Draft, material: Material, located: Located) -> None:
    """Find codes in good frames, their place on panel or label, and what they must say."""
    problems: list[Problem] = []
    for name, camera in draft.cameras.items():
        asked = camera.answers.codes
        if asked is not None and not asked:
            continue
        material.say(f"looking for codes in frames of {name}")
        seen = find_codes(material.of(name), material.captured.cameras.of(name).gamma)
        if asked is None:
            names = ["code", *(f"code_{i}" for i in range(2, len(seen) + 1))]
            asked = dict(zip(names, [Code() for _ in seen], strict=False))
        for code, said in asked.items():
            fits = [s for s in seen if said.symbology in (None, s.symbology)]
            if not fits:
                what = (
                    f"No {said.symbology or 'code'} is read on any good carton's frame of {name}."
                )
                if seen:
                    what += f" Read there: {', '.join(s.symbology for s in seen)}."
                place = f"cameras.{name}.codes.{code}"
                problems.append(Problem("the answers", 0, 0, place, "no-code", what))
                continue
            seen.remove(fits[0])
            camera.codes[code] = _code(draft, name, camera, said, fits[0], located)
            if camera.codes[code].on == "panel":
                camera.leave_out.append((camera.codes[code].region, code))
    if problems:
        raise ProblemsFound(problems)


def _code(
    draft: Draft, name: str, camera: CameraDraft, said: Code, seen: CodeSeen, located: Located
) -> CodeDraft:
    box = _box_on(located, name, "panel", seen)
    on = said.on or "panel"
    if said.on is None:
        for label, at in camera.label_at.items():
            if lies_in(box, (*at, *camera.answers.labels[label].size_mm)):
                on = label
    region = _box_on(located, name, on, seen)
    return CodeDraft(
        symbology=seen.symbology,
        on=on,
        region=region,
        expected=expected(seen, said.content, draft.order),
        count=len(seen.contents),
        more=seen.more,
        is_linear=any(v["scan_lines"] is not None for v in seen.contents.values()),
    )


def _box_on(located: Located, name: str, step: str, seen: CodeSeen) -> Box:
    corners = corners_on(located.poses[name, step], seen.corners)
    tight = around(corners.values(), 0)
    return around(corners.values(), max(_QUIET_MM, 0.12 * max(tight[2:])))
