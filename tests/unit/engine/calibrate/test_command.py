"""`cartonverdict calibrate`: what it writes; where something is wrong, it writes nothing."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from engine.calibrate.boards import Board
from engine.cli.main import main
from engine.devices.cameras.captured_set import open_set
from engine.station.geometry import load_camera
from tests.generators.boards import TrueCamera, board_before, photograph, poses

BOARD = Board("charuco", 7, 5, 12.0, 9.0)
CAMERA = TrueCamera(640, 480, 880.0, 876.0, 325.2, 234.9)
NAMED = ["--board", "charuco:7x5", "--square-mm", "12", "--marker-mm", "9", "--camera", "front"]


@pytest.fixture(scope="module")
def shots(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shots")
    for i, placed in enumerate(poses(BOARD, CAMERA, 7, seed=2)):
        save(folder / f"{i}.png", photograph(BOARD, placed, CAMERA, seed=i))
    save(folder / "carton.png", photograph(BOARD, board_before(BOARD, (12, -8, 3), 160), CAMERA))
    return folder


def save(file: Path, pixels: np.ndarray) -> None:
    file.write_bytes(cv2.imencode(file.suffix, pixels)[1].tobytes())


def numbered(folder: Path) -> list[str]:
    return [str(file) for file in sorted(folder.glob("[0-9].png"))]


def test_a_camera_file_a_picture_and_a_page_are_written(shots, tmp_path, capsys):
    out, page = tmp_path / "new/front.camera.yaml", tmp_path / "new/front.html"
    place = ["--carton-image", str(shots / "carton.png"), "--board-at", "20,15,0"]
    status = main(
        ["calibrate", *numbered(shots), *NAMED, *place, "--out", str(out), "--report", str(page)]
    )
    said = capsys.readouterr().out
    assert status == 0
    assert "camera front: 8 images of charuco:7x5" in said
    assert "{geometry: front.camera.yaml}" in said
    found = load_camera(out)
    assert found.camera == "front"
    assert found.geometry.lens is not None
    assert found.geometry.lens.focal_px == pytest.approx((880, 876), rel=0.008)
    assert found.shape.residual_px <= 0.1
    assert found.shape.pose is not None
    truth = board_before(BOARD, (12, -8, 3), 160)
    position = -truth.rotation.T @ truth.shift + [20, 15, 0]
    np.testing.assert_allclose(found.shape.pose.position_mm, position, atol=1.0)
    assert len(found.shape.images) == 7
    picture = cv2.imread(str(tmp_path / "new/front.camera.png"))
    assert picture is not None
    assert picture.shape[1] > 1500
    text = page.read_text()
    assert text.count("data:image/jpeg;base64,") == 4
    assert "http" not in text
    assert sorted(f.name for f in out.parent.iterdir()) == [
        "front.camera.png", "front.camera.yaml", "front.html"
    ]  # fmt: skip


def test_a_moved_camera_is_placed_anew_by_one_photograph(shots, tmp_path):
    first, second = tmp_path / "a.camera.yaml", tmp_path / "b.camera.yaml"
    assert main(["calibrate", *numbered(shots), *NAMED, "--out", str(first)]) == 0
    placed = ["--carton-image", str(shots / "carton.png"), "--board-at=-5,0,0"]
    assert main(["calibrate", *NAMED, "--lens", str(first), *placed, "--out", str(second)]) == 0
    before, after = load_camera(first), load_camera(second)
    assert before.geometry.pose is None
    assert after.geometry.pose is not None
    assert after.geometry.lens == before.geometry.lens
    assert after.shape.images == before.shape.images


def test_a_captured_set_takes_the_file_up(shots, tmp_path):
    frames = tmp_path / "set/frames/000001"
    frames.mkdir(parents=True)
    save(frames / "front.png", np.full((480, 640), 90, np.uint8))
    out = tmp_path / "set/front.camera.yaml"
    assert main(["calibrate", *numbered(shots), *NAMED, "--out", str(out), "--gamma", "2.2"]) == 0
    (tmp_path / "set/set.yaml").write_text("cameras: {front: {geometry: front.camera.yaml}}\n")
    geometry = open_set(tmp_path / "set").cameras.of("front")
    assert geometry.gamma == 2.2
    assert geometry.lens == load_camera(out).geometry.lens


def bad(kind: str, shots: Path, folder: Path) -> list[str]:
    """Photographs with something wrong."""
    good = numbered(shots)
    made = folder / f"{kind}.png"
    gray = cv2.imread(good[0], cv2.IMREAD_GRAYSCALE)
    assert gray is not None
    if kind == "empty":
        save(made, np.full((480, 640), 128, np.uint8))
    elif kind == "small":
        save(made, np.asarray(cv2.resize(gray, (320, 240)), np.uint8))
    elif kind == "torn":
        made.write_bytes(Path(good[0]).read_bytes()[:2000])
    elif kind == "other":
        other = Board("charuco", 9, 6, 9.0, 6.0)
        save(made, photograph(other, board_before(other, (15, 5, 0), 160), CAMERA))
    elif kind == "few":
        return good[:3]
    elif kind == "same":
        for i in range(6):
            still = photograph(BOARD, board_before(BOARD, (20, 10, 0), 170), CAMERA, seed=i)
            save(folder / f"same{i}.png", still)
        return [str(folder / f"same{i}.png") for i in range(6)]
    return [*good, str(made)]


@pytest.mark.parametrize(
    ("kind", "code", "what"),
    [
        ("empty", "no-board", "No board is found: 0 of its markers are seen"),
        ("small", "image-sizes", "The image has 320 x 240 px; most of the images have 640 x 480"),
        ("torn", "bad-image", "its end is missing"),
        ("missing", "unreadable", "No such file"),
        ("other", "wrong-board", "This is another board"),
        ("few", "too-few-images", "3 usable images; at least 5 are needed"),
        ("same", "same-pose", "All images show the board in the same pose"),
    ],
)
def test_what_is_wrong_is_named_and_nothing_is_written(kind, code, what, shots, tmp_path, capsys):
    out = tmp_path / "out/front.camera.yaml"
    images = bad(kind, shots, tmp_path)
    page = str(tmp_path / "out/front.html")
    assert main(["calibrate", *images, *NAMED, "--out", str(out), "--report", page]) == 2
    said = capsys.readouterr()
    assert f"[{code}]" in said.err
    assert what in said.err
    assert said.err.rstrip().endswith("1 problem.")
    assert kind in ("few", "same") or f"{kind}.png" in said.err
    assert not (tmp_path / "out").exists()


def test_every_bad_photograph_is_named_at_once(shots, tmp_path, capsys):
    images = [*bad("empty", shots, tmp_path), *bad("other", shots, tmp_path)[-1:]]
    assert main(["calibrate", *images, *NAMED, "--out", str(tmp_path / "a.camera.yaml")]) == 2
    said = capsys.readouterr().err
    assert "empty.png  [no-board]" in said
    assert "other.png  [wrong-board]" in said


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (["--camera", "a/b"], "The camera's name is needed"),
        (["--out", "front.png"], r"The camera file ends in .camera.yaml"),
        (["--report", "front.pdf"], "The page ends in .html"),
        (["--gamma", "9"], "`gamma` is `srgb`"),
        (["--board-at", "1,2"], "`1,2` is no place"),
        (["--board-at", "0,0,0", "--board-at", "0,0,9"], "0 --carton-image stand against 2"),
        (["--carton-image", "x.png"], "1 --carton-image stand against 0 --board-at"),
        (["--lens", "front.camera.yaml"], "With --lens the lens is known"),
    ],
)
def test_options_that_do_not_go_together_are_said(options, what, shots, capsys):
    assert main(["calibrate", numbered(shots)[0], *NAMED, *options]) == 2
    assert what in capsys.readouterr().err


def test_a_board_that_looks_the_same_upside_down_gives_no_place(tmp_path, capsys):
    board = Board("checker", 8, 6, 10.0)
    for i, placed in enumerate(poses(board, CAMERA, 5, seed=2)):
        save(tmp_path / f"{i}.png", photograph(board, placed, CAMERA, seed=i))
    named = ["--board", "checker:8x6", "--square-mm", "10", "--camera", "top"]
    images = numbered(tmp_path)
    assert main(["calibrate", *images, *named, "--board-at", "0,0,0"]) == 2
    assert "looks the same after half a turn" in capsys.readouterr().err


def test_no_photograph_is_written_over(shots, tmp_path, capsys):
    for file in numbered(shots):
        (tmp_path / Path(file).name).write_bytes(Path(file).read_bytes())
    before = (tmp_path / "0.png").read_bytes()
    assert main(["calibrate", *numbered(tmp_path), *NAMED, "--out", str(tmp_path / "0.yaml")]) == 2
    assert "it would be overwritten" in capsys.readouterr().err
    assert (tmp_path / "0.png").read_bytes() == before
    assert not (tmp_path / "0.yaml").exists()


@pytest.mark.parametrize("suffix", [".svg", ".pdf"])
def test_a_board_is_printed(tmp_path, suffix, capsys):
    file = tmp_path / f"board{suffix}"
    board = ["--board", "charuco:7x5", "--square-mm", "12", "--marker-mm", "9"]
    assert main(["calibrate", "--print-board", str(file), *board]) == 0
    assert "on a4, 297 x 210 mm" in capsys.readouterr().out
    assert file.read_bytes()[:4] in (b"<svg", b"%PDF")


def test_a_disc_that_cannot_be_written_leaves_nothing(shots, tmp_path, capsys):
    (tmp_path / "taken").write_text("a file, not a folder")
    out = tmp_path / "taken/front.camera.yaml"
    assert main(["calibrate", *numbered(shots), *NAMED, "--out", str(out)]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert [f.name for f in tmp_path.iterdir()] == ["taken"]
