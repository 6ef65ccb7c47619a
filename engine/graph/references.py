"""References of a recipe: images and taught arrays, loaded once when the recipe is compiled."""

from __future__ import annotations

import io
import warnings
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.problems import quoted
from steps.contract import Reference

IMAGES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".webp")
MAX_BYTES = 200_000_000
MAX_PIXELS = 60_000_000


class BadReference(ValueError):  # noqa: N818 - reads as a sentence
    """A reference file cannot be used; the text says why."""


def is_file(file: Path) -> bool:
    """Say whether there is a file; no for a name that no file can have."""
    try:
        return file.is_file()
    except (OSError, ValueError):
        return False


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
    raw = _bytes(file)
    suffix = file.suffix.lower()
    if suffix == ".npz":
        return Reference(name, arrays=_arrays(raw, file)), raw
    if suffix in IMAGES:
        return Reference(name, image=_image(raw, file)), raw
    message = (
        f"{quoted(file.name)}: a reference is an image ({', '.join(IMAGES)}) or a taught .npz file"
    )
    raise BadReference(message)


def _bytes(file: Path) -> bytes:
    if not is_file(file):
        message = f"there is no file {file}"
        raise BadReference(message)
    try:
        with file.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except OSError as error:
        message = f"{quoted(file.name)} cannot be read: {error.strerror or error}"
        raise BadReference(message) from None
    if len(raw) > MAX_BYTES:
        message = f"{quoted(file.name)} is larger than {MAX_BYTES // 1_000_000} MB"
        raise BadReference(message)
    return raw


def _image(raw: bytes, file: Path) -> NDArray[np.uint8]:
    import cv2  # a recipe without images is checked without it

    _check_size(raw, file)
    try:
        decoded = cv2.imdecode(np.frombuffer(raw, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        decoded = None
    pixels: NDArray[Any] | None = decoded
    if pixels is None:
        message = f"{quoted(file.name)} is not an image that can be read"
        raise BadReference(message)
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    if pixels.dtype != np.uint8:
        message = f"{quoted(file.name)} has {pixels.dtype} pixels; 8 or 16 bit are allowed"
        raise BadReference(message)
    image = _on_white(np.asarray(pixels, np.uint8))
    image.setflags(write=False)
    return image


def _check_size(raw: bytes, file: Path) -> None:
    """Read only the header: an image that would not fit in memory is never decoded."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(raw)) as image:
                width, height = image.size
    except Image.DecompressionBombError:
        width = height = MAX_PIXELS
    except Exception:  # noqa: BLE001 - whatever a broken file makes the reader raise
        message = f"{quoted(file.name)} is not an image that can be read"
        raise BadReference(message) from None
    if width * height > MAX_PIXELS:
        message = f"{quoted(file.name)} has more than {MAX_PIXELS // 1_000_000} million pixels"
        raise BadReference(message)


def _on_white(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give grey or RGB pixels; what is transparent is laid on white, as paper is."""
    if pixels.ndim == 2:
        return pixels
    if pixels.shape[2] == 3:
        return np.ascontiguousarray(pixels[:, :, ::-1])
    alpha = pixels[:, :, -1:].astype(np.float32) / 255
    colour = pixels[:, :, -2::-1].astype(np.float32)
    blended = np.rint(colour * alpha + 255 * (1 - alpha)).astype(np.uint8)
    return blended[:, :, 0].copy() if blended.shape[2] == 1 else blended


def _arrays(raw: bytes, file: Path) -> dict[str, NDArray[Any]]:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
        if unpacked > 5 * MAX_BYTES:
            message = f"{quoted(file.name)} unpacks to more than {5 * MAX_BYTES // 1_000_000} MB"
            raise BadReference(message)
        with np.load(io.BytesIO(raw), allow_pickle=False) as data:
            arrays: dict[str, NDArray[Any]] = {key: data[key] for key in data.files}
    except BadReference:
        raise
    except Exception as error:  # noqa: BLE001 - whatever a broken file makes numpy raise
        reason = " ".join(str(error).split())[:120] or type(error).__name__
        message = f"{quoted(file.name)} is not a taught reference that can be read: {reason}"
        raise BadReference(message) from None
    if "format" not in arrays:
        message = f"{quoted(file.name)} holds no format number, so it was not made by `teach`"
        raise BadReference(message)
    for array in arrays.values():
        array.setflags(write=False)
    return arrays
