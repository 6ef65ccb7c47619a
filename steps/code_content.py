"""What a code says, and how well it can be seen: content, place, contrast, whole scan lines."""

from __future__ import annotations

from datetime import date
from math import atan2, degrees

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from steps._shared.bar_measures import contrast_of, holds_bars, modules_across
from steps._shared.bar_strips import bars_only
from steps._shared.check_digits import as_gtin14, check_digit_is_right
from steps._shared.code_read import CodeRead
from steps._shared.gs1 import Content, parse
from steps._shared.gs1_table import identifiers
from steps._shared.reading import Reading, read_codes
from steps._shared.second_reader import second_reads
from steps._shared.straighten import BarPatch, bar_patches, cut_patch
from steps._shared.symbologies import SYMBOLOGIES, Symbology, SymbologyName
from steps.contract import Gray, Mark, Marks, NotMeasured, Params, Values, View, step

READ, NOT_READ, NO_CODE = "read", "seen, not read", "no code"


class CodeContentParams(Params):
    """What is looked for, and how hard."""

    symbology: SymbologyName | list[SymbologyName]
    """Kind of code, or a list of kinds; nothing else is read. `gs1_...` asks for GS1 content;
    `itf14` gives any Interleaved 2 of 5 number, with `check_digit_right` false unless it has 14
    digits."""

    expect_count: int = Field(1, ge=1, le=50)
    """How many codes are looked for before the search ends [count]."""

    attempts: int = Field(18, ge=1, le=40)
    """How many pictures (as it is, evened out, enlarged, straightened ...) are tried at most
    [count]."""

    second_reader: bool = True
    """Whether a second, independent reader tries last, and checks what the first has read."""

    strips: int = Field(16, ge=3, le=64)
    """In how many strips over the bar height a linear code is read again: they confirm the
    content and give `scan_lines` [count]."""


class CodeContentValues(Values):
    """What the code says and how it is seen."""

    state: str
    """`read`, `seen, not read` (there is a code, but it cannot be read) or `no code`."""

    text: str | None
    """Content as transmitted, without symbology identifier; GS1 content with its identifiers in
    brackets: `(01)...(10)...`. EAN, UPC-A and UPC-E as the digits transmitted (UPC as 13)."""

    symbology: str | None
    """Kind of the code that was read, by its name in recipes."""

    count: int
    """Codes of the asked kinds that were read in the view [count]."""

    px_per_module: float | None
    """Width of a module in the frame, not in the view [px]."""

    angle_deg: float | None
    """Direction of reading in the view, clockwise from the rows [deg]."""

    readers_agree: bool | None
    """Whether the second reader reads the same; None where it reads nothing or is not asked."""

    gtin: str | None
    """Trade item number in 14 digits, of the EAN, UPC or ITF-14 symbol, or of (01) or (02); limits
    may give it in 8, 12, 13 or 14 digits [GTIN]."""

    lot: str | None
    """Batch or lot, (10)."""

    expiry: date | None
    """Use by (17), else best before (15), else the day of (7003); day 00 is the month's last."""

    serial: str | None
    """Serial number, (21)."""

    check_digit_right: bool | None
    """Whether every check digit in the content is right; None where it has none."""

    content_right: bool | None
    """Whether GS1 content keeps all rules of element strings; None for other content."""

    content_fault: str | None
    """What is wrong with GS1 content: rules broken, identifiers missing or excluded, separators
    suspected to be missing; empty where nothing is."""

    scan_lines: float | None
    """Share of the strips over the bar height that read on their own; 0 for a linear code that
    cannot be read [fraction]."""

    print_contrast: float | None
    """(light - dark) / light over the code, in linear light [fraction]."""

    attempts: int
    """Pictures that were tried [count]."""

    marks: Marks = ()
    """Outline of each code, or of what looks like one."""


def as_measured(value: str, text: str) -> str:
    """Write the text of a limit as the values hold it: trade item numbers in 14 digits.

    Parameters
    ----------
    value : str
        Name of the value.
    text : str
        What the limit says.

    Raises
    ------
    ValueError
        When a limit on `gtin` is no trade item number.

    References
    ----------
    GS1 General Specifications: shorter numbers are right-justified with zeros in 14 digits.

    Examples
    --------
    >>> as_measured("gtin", "6291041500213"), as_measured("lot", "K4471")
    ('06291041500213', 'K4471')
    """
    if value != "gtin":
        return text
    number = as_gtin14(text)
    if number is None or not check_digit_is_right(text):
        message = "is no trade item number: 8, 12, 13 or 14 digits, the last a right check digit"
        raise ValueError(message)
    return number


@step
def code_content(view: View, params: CodeContentParams) -> CodeContentValues | NotMeasured:
    r"""Read a code of a named kind and measure how well it is seen.

    Parameters
    ----------
    view : View
        (M, N) uint8 grey; a region or a whole frame, placed or not.
    params : CodeContentParams
        What is looked for.

    Returns
    -------
    CodeContentValues or NotMeasured
        Not measured only where there is nothing to look at: a view under 12 px, or all masked.
        A code that is missing or cannot be read is measured: see `state`; `text` is then None.

    Notes
    -----
    With several codes in view the values are those of the one nearest to the middle of the view.
    Nothing is corrected towards an expected content: two readers can agree on a wrong number with
    a right check digit, so only a limit on `text` (or `gtin`, `lot` ...) proves a read.

    Needs about 1.75 px a module in a sharp frame (lens blur 0.5 px), 2.5 in a soft one (0.8 px),
    and the code's quiet zones in the view. Bars are read at any tilt. The second reader does not
    know Data Matrix and is not trusted with UPC-E and DataBar.

    A linear code counts as seen when parallel bars of a code's number and length are there, a
    matrix code when the reader finds its finder pattern: one whose finder is torn is `no code`.
    `count` is at least the number of codes that end the search: the others may go unread.

    `scan_lines` tells damage that a reader overcomes: the bars' own area is found, cut in strips,
    and each strip is read alone. It is not measured on matrix and stacked codes.

    References
    ----------
    zxing-cpp, zbar: the two readers. GS1 content: see `steps._shared.gs1`.

    Examples
    --------
    >>> import zxingcpp
    >>> code = zxingcpp.create_barcode("2004481070017", zxingcpp.BarcodeFormat.EAN13)
    >>> gray = np.pad(np.array(code.to_image(scale=3)), 20, constant_values=255)
    >>> values = code_content(View(gray), CodeContentParams(symbology="ean13"))
    >>> values.text, values.count, round(values.px_per_module, 1), values.scan_lines
    ('2004481070017', 1, 3.0, 1.0)
    """
    if view.gray.size == 0 or max(view.gray.shape) < 12:
        return NotMeasured("the view is less than 12 px wide and high")
    gray = _without_masked(view)
    if gray is None:
        return NotMeasured("the whole view is masked")
    names = params.symbology if isinstance(params.symbology, list) else [params.symbology]
    asked = [SYMBOLOGIES[name] for name in names]
    reading = read_codes(
        gray,
        asked,
        expect=params.expect_count,
        attempts=params.attempts,
        second_reader=params.second_reader,
        strips=params.strips,
    )
    if not reading.codes:
        return _not_read(view, gray, asked, reading)
    return _read(view, gray, params, reading)


def _without_masked(view: View) -> Gray | None:
    """Paint masked pixels in the grey of the rest; None where nothing is left."""
    if view.mask is None or view.mask.all():
        return view.gray
    kept = view.mask > 0
    if not kept.any():
        return None
    gray = view.gray.copy()
    gray[~kept] = np.uint8(np.median(view.gray[kept]))
    return gray


def _read(view: View, gray: Gray, params: CodeContentParams, reading: Reading) -> CodeContentValues:
    """Put together the values of a code that was read."""
    middle = np.array([gray.shape[1] - 1, gray.shape[0] - 1]) / 2
    code = min(reading.codes, key=lambda c: float(np.linalg.norm(c.middle - middle)))
    content = _content(code, view)
    outline, px_per_module, scan_lines, contrast = _seen(view, gray, code)
    across = outline[1] - outline[0]
    gtin = content.gtin if content else None
    shown = [Mark(c.corners, "shape", c.text) for c in reading.codes if c is not code]
    return CodeContentValues(
        state=READ,
        text=_shown(code, content),
        symbology=code.symbology.name,
        count=len(reading.codes),
        px_per_module=px_per_module,
        angle_deg=degrees(atan2(across[1], across[0])),
        readers_agree=_agreed(gray, code) if params.second_reader else None,
        gtin=(as_gtin14(gtin) or gtin) if gtin else None,
        lot=content.lot if content else None,
        expiry=content.expiry if content else None,
        serial=content.serial if content else None,
        check_digit_right=_check_digits_right(code, content),
        content_right=content.valid if content and content.elements else None,
        content_fault=_fault(content),
        scan_lines=scan_lines,
        print_contrast=contrast,
        attempts=reading.attempts,
        marks=(Mark(outline, "shape", _shown(code, content)), *shown),
    )


def _content(code: CodeRead, view: View) -> Content | None:
    """Read the content by the rules of GS1, where the symbol says that it keeps to them."""
    today = view.taken_at.date() if view.taken_at else None
    if code.symbology.element_strings:
        return parse(code.text, today=today)
    if code.symbology.digits:
        return Content(number=code.text) if as_gtin14(code.text) else None
    if code.text[:4].lower() == "http" or code.identifier in ("]C1", "]d2", "]Q3"):
        content = parse(code.text, today=today)
        return content if content.elements else None
    return None


def _shown(code: CodeRead, content: Content | None) -> str:
    """Write the content for people and limits: brackets where nothing is lost by them."""
    if not code.symbology.element_strings or content is None:
        return code.text
    whole = "".join(e.ai + e.value for e in content.elements)
    return content.text if whole == code.text.replace("\x1d", "") else code.text


def _check_digits_right(code: CodeRead, content: Content | None) -> bool | None:
    """Say whether all check digits are right; None where there are none."""
    if code.symbology.digits:
        right_length = code.symbology.name != "itf14" or len(code.text) == 14
        return right_length and check_digit_is_right(code.text)
    if content is None:
        return None
    checked = [
        e.ai
        for e in content.elements
        if any(rule.startswith("csum") for p in identifiers()[e.ai].parts for rule in p.rules)
    ]
    wrong = {p.ai for p in content.problems if p.code == "content" and p.what.startswith("check ")}
    return not wrong & set(checked) if checked else None


def _fault(content: Content | None) -> str | None:
    """Say everything that is wrong with GS1 content, in one line."""
    if content is None or content.number:
        return None
    found = (*content.problems, *content.pairing, *content.suspicions)
    return "; ".join(problem.what for problem in found)


def _seen(
    view: View, gray: Gray, code: CodeRead
) -> tuple[NDArray[np.float64], float | None, float | None, float | None]:
    """Measure outline, px per module, whole scan lines and contrast of a code."""
    if code.bars is None:
        samples = _square(gray, code.corners)
        modules = code.grid[0] if code.grid else None
        px = _px_per_module(view, code.corners, modules)
        return code.corners, px, None, contrast_of(samples, view.gamma)
    outline, profiles = code.bars.extent.corners, code.bars.profiles
    px = _px_per_module(view, outline, modules_across(code.symbology, profiles))
    return outline, px, code.bars.whole, contrast_of(bars_only(profiles), view.gamma)


def _square(gray: Gray, corners: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Resample a code's outline to 64 x 64."""
    target = np.array([(0, 0), (63, 0), (63, 63), (0, 63)], np.float32)
    to_square = cv2.getPerspectiveTransform(corners.astype(np.float32), target)
    flat = cv2.warpPerspective(gray, to_square, (64, 64), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat, np.uint8)


def _px_per_module(view: View, corners: NDArray[np.float64], modules: float | None) -> float | None:
    """Width of a module in the frame, along the code's middle."""
    if not modules:
        return None
    ends = np.array([(corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2])
    mapped = np.column_stack([ends, np.ones(2)]) @ view.to_frame.T
    in_frame = mapped[:, :2] / mapped[:, 2:]
    return float(np.linalg.norm(in_frame[1] - in_frame[0])) / modules


def _agreed(gray: Gray, code: CodeRead) -> bool | None:
    """Ask the second reader about a code: about its strips, or the place of a matrix code."""
    if code.bars:
        place = code.bars.profiles
    else:
        low, high = code.corners.min(axis=0), code.corners.max(axis=0)
        margin = 0.2 * float((high - low).max()) + 4
        x0, y0 = (max(int(v), 0) for v in low - margin)
        x1, y1 = (int(v) + 1 for v in high + margin)
        place = gray[y0:y1, x0:x1]
    texts = [c.text for c in second_reads(place, [code.symbology])]
    return code.text in texts if texts else None


def _not_read(
    view: View, gray: Gray, asked: list[Symbology], reading: Reading
) -> CodeContentValues:
    """Tell a code that cannot be read from no code at all."""
    linear = any(s.linear for s in asked)
    patch = _barred_patch(gray, reading.patches) if linear else None
    seen = patch is not None or bool(reading.damaged)
    outline = patch.corners if patch else reading.damaged[0] if reading.damaged else None
    across = outline[1] - outline[0] if outline is not None else None
    return CodeContentValues(
        state=NOT_READ if seen else NO_CODE,
        text=None,
        symbology=None,
        count=0,
        px_per_module=None,
        angle_deg=None if across is None else degrees(atan2(across[1], across[0])),
        readers_agree=None,
        gtin=None,
        lot=None,
        expiry=None,
        serial=None,
        check_digit_right=None,
        content_right=None,
        content_fault=None,
        scan_lines=0.0 if linear and seen else None,
        print_contrast=None if outline is None else contrast_of(_square(gray, outline), view.gamma),
        attempts=reading.attempts,
        marks=() if outline is None else (Mark(outline, "shape", NOT_READ, "difference"),),
    )


def _barred_patch(gray: Gray, patches: list[BarPatch] | None) -> BarPatch | None:
    """Find the first patch that holds the bars of a code."""
    for patch in bar_patches(gray) if patches is None else patches:
        cut = cut_patch(gray, patch)
        if cut is not None and holds_bars(cut[0]):
            return patch
    return None
