"""A printed board has its true size, and is the board that OpenCV knows."""

import re
import shutil
import subprocess

import cv2
import numpy as np
import pytest

from engine.calibrate.boards import Board, black_cells, marker_board, parse_board
from engine.calibrate.finding import Photograph, Sighting, find_boards
from engine.calibrate.printing import PAGES_MM, board_page
from engine.problems import ProblemsFound

CHARUCO = Board("charuco", 7, 5, 12.0, 9.0)
CHECKER = Board("checker", 9, 6, 20.0)


def rectangles(content: bytes, suffix: str) -> np.ndarray:
    """The black rectangles of a page: x, y, width, height [mm]."""
    number = r"(-?[\d.]+)"
    if suffix == ".svg":
        found = re.findall(rf"M{number} {number}h{number}v{number}h", content.decode())
    else:
        found = re.findall(rf"{number} {number} {number} {number} re", content.decode("latin-1"))
    return np.array(found, np.float64)


def drawn(cells: np.ndarray, size_mm: tuple[float, float], per_mm: int) -> np.ndarray:
    picture = np.full((round(size_mm[1] * per_mm), round(size_mm[0] * per_mm)), 255, np.uint8)
    for x, y, w, h in np.rint(
        np.column_stack([cells[:, :2], cells[:, :2] + cells[:, 2:]]) * per_mm
    ):
        picture[int(y) : int(h), int(x) : int(w)] = 0
    return picture


@pytest.mark.parametrize(
    "board",
    [Board("charuco", 9, 7, 12.0, 7.0), Board("charuco", 6, 8, 14.0, 10.0)],
    ids=lambda b: b.name,
)
def test_the_cells_are_the_board_of_opencv_pixel_by_pixel(board):
    """`CharucoBoard.generateImage` draws the same board; all edges lie between pixels."""
    per_mm = 14
    ours = drawn(np.array(black_cells(board)), board.size_mm, per_mm)
    theirs = marker_board(board).generateImage(ours.shape[::-1], marginSize=0, borderBits=1)
    np.testing.assert_array_equal(ours, theirs)


@pytest.mark.parametrize("suffix", [".svg", ".pdf"])
@pytest.mark.parametrize("board", [CHARUCO, CHECKER], ids=lambda b: b.name)
def test_lengths_on_the_page_are_exact(tmp_path, board, suffix):
    content, size = board_page(board, tmp_path / f"board{suffix}")
    cells = rectangles(content, suffix)
    squares = cells[
        np.isclose(cells[:, 2], board.square_mm) & np.isclose(cells[:, 3], board.square_mm)
    ]
    assert len(squares) == (board.columns * board.rows + 1) // 2
    steps = (squares[:, :2] - squares[:, :2].min(axis=0)) / board.square_mm
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-5)
    marks = cells[np.isclose(cells[:, 2], 0.3) & np.isclose(cells[:, 3], 5.0), 0]
    assert np.ptp(marks) == pytest.approx(200, abs=1e-4)
    assert sorted(size) == sorted(PAGES_MM["a4"])
    assert (cells[:, :2] >= 8).all()
    assert (cells[:, 0] + cells[:, 2] <= size[0] - 8).all()


@pytest.mark.parametrize("suffix", [".svg", ".pdf"])
def test_the_page_says_its_own_size(tmp_path, suffix):
    content, size = board_page(CHARUCO, tmp_path / f"board{suffix}", "letter")
    text = content.decode("latin-1")
    if suffix == ".svg":
        assert f'width="{size[0]:g}mm" height="{size[1]:g}mm"' in text
        assert f'viewBox="0 0 {size[0]:g} {size[1]:g}"' in text
    else:
        box = re.search(r"MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", text)
        assert box is not None
        points = [float(v) for v in box.groups()]
        np.testing.assert_allclose(np.array(points) / 72 * 25.4, size, atol=1e-5)


def test_every_object_of_the_pdf_stands_where_its_table_says(tmp_path):
    content, _ = board_page(CHARUCO, tmp_path / "board.pdf")
    table = int(content.rsplit(b"startxref\n", 1)[1].split()[0])
    assert content[table:].startswith(b"xref\n")
    starts = [int(v) for v in re.findall(rb"(\d{10}) 00000 n ", content[table:])]
    assert [content[s:].split()[0] for s in starts] == [b"1", b"2", b"3", b"4", b"5"]
    length = int(re.search(rb"/Length (\d+)", content)[1])  # type: ignore[index]
    assert content[content.index(b"stream\n") + 7 + length :].startswith(b"\nendstream")


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm is not installed")
def test_a_pdf_reader_shows_the_board_at_its_size(tmp_path):
    """Rendered by an independent program (poppler) at 254 dpi, 10 px are a millimetre."""
    content, _ = board_page(CHARUCO, tmp_path / "board.pdf")
    (tmp_path / "board.pdf").write_bytes(content)
    subprocess.run(
        ["pdftoppm", "-r", "254", "-gray", "-png", "-singlefile", "board.pdf", "page"],
        cwd=tmp_path, check=True,
    )  # fmt: skip
    gray = cv2.imread(str(tmp_path / "page.png"), cv2.IMREAD_GRAYSCALE)
    assert gray is not None
    (found,) = find_boards(CHARUCO, [Photograph("page", np.asarray(gray, np.uint8))])
    assert isinstance(found, Sighting)
    assert len(found.pixels) == 24
    design = np.column_stack([found.board_mm[:, :2], np.ones(24)])
    fit, *_ = np.linalg.lstsq(design, found.pixels, rcond=None)
    np.testing.assert_allclose(fit[:2], np.eye(2) * 10, atol=0.01)


def test_what_does_not_fit_is_said(tmp_path):
    with pytest.raises(ProblemsFound, match=r"480 x 320 mm.*does not fit on a4"):
        board_page(Board("checker", 12, 8, 40.0), tmp_path / "board.svg")
    with pytest.raises(ProblemsFound, match="too little white"):
        board_page(Board("charuco", 7, 5, 12.0, 11.0), tmp_path / "board.svg")
    with pytest.raises(ProblemsFound, match=r"as \.svg or \.pdf"):
        board_page(CHARUCO, tmp_path / "board.png")
    with pytest.raises(ProblemsFound, match="The page is one of a5, a4"):
        board_page(CHARUCO, tmp_path / "board.svg", "a9")


@pytest.mark.parametrize(
    ("text", "square", "marker", "what"),
    [
        ("charuco", 12, 9, "is not a board"),
        ("charuco:7 x 5", 12, 9, "is not a board"),
        ("checker:2x9", 12, None, "has no use"),
        ("charuco:7x5", None, 9, "side of a square is needed"),
        ("charuco:7x5", 12, None, "side of a marker is needed"),
        ("charuco:7x5", 12, 12, "side of a marker is needed"),
        ("charuco:7x5", float("nan"), 9, "side of a square is needed"),
        ("checker:9x6", 12, 9, "has no markers"),
    ],
)
def test_a_board_that_cannot_be_is_said(text, square, marker, what):
    with pytest.raises(ProblemsFound, match=what):
        parse_board(text, square, marker)
