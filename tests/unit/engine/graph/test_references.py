"""References: pictures and taught arrays, whole or refused with a reason."""

import io
import zipfile
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.graph.references import BadReference, load_reference


def png(pixels: np.ndarray) -> bytes:
    return cv2.imencode(".png", pixels)[1].tobytes()


def loaded(tmp_path, name: str, raw: bytes):
    file = tmp_path / name
    file.write_bytes(raw)
    return load_reference(file, name)


def test_a_picture_is_grey_or_red_green_blue_and_read_only(tmp_path):
    grey, raw = loaded(tmp_path, "g.png", png(np.full((4, 5), 7, np.uint8)))
    colour, _ = loaded(tmp_path, "c.png", png(np.full((4, 5, 3), (1, 2, 3), np.uint8)))
    assert grey.image is not None
    assert colour.image is not None
    assert grey.image.shape == (4, 5)
    assert colour.image[0, 0].tolist() == [3, 2, 1]  # OpenCV writes blue, green, red
    assert not grey.image.flags.writeable
    assert raw == (tmp_path / "g.png").read_bytes()


def test_what_is_transparent_is_laid_on_white(tmp_path):
    pixels = np.zeros((1, 3, 4), np.uint8)
    pixels[0, :, 3] = (0, 255, 51)  # clear, solid, one fifth black
    picture, _ = loaded(tmp_path, "t.png", png(pixels))
    assert picture.image is not None
    assert picture.image[0, :, 0].tolist() == [255, 0, 204]


def test_sixteen_bits_become_eight(tmp_path):
    picture, _ = loaded(tmp_path, "d.png", png(np.array([[0, 256, 65535]], np.uint16)))
    assert picture.image is not None
    assert picture.image.tolist() == [[0, 1, 255]]


def test_a_picture_that_would_not_fit_in_memory_is_never_decoded(tmp_path):
    raw = bytearray(png(np.zeros((4, 4), np.uint8)))
    raw[16:24] = (30_000).to_bytes(4, "big") * 2  # width and height in the header
    raw[29:33] = zlib.crc32(raw[12:29]).to_bytes(4, "big")
    with pytest.raises(BadReference, match="more than 60 million pixels"):
        loaded(tmp_path, "bomb.png", bytes(raw))


def test_taught_arrays_come_with_their_format_and_read_only(tmp_path):
    np.savez(tmp_path / "t.npz", format=np.array([1]), mean=np.ones((2, 2)))
    reference, _ = load_reference(tmp_path / "t.npz", "t.npz")
    assert set(reference.arrays) == {"format", "mean"}
    assert not reference.arrays["mean"].flags.writeable


def packed(name: str, raw: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, raw)
    return buffer.getvalue()


def array(values: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, values, allow_pickle=True)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("name", "raw", "match"),
    [
        ("a.png", b"", "not an image"),
        ("a.jpg", b"words", "not an image"),
        ("a.png", png(np.zeros((9, 9), np.uint8))[:40], "not an image"),
        ("a.tif", cv2.imencode(".tiff", np.zeros((2, 2), np.float32))[1].tobytes(), "float32"),
        ("a.npz", b"", "not a taught reference"),
        ("a.npz", array(np.ones(3)), "not a taught reference"),
        ("a.npz", packed("format.npy", array(np.array([{}], object))), "not a taught reference"),
        ("a.npz", packed("format.npy", b"\x93NUMPY\x01\x00words"), "not a taught reference"),
        ("a.npz", packed("mean.npy", array(np.ones(3))), "no format number"),
        ("a.pkl", b"", r"a reference is an image \(\.png"),
    ],
)
def test_a_file_that_is_not_what_its_name_says_is_refused(tmp_path, name, raw, match):
    with pytest.raises(BadReference, match=match):
        loaded(tmp_path, name, raw)


@pytest.mark.parametrize("name", ["none.png", "x" * 300 + ".png", "a\0b.png", "."])
def test_a_file_that_is_not_there_is_refused(tmp_path, name):
    with pytest.raises(BadReference, match="there is no file"):
        load_reference(tmp_path / name, name)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(["a.png", "a.jpg", "a.npz"]), st.integers(0, 2000), st.binary(max_size=8))
def test_a_damaged_file_is_a_reference_or_refused(tmp_path, name, at, with_what):
    good = {
        "a.png": png(np.arange(1200, dtype=np.uint8).reshape(30, 40)),
        "a.jpg": cv2.imencode(".jpg", np.arange(1200, dtype=np.uint8).reshape(30, 40))[1].tobytes(),
        "a.npz": packed("format.npy", array(np.array([1]))),
    }[name]
    at %= len(good)
    try:
        reference, _ = loaded(tmp_path, name, good[:at] + with_what + good[at + len(with_what) :])
    except BadReference as error:
        said = str(error)
    else:
        said = reference.name
    assert "a." in said
