"""Elements, edges and non-uniformity of scan reflectance profiles."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steps._shared.scan_lines import estimate_blur, sharpening
from steps._shared.scan_profile import find_elements


def elements(*samples: float):
    return find_elements(np.array([samples], np.float64))


def test_edges_lie_at_the_middle_of_each_pair_not_at_the_global_threshold():
    # 0.9 to 0.1 crosses 0.5 half-way; 0.1 to 0.5 (a weak space, above 0.5 in one sample only)
    # crosses 0.34 = (0.1 + 0.58) / 2.
    found = elements(0.9, 0.9, 0.1, 0.1, 0.58, 0.1, 0.1, 0.9, 0.9)
    assert found.levels == pytest.approx([0.5, 0.34, 0.34, 0.5])
    assert found.edges == pytest.approx([1.5, 3.5, 4.5, 6.5])
    assert found.contrasts == pytest.approx([0.8, 0.48, 0.48, 0.8])


def test_an_edge_is_found_on_either_side_of_the_global_crossing():
    # The level 0.7 of a bar that is barely a bar lies above the threshold 0.5.
    found = elements(1.0, 1.0, 0.8, 0.6, 0.4, 0.6, 0.8, 1.0, 1.0, 0.0, 0.0, 1.0)
    assert found.levels[:2] == pytest.approx([0.7, 0.7])
    assert found.edges[:2] == pytest.approx([2.5, 5.5])


def test_one_extreme_is_even_and_two_are_not():
    found = elements(0.9, 0.9, 0.1, 0.2, 0.1, 0.1, 0.8, 0.6, 0.9, 0.9)
    assert found.uneven == pytest.approx([0.0, 0.1, 0.3])


def test_peaks_and_valleys_may_be_plateaus():
    found = elements(0.9, 0.1, 0.1, 0.3, 0.3, 0.3, 0.1, 0.1, 0.9)
    assert found.uneven == pytest.approx([0.0, 0.2, 0.0])


def test_the_slope_of_an_edge_is_no_non_uniformity():
    found = elements(0.9, 0.7, 0.5, 0.2, 0.1, 0.3, 0.6, 0.9, 0.9)
    assert found.uneven == pytest.approx([0.0, 0.0, 0.0])


def test_a_spot_in_the_quiet_zone_counts():
    found = elements(0.9, 0.9, 0.7, 0.9, 0.9, 0.1, 0.1, 0.9)
    assert found.uneven[0] == pytest.approx(0.2)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.lists(st.integers(0, 20), min_size=30, max_size=30), min_size=1, max_size=5))
def test_profiles_together_give_what_they_give_alone(rows):
    profiles = np.array(rows, np.float64) / 20
    together = find_elements(profiles)
    for p, profile in enumerate(profiles):
        alone = find_elements(profile[None])
        a, b = together.bounds[p], together.bounds[p + 1]
        assert (together.edges[a:b] == alone.edges).all()
        assert (together.uneven[a + p : b + p + 1] == alone.uneven).all()


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=2, max_size=60))
def test_a_mirrored_profile_has_mirrored_edges(samples):
    profile = np.array(samples, np.float64)
    one, other = find_elements(profile[None]), find_elements(profile[None, ::-1])
    assert len(one.edges) == len(other.edges)
    assert (len(samples) - 1 - other.edges[::-1]) == pytest.approx(one.edges)
    assert other.uneven[::-1] == pytest.approx(one.uneven)


@pytest.mark.parametrize("blur", [0.3, 0.6, 1.0])
@pytest.mark.parametrize("per_px", [1.5, 4.0])
def test_sharpening_gives_back_what_blur_and_pixels_took(blur, per_px):
    # A cosine of 0.15 cycles a pixel loses sinc(f) exp(-2 (pi s f)^2), and through cubic
    # interpolation and the step of the samples a little more.
    x = np.arange(-200, 201) / per_px
    frequency = 0.15
    lost = np.sinc(frequency) * np.exp(-2 * (np.pi * blur * frequency) ** 2)
    kernel = sharpening(blur, per_px)
    sharp = np.convolve(lost * np.cos(2 * np.pi * frequency * x), kernel, "same")
    assert sharp[200] == pytest.approx(1.0, abs=0.06)
    assert kernel.sum() == pytest.approx(1.0)


def test_blur_cannot_be_told_without_free_edges():
    assert estimate_blur(np.ones((2, 50)), [np.zeros(0), np.zeros(0)], 2.0) is None
