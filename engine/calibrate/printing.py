"""A board as a page to print at true size, as SVG or PDF; every length is drawn in mm."""

from __future__ import annotations

from pathlib import Path

from engine.calibrate.boards import Board, black_cells
from engine.problems import Problem, ProblemsFound

PAGES_MM = {"a5": (148.0, 210.0), "a4": (210.0, 297.0), "a3": (297.0, 420.0), "a2": (420.0, 594.0),
            "letter": (215.9, 279.4)}  # fmt: skip
"""Pages by name: width and height upright [mm]."""

EDGE_MM = 8.0
"""What printers leave white at the edge of a page [mm]."""
FOOT_MM = 22.0
"""Room below the board for the scale bar and the words [mm]."""
MOST_MARKER = 0.8
"""Largest marker that is printed: what is white around it helps finding it [fraction]."""

Rectangle = tuple[float, float, float, float]


def board_page(board: Board, file: Path, page: str = "a4") -> tuple[bytes, tuple[float, float]]:
    """Draw a board on a page.

    Parameters
    ----------
    board : Board
        The board.
    file : Path
        Its suffix, `.svg` or `.pdf`, says the form.
    page : str
        A name in `PAGES_MM`; it is taken upright or lying, as the board fits.

    Returns
    -------
    content : bytes
        The file.
    size_mm : tuple
        Width and height of the page [mm].

    Raises
    ------
    ProblemsFound
        When the board does not fit or has no white around its markers, or the form is not known.
    """
    suffix = file.suffix.lower()
    if suffix not in (".svg", ".pdf"):
        what = "A board is written as .svg or .pdf."
        raise ProblemsFound([Problem(str(file), 0, 0, "", "option", what)])
    if page not in PAGES_MM:
        what = f"The page is one of {', '.join(PAGES_MM)}."
        raise ProblemsFound([Problem("--page", 0, 0, page, "option", what)])
    if board.marker_mm > MOST_MARKER * board.square_mm:
        what = (
            f"Markers of more than {MOST_MARKER:g} of a square have too little white around them."
        )
        raise ProblemsFound([Problem("--marker-mm", 0, 0, "", "option", what)])
    width, height = board.size_mm
    upright = PAGES_MM[page]
    lying = (upright[1], upright[0])
    sizes = (upright, lying) if height >= width else (lying, upright)
    size = next((s for s in sizes if _fits(board, s)), None)
    if size is None:
        what = (
            f"The board is {width:g} x {height:g} mm; with a white edge, scale bar and words it "
            f"does not fit on {page}. Take a larger --page or smaller squares."
        )
        raise ProblemsFound([Problem("--page", 0, 0, page, "option", what)])
    left = (size[0] - width) / 2
    top = (size[1] - FOOT_MM - height) / 2
    black = [(x + left, y + top, w, h) for x, y, w, h in black_cells(board)]
    bar_mm = _bar_mm(size[0])
    foot = size[1] - EDGE_MM - FOOT_MM + 6
    at = (size[0] - bar_mm) / 2
    black += [(at, foot, bar_mm, 0.4)]
    black += [(at + part * bar_mm - 0.15, foot - 2.5, 0.3, 5.0) for part in (0, 0.5, 1)]
    words = _words(board, bar_mm)
    lines = [(size[0] / 2, foot + 7 + 4.5 * i, line) for i, line in enumerate(words)]
    draw = _svg if suffix == ".svg" else _pdf
    return draw(size, black, lines), size


def _fits(board: Board, size: tuple[float, float]) -> bool:
    edge = 2 * max(EDGE_MM, min(board.square_mm, 15.0))
    width, height = board.size_mm
    return width + edge <= size[0] and height + edge + FOOT_MM <= size[1]


def _bar_mm(page_mm: float) -> float:
    return next(length for length in (200.0, 150.0, 100.0) if length <= page_mm - 2 * EDGE_MM - 10)


def _words(board: Board, bar_mm: float) -> list[str]:
    markers = f", markers {board.marker_mm:g} mm" if board.markers else ""
    return [
        f"{board.name}, squares {board.square_mm:g} mm{markers}",
        f"Print at 100 %, not fitted to the page. Check: the bar is {bar_mm:g} mm long between "
        "the middles of its end marks.",
    ]


def _svg(
    size: tuple[float, float], black: list[Rectangle], lines: list[tuple[float, float, str]]
) -> bytes:
    path = " ".join(f"M{x:.5f} {y:.5f}h{w:.5f}v{h:.5f}h-{w:.5f}z" for x, y, w, h in black)
    texts = "\n".join(
        f'<text x="{x:.3f}" y="{y:.3f}" font-family="Helvetica, Arial, sans-serif" '
        f'font-size="3.2" text-anchor="middle">{text}</text>'
        for x, y, text in lines
    )
    width, height = size
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">\n'
        f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>\n'
        f'<path fill="#000" d="{path}"/>\n{texts}\n</svg>\n'
    ).encode()


_POINTS_PER_MM = 72 / 25.4


def _pdf(
    size: tuple[float, float], black: list[Rectangle], lines: list[tuple[float, float, str]]
) -> bytes:
    """Write a PDF 1.4 file: one page, one path, one font that every reader has.

    References
    ----------
    ISO 32000-1:2008, 7.5 (file structure), 8.3.4 (matrices), 8.5 (paths), 9.6.2.2 (fonts).
    """
    k = _POINTS_PER_MM
    width, height = size[0] * k, size[1] * k
    content = [f"q {k:.9f} 0 0 {-k:.9f} 0 {height:.6f} cm 0 g"]
    content += [f"{x:.5f} {y:.5f} {w:.5f} {h:.5f} re" for x, y, w, h in black]
    content += ["f Q"]
    points = 9.0
    for x, y, text in lines:
        start = x * k - _width_of(text) * points / 2
        safe = text.replace("\\", "\\\\").replace("(", "\\(").replace(")", "\\)")
        place = f"{start:.3f} {height - y * k:.3f}"
        content.append(f"BT /F1 {points:g} Tf {place} Td ({safe}) Tj ET")
    stream = "\n".join(content).encode("ascii")
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.6f} {height:.6f}] /Contents 4 0 R "
        "/Resources << /Font << /F1 5 0 R >> >> >>".encode(),
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(stream), stream),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    ]
    out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    starts: list[int] = []
    for number, body in enumerate(objects, start=1):
        starts.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % start for start in starts)
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\n" % (len(objects) + 1)
    out += b"startxref\n%d\n%%%%EOF\n" % table
    return bytes(out)


def _width_of(text: str) -> float:
    """Give about how wide a line is, in heights of its font."""
    narrow = sum(text.count(c) for c in "iljtf.,: ")
    return 0.556 * (len(text) - narrow) + 0.278 * narrow
