"""Find a Data Matrix or QR symbol with a reader: corners, size, content."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from steps._shared.data_matrix import is_data_matrix_size
from steps._shared.symbology_tables import plain_name

_FORMATS: dict[str, Any] = {
    "datamatrix": zxingcpp.BarcodeFormat.DataMatrix,
    "gs1datamatrix": zxingcpp.BarcodeFormat.DataMatrix,
    "qr": zxingcpp.BarcodeFormat.QRCode,
    "qrcode": zxingcpp.BarcodeFormat.QRCode,
    "gs1qrcode": zxingcpp.BarcodeFormat.QRCode,
}


@dataclass(frozen=True, slots=True, eq=False)
class FoundMatrix:
    """What the reader says of a symbol."""

    corners: NDArray[np.float64]
    """(4, 2) float64, (x, y) of its top left, top right, bottom right and bottom left, about a
    pixel near."""
    rows: int
    columns: int
    text: str | None
    """Content; None where it has too many errors."""

    @property
    def has_layout(self) -> bool:
        """Whether a symbol of this size can be graded."""
        square = self.rows == self.columns and self.rows % 4 == 1
        return square or is_data_matrix_size(self.rows, self.columns)


def is_qr(symbology: str) -> bool:
    """Whether a name means QR; else it means Data Matrix.

    Raises
    ------
    ValueError
        Where it means neither.

    Examples
    --------
    >>> is_qr("QR Code"), is_qr("Data Matrix")
    (True, False)
    """
    plain = plain_name(symbology)
    if plain not in _FORMATS:
        raise ValueError(f"{symbology} is not a matrix symbology graded here: Data Matrix, QR")
    return "qr" in plain


def find_matrix(gray: NDArray[np.uint8], symbology: str) -> FoundMatrix | None:
    """Find the symbol of one symbology.

    Parameters
    ----------
    gray : (M, N) uint8
        Grey levels.
    symbology : str
        ``"Data Matrix"`` or ``"QR"``.

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
    >>> find_matrix(np.full((50, 80), 200, np.uint8), "QR") is None
    True
    """
    wanted = _FORMATS[plain_name(symbology)]
    if min(gray.shape) < 8:
        return None
    gray = np.ascontiguousarray(gray)
    clearer = cv2.createCLAHE(4.0, (16, 16))
    best = _read(gray, wanted, 1.0)
    if best is None or best.text is None:
        best = _read(clearer.apply(gray), wanted, 1.0) or best
    if (best is None or best.text is None) and gray.size <= 1_500_000:
        large = cv2.resize(gray, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        best = _read(clearer.apply(large), wanted, 2.0) or best
    if best is None and min(gray.shape) >= 200:
        # Gaps between the dots or squares of some prints close at half the size.
        small = cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        best = _read(small, wanted, 0.5)
    return best


def _read(picture: NDArray[Any], wanted: Any, scale: float) -> FoundMatrix | None:
    """Read symbols and take the best."""
    formats: Any = [wanted]
    codes = zxingcpp.read_barcodes(
        picture, formats=formats, text_mode=zxingcpp.TextMode.Plain, return_errors=True
    )
    best: tuple[tuple[bool, float], FoundMatrix] | None = None
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
        if best is None or (code.valid, side) > best[0]:
            corners = (corners + 0.5) / scale - 0.5
            text = code.text if code.valid else None
            best = (code.valid, side), FoundMatrix(corners, *size, text)
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
