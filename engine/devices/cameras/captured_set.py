"""A captured set: a folder of frames by trigger, with what is known of it."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from engine.frame import CameraGeometry, CameraTable
from engine.placing import validate
from engine.problems import Problem, ProblemsFound, quoted
from engine.station.geometry import CameraFile, gamma_mistake, load_camera
from engine.yamlfile import Document, read_yaml

SUFFIXES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff")


class _CameraShape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    gamma: str | float = "srgb"
    """How grey values are coded: `srgb`, `linear`, or g of value = light ** (1 / g)."""
    mm_per_px: float | None = Field(None, gt=0)
    """Scale at the carton [mm/px]."""
    geometry: str | None = Field(None, min_length=1)
    """Camera file that `calibrate` wrote, beside set.yaml; gamma is then taken from it."""


class SetShape(BaseModel):
    """What `set.yaml` may hold."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    format: int = Field(default=1, ge=1, le=1)
    """Number of the format; 1."""
    order: dict[str, str] = {}
    """Values of the order that was running."""
    cameras: dict[str, _CameraShape] = {}
    """What is known of each camera."""
    day: date | None = None
    """Day on which the frames were taken, where frames.csv gives no times."""
    utc_offset_min: int = Field(default=0, ge=-840, le=840)
    """Local time of the line minus UTC [min]."""
    note: str = ""
    """Words for people."""


@dataclass(frozen=True, slots=True)
class FrameTimes:
    """What frames.csv says of one frame."""

    taken_at: datetime | None = None
    frame_id: int | None = None


@dataclass(frozen=True, slots=True)
class CapturedSet:
    """A captured set, opened: nothing is decoded yet."""

    folder: Path
    files: Mapping[int, Mapping[str, Path]]
    """Files by trigger and camera, triggers rising."""
    order: Mapping[str, str]
    cameras: CameraTable
    day: date | None = None
    times: Mapping[tuple[int, str], FrameTimes] = field(
        default_factory=dict[tuple[int, str], FrameTimes]
    )
    left_out: tuple[str, ...] = ()
    """Files and folders in `frames/` that are no frames, named."""

    @property
    def truth_file(self) -> Path | None:
        """The set's truth, if it has one."""
        file = self.folder / "truth.csv"
        return file if file.is_file() else None

    @property
    def camera_names(self) -> tuple[str, ...]:
        """Cameras of which the set holds a frame."""
        return tuple(sorted({camera for files in self.files.values() for camera in files}))


def open_set(folder: Path) -> CapturedSet:
    """Open a captured set.

    Parameters
    ----------
    folder : Path
        The set: `frames/<trigger>/<camera>.png` (also jpg, bmp, tif), optional `set.yaml` and
        `frames.csv`.

    Raises
    ------
    ProblemsFound
        When there are no frames, or `set.yaml` or `frames.csv` is wrong.
    """
    frames = folder / "frames"
    if not frames.is_dir():
        what = "There is no folder `frames` here. A captured set is frames/<trigger>/<camera>.png."
        raise ProblemsFound([Problem(str(folder), 0, 0, "", "no-frames", what)])
    shape, document = _shape(folder)
    files, left_out = _files(frames)
    if not files:
        what = "There is no frame here: frames/<trigger, six digits>/<camera>.png."
        raise ProblemsFound([Problem(str(frames), 0, 0, "", "no-frames", what)])
    offset = timezone(timedelta(minutes=shape.utc_offset_min))
    return CapturedSet(
        folder=folder,
        files=files,
        order=shape.order,
        cameras=_cameras(folder, shape, document),
        day=shape.day,
        times=_times(folder / "frames.csv", offset),
        left_out=tuple(left_out),
    )


def _shape(folder: Path) -> tuple[SetShape, Document | None]:
    file = folder / "set.yaml"
    if not file.is_file():
        return SetShape(), None
    document = read_yaml(file)
    data = {} if document.data is None else document.data
    shape, problems = validate(SetShape, data, document)
    if shape is None:
        raise ProblemsFound(problems)
    for name, camera in shape.cameras.items():
        wrong = gamma_mistake(camera.gamma)
        if wrong:
            raise ProblemsFound(
                [document.problem(("cameras", name, "gamma"), "value-error", wrong)]
            )
    return shape, document


def _cameras(folder: Path, shape: SetShape, document: Document | None) -> CameraTable:
    known: dict[str, CameraGeometry] = {}
    texts: dict[str, str] = {}
    problems: list[Problem] = []
    for name, camera in shape.cameras.items():
        gamma = 1.0 if camera.gamma == "linear" else camera.gamma
        known[name] = CameraGeometry(gamma, camera.mm_per_px)
        if camera.geometry is None or document is None:
            continue
        file = folder / camera.geometry
        try:
            found = _camera_file(file, name, document)
        except ProblemsFound as error:
            problems += error.problems
            continue
        texts[name] = hashlib.sha256(file.read_bytes()).hexdigest()
        if "gamma" not in camera.model_fields_set:
            gamma = found.geometry.gamma
        known[name] = replace(found.geometry, gamma=gamma, mm_per_px=camera.mm_per_px)
    if problems:
        raise ProblemsFound(problems)
    data: dict[str, Any] = {} if document is None else (document.data or {}).get("cameras") or {}
    whole: dict[str, Any] = {"cameras": data, "files": texts} if texts else data
    canonical = json.dumps(whole, sort_keys=True, ensure_ascii=True, default=str)
    return CameraTable(known, hashlib.sha256(canonical.encode()).hexdigest())


def _camera_file(file: Path, name: str, document: Document) -> CameraFile:
    """Load a camera file that set.yaml names."""
    place = ("cameras", name, "geometry")
    if not file.is_file():
        what = f"There is no file {quoted(file.name)} in {quoted(file.parent, 200)}."
        raise ProblemsFound([document.problem(place, "unreadable", what)])
    found = load_camera(file)
    if found.camera != name:
        what = f"This file is of the camera {quoted(found.camera)}, not of {quoted(name)}."
        raise ProblemsFound([document.problem(place, "value-error", what)])
    return found


def _files(frames: Path) -> tuple[dict[int, dict[str, Path]], list[str]]:
    found: dict[int, dict[str, Path]] = {}
    left_out: list[str] = []
    for folder in sorted(frames.iterdir()):
        if not folder.is_dir() or not (folder.name.isascii() and folder.name.isdigit()):
            left_out.append(folder.name)
            continue
        files = found.setdefault(int(folder.name), {})
        for file in sorted(folder.iterdir()):
            if file.suffix.lower() in SUFFIXES and file.stem not in files:
                files[file.stem] = file
            elif file.suffix.lower() != ".json":
                left_out.append(f"{folder.name}/{file.name}")
    return dict(sorted(found.items())), left_out


def _times(file: Path, zone: timezone) -> dict[tuple[int, str], FrameTimes]:
    if not file.is_file():
        return {}
    text = file.read_text("utf-8-sig", errors="replace")
    times: dict[tuple[int, str], FrameTimes] = {}
    problems: list[Problem] = []
    rows = csv.DictReader(io.StringIO(text))
    lines = text.splitlines()
    for row in rows:
        line = rows.line_num
        try:
            trigger, camera = int(row["trigger"]), row["camera"]
            stamp, number = row.get("time_utc") or "", row.get("frame_id") or ""
            taken_at = _local(stamp, zone) if stamp else None
            times[trigger, camera] = FrameTimes(taken_at, int(number) if number else None)
        except (KeyError, TypeError, ValueError) as error:
            what = (
                f"A row is trigger,camera,time_utc,frame_id,exposure_us; this one is not: {error}."
            )
            source = lines[line - 1] if line <= len(lines) else ""
            problems.append(Problem(str(file), line, 1, "", "frames-csv", what, source))
    if problems:
        raise ProblemsFound(problems[:20])
    return times


def _local(stamp: str, zone: timezone) -> datetime:
    moment = datetime.fromisoformat(stamp)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment.astimezone(zone)
