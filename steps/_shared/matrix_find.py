"""Find a Data Matrix or QR symbol with a reader: corners, size, content."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from steps._shared.data_matrix import is_data_matrix_size
from steps._shared.symbologies import SYMBOLOGIES, Symbology

MATRIX = ("datamatrix", "gs1_datamatrix", "qr", "gs1_qr")
"""Our names of the symbologies that are graded."""


@dataclass(frozen=True, slots=True, eq=False)
class FoundMatrix:
    """What the reader says of a symbol."""

    corners: NDArray[np.float64]
    """(4, 2) float64, (x, y) of its top left, top right, bottom right and bottom left, about a
    pixel near."""
    rows: int
    columns: int
    text: str | None
    """Content; None where it has too many errors, or is not what the symbology asks for."""
    foreign: bool = False
    """Whether it reads, but as another kind: an ordinary symbol where a GS1 one is asked for."""

    @property
    def is_read(self) -> bool:
        """Whether its content is known, whatever its kind."""
        return self.text is not None or self.foreign

    @property
    def has_layout(self) -> bool:
        """Whether a symbol of this size can be graded."""
        square = self.rows == self.columns and self.rows % 4 == 1
        return square or is_data_matrix_size(self.rows, self.columns)


def find_matrix(gray: NDArray[np.uint8], symbology: str) -> FoundMatrix | None:
    """Find the symbol of one symbology.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    symbology : str
        One of `MATRIX`.

    Returns
    -------
    FoundMatrix or None
        Of several the largest; one that reads before one that does not.

    Notes
    -----
    Tried in turn: the view as it is, with its local contrast raised, the same at twice the size,
    the view at half the size.

    Examples
    --------
    >>> find_matrix(np.full((50, 80), 200, np.uint8), "qr") is None
    True
    """
    wanted = SYMBOLOGIES[symbology]
    if min(gray.shape) < 8:
        return None
    gray = np.ascontiguousarray(gray)
    clearer = cv2.createCLAHE(4.0, (16, 16))
    best = _read(gray, wanted, 1.0)
    if best is None or not best.is_read:
        best = _read(clearer.apply(gray), wanted, 1.0) or best
    if (best is None or not best.is_read) and gray.size <= 1_500_000:
        large = cv2.resize(gray, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        best = _read(clearer.apply(large), wanted, 2.0) or best
    if best is None and min(gray.shape) >= 200:
        # Gaps between the dots or squares of some prints close at half the size.
        small = cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        best = _read(small, wanted, 0.5)
    return best


def _read(picture: NDArray[Any], wanted: Symbology, scale: float) -> FoundMatrix | None:
    """Read symbols and take the best."""
    formats: Any = list(wanted.formats)
    codes = zxingcpp.read_barcodes(
        picture, formats=formats, text_mode=zxingcpp.TextMode.Plain, return_errors=True
    )
    best: tuple[tuple[bool, bool, float], FoundMatrix] | None = None
    for code in codes:
        p = code.position
        corners = np.array(
            [[q.x, q.y] for q in (p.top_left, p.top_right, p.bottom_right, p.bottom_left)],
            np.float64,
        )
        size = _size(code.extra)
        if size is None:
            continue
        side = float(np.hypot(*(corners[2] - corners[0])))
        fits = wanted.identifier in ("", code.symbology_identifier)
        rank = code.valid and fits, code.valid, side
        if best is None or rank > best[0]:
            corners = (corners + 0.5) / scale - 0.5
            text = code.text if code.valid and fits else None
            best = rank, FoundMatrix(corners, *size, text, code.valid and not fits)
    return None if best is None else best[1]


def _size(extra: Any) -> tuple[int, int] | None:
    """Rows and columns from what the reader says of the version."""
    version = str(extra["Version"]) if extra and "Version" in extra else ""
    rows, cross, columns = version.partition("x")
    if cross and rows.isdigit() and columns.isdigit():
        return int(rows), int(columns)
    if not version.isdigit():
        return None
    size = 17 + 4 * int(version)
    return size, size
