"""Image files to pixels: whole and of a sane size, or a clear word why not."""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

MAX_PIXELS = 100_000_000
"""Frames larger than this are refused before they are decoded."""

_PNG = b"\x89PNG\r\n\x1a\n"


class Undecodable(ValueError):  # noqa: N818 - reads as a sentence
    """An image file cannot be decoded; the text says why."""


def decode_image(raw: bytes) -> tuple[NDArray[Any], int]:
    """Decode an image file.

    A decoder that fills what is missing of a torn file with grey would let a carton be judged on
    pixels that no camera saw, so a file must be whole: PNG chunks are checked to the last, with
    their check sums; a JPEG must reach its end mark.

    Parameters
    ----------
    raw : bytes
        The file: PNG, JPEG, BMP, TIFF or WebP.

    Returns
    -------
    pixels : (R, C) or (R, C, 3) ndarray
        uint8 or uint16; colour is red, green, blue.
    bits : int
        Bits a pixel holds.

    Raises
    ------
    Undecodable
        When the file is empty, torn, too large or no image.
    """
    if not raw:
        message = "the file is empty"
        raise Undecodable(message)
    _check_size(raw)
    if raw.startswith(_PNG):
        _check_png(raw)
    elif raw.startswith(b"\xff\xd8") and b"\xff\xd9" not in raw[-4096:]:
        message = "the JPEG file is torn: its end is missing"
        raise Undecodable(message)
    flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_ANYCOLOR
    try:
        pixels = cv2.imdecode(np.frombuffer(raw, np.uint8), flags)
    except cv2.error as error:
        message = f"the image cannot be decoded: {error.err or 'no reason given'}"
        raise Undecodable(message) from None
    if pixels is None:
        message = "the image cannot be decoded"
        raise Undecodable(message)
    if pixels.dtype not in (np.uint8, np.uint16):
        message = f"pixels of type {pixels.dtype} are not used here; 8 or 16 bit are"
        raise Undecodable(message)
    if pixels.ndim == 3:
        cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)
    return pixels, 8 * pixels.dtype.itemsize


def _check_size(raw: bytes) -> None:
    """Read only the header: an image that would not fit in memory is never decoded."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(raw)) as image:
                width, height = image.size
    except Image.DecompressionBombError:
        message = f"the image has more than {MAX_PIXELS // 1_000_000} million pixels"
        raise Undecodable(message) from None
    except (OSError, ValueError, SyntaxError, struct.error):
        message = "this is not an image"
        raise Undecodable(message) from None
    if width * height > MAX_PIXELS:
        message = f"{width} x {height} pixels are more than {MAX_PIXELS // 1_000_000} million"
        raise Undecodable(message)


def _check_png(raw: bytes) -> None:
    view = memoryview(raw)
    at = len(_PNG)
    while at + 12 <= len(raw):
        (length,) = struct.unpack_from(">I", raw, at)
        kind = raw[at + 4 : at + 8]
        end = at + 12 + length
        if end > len(raw):
            break
        (stated,) = struct.unpack_from(">I", raw, end - 4)
        if zlib.crc32(view[at + 4 : end - 4]) != stated:
            message = "the PNG file is damaged: a check sum is wrong"
            raise Undecodable(message)
        if kind == b"IEND":
            return
        at = end
    message = "the PNG file is torn: its end is missing"
    raise Undecodable(message)
