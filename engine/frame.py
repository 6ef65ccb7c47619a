"""One image of one camera for one trigger, and the set of them that makes a carton."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

Pixels: TypeAlias = NDArray[Any]
"""(R, C) or (R, C, 3) uint8 or uint16; colour is red, green, blue."""

FailureKind: TypeAlias = Literal["missing", "late", "undecodable", "unfit"]


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One image of one camera for one trigger; the pixels are read-only."""

    camera: str
    trigger: int
    pixels: Pixels
    bits: int = 8
    """Bits a pixel holds; 12-bit images lie in the low bits of uint16."""
    taken_at: datetime | None = None
    frame_id: int | None = None

    def __post_init__(self) -> None:
        self.pixels.setflags(write=False)


@dataclass(frozen=True, slots=True)
class FrameFailure:
    """What came instead of a frame."""

    camera: str
    trigger: int
    kind: FailureKind
    why: str


Arrival: TypeAlias = Frame | FrameFailure


@dataclass(frozen=True, slots=True)
class TriggerSet:
    """All that came for one trigger: a frame or a failure for each camera."""

    trigger: int
    frames: Mapping[str, Arrival]
    notes: tuple[str, ...] = ()
    """What else came: duplicate or extra frames, named."""


@dataclass(frozen=True, slots=True)
class Lens:
    """How a camera's lens draws: a pinhole, and how the glass bends what it draws.

    A direction (x, y, 1) in front of the camera falls on pixel `focal_px` * (x', y') + `centre_px`,
    where with r2 = x * x + y * y and s = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3

        x' = x * s + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        y' = y * s + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    """

    width_px: int
    height_px: int
    focal_px: tuple[float, float]
    """Across and down [px]."""
    centre_px: tuple[float, float]
    """Where the optical axis meets the frame; (0, 0) is the centre of the top left pixel [px]."""
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    """k1, k2, p1, p2, k3: three along the radius, two for a lens that sits askew."""


@dataclass(frozen=True, slots=True)
class CameraPose:
    """Where a camera stands, in coordinates of the carton."""

    position_mm: tuple[float, float, float]
    axes: tuple[tuple[float, float, float], ...]
    """Its axes to the right, down and ahead in the picture, as directions of the carton."""


@dataclass(frozen=True, slots=True)
class CameraGeometry:
    """What is known of one physical camera; travels with a captured set or stands in a station."""

    gamma: str | float = "srgb"
    """`srgb`, or the exponent g of value = light ** (1 / g); 1 is linear."""
    mm_per_px: float | None = None
    """Scale at the carton, where it is one number [mm/px]."""
    lens: Lens | None = None
    """The lens, where the camera is calibrated."""
    pose: CameraPose | None = None
    """Where the camera stands, where it has seen a board at a known place of the carton."""


@dataclass(frozen=True, slots=True)
class CameraTable:
    """The cameras of a station or captured set by name, and a hash over what is known of them."""

    cameras: Mapping[str, CameraGeometry] = field(default_factory=dict[str, CameraGeometry])
    sha256: str = ""

    def of(self, camera: str) -> CameraGeometry:
        """Give what is known of a camera."""
        return self.cameras.get(camera, CameraGeometry())


def to_8_bit(pixels: Pixels, bits: int) -> NDArray[np.uint8]:
    """Give pixels as uint8, dropping low bits; no copy where they already are."""
    if pixels.dtype == np.uint8:
        return pixels
    return (pixels >> max(bits - 8, 0)).clip(0, 255).astype(np.uint8)
