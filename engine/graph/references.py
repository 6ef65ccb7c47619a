"""References of a recipe: images and taught arrays, loaded once when the recipe is compiled."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from steps.contract import Reference

IMAGES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".webp")
MAX_BYTES = 200_000_000
MAX_PIXELS = 60_000_000


class BadReference(ValueError):  # noqa: N818 - reads as a sentence
    """A reference file cannot be used; the text says why."""


def load_reference(file: Path, name: str) -> tuple[Reference, bytes]:
    """Load one reference.

    Parameters
    ----------
    file : Path
        The file.
    name : str
        The name by which the recipe knows it.

    Returns
    -------
    tuple
        The reference and the bytes of its file.

    Raises
    ------
    BadReference
        When the file is missing, too large, or not what its name says.
    """
    if not file.is_file():
        message = f"There is no file {file}."
        raise BadReference(message)
    if file.stat().st_size > MAX_BYTES:
        message = f"{file.name} is larger than {MAX_BYTES // 1_000_000} MB."
        raise BadReference(message)
    raw = file.read_bytes()
    suffix = file.suffix.lower()
    if suffix == ".npz":
        return Reference(name, arrays=_arrays(raw, file)), raw
    if suffix in IMAGES:
        return Reference(name, image=_image(raw, file)), raw
    message = f"{file.name}: a reference is an image ({', '.join(IMAGES)}) or a taught .npz file."
    raise BadReference(message)


def _image(raw: bytes, file: Path) -> NDArray[np.uint8]:
    pixels = cv2.imdecode(np.frombuffer(raw, np.uint8), cv2.IMREAD_UNCHANGED) if raw else None
    if pixels is None:
        message = f"{file.name} is not an image that can be read."
        raise BadReference(message)
    if pixels.shape[0] * pixels.shape[1] > MAX_PIXELS:
        message = f"{file.name} has {pixels.shape[1]} x {pixels.shape[0]} pixels; that is too many."
        raise BadReference(message)
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    if pixels.dtype != np.uint8:
        message = f"{file.name} has {pixels.dtype} pixels; 8 or 16 bit are allowed."
        raise BadReference(message)
    image = _on_white(pixels)
    image.setflags(write=False)
    return image


def _on_white(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give grey or RGB pixels; what is transparent is laid on white, as paper is."""
    if pixels.ndim == 2:
        return pixels
    if pixels.shape[2] == 3:
        return cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB).astype(np.uint8)
    alpha = pixels[:, :, -1:].astype(np.float32) / 255
    colour = pixels[:, :, -2::-1].astype(np.float32)
    blended = np.rint(colour * alpha + 255 * (1 - alpha)).astype(np.uint8)
    return blended[:, :, 0].copy() if blended.shape[2] == 1 else blended


def _arrays(raw: bytes, file: Path) -> dict[str, NDArray[Any]]:
    try:
        with np.load(io.BytesIO(raw), allow_pickle=False) as data:
            arrays = {key: data[key] for key in data.files}
    except (ValueError, OSError, EOFError, KeyError, zipfile.BadZipFile) as error:
        message = f"{file.name} is not a taught reference that can be read: {error}."
        raise BadReference(message) from None
    if "format" not in arrays:
        message = f"{file.name} holds no format number, so it was not made by `teach`."
        raise BadReference(message)
    for array in arrays.values():
        array.setflags(write=False)
    return arrays
