"""Pixel values to light and back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import rgb2xyz

from steps._shared.light import to_coded, to_linear


def test_srgb_agrees_with_an_independent_library():
    """scikit-image decodes sRGB on its way to XYZ; Y of a grey pixel is its light."""
    levels = np.arange(256, dtype=np.uint8)
    other = rgb2xyz(np.repeat(levels[:, None, None], 3, axis=2))[:, 0, 1]
    np.testing.assert_allclose(to_linear(levels, "srgb"), other, atol=2e-6)


@given(level=st.integers(0, 255), gamma=st.sampled_from(["srgb", 1.0, 0.45, 2.2]))
def test_coding_undoes_decoding(level, gamma):
    light = to_linear(np.array([level], np.uint8), gamma)
    assert to_coded(light, gamma)[0] == pytest.approx(level, abs=0.01)


def test_types_share_one_scale():
    exact = (100 / 255) ** 2.2
    assert to_linear(np.uint8([100]), 2.2)[0] == pytest.approx(exact, rel=1e-5)
    assert to_linear(np.uint16([25700]), 2.2)[0] == pytest.approx(exact, rel=1e-5)
    assert to_linear(100.0, 2.2) == pytest.approx(exact, rel=1e-5)
    assert to_linear(np.float32([1023.0]), 1.0, full_scale=1023.0)[0] == 1.0


def test_values_outside_the_scale_are_held_at_its_ends():
    np.testing.assert_array_equal(to_linear(np.float64([-3.0, 300.0]), "srgb"), [0.0, 1.0])
