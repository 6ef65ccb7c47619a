"""Detection over size against published fits and other programs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.study.binomial import fit_binomial, link_named
from engine.study.statistics import pod_fit

# D. Collett: Modelling binary data (1991), p. 75; W. N. Venables, B. D. Ripley: Modern applied
# statistics with S, 4th ed., 7.2. Log2 of the dose, 20 of each.
DOSE = np.arange(6.0)
M = np.array([1.0, 4, 9, 13, 18, 20])
F = np.array([0.0, 2, 6, 10, 12, 16])
OF = [20] * 6


def drawn(n, seed, *, floor=0.0, ceiling=1.0, slope=1.5, middle=5.0):
    """Targets of sizes up to 10 on a known curve."""
    rng = np.random.default_rng(seed)
    size = rng.uniform(0, 10, n)
    share = 1 / (1 + np.exp(-slope * (size - middle)))
    return size, rng.random(n) < floor + (ceiling - floor) * share


def test_two_groups_with_one_slope_meet_the_published_doses():
    first = np.repeat([1.0, 0.0], 6)
    design = np.column_stack([first, 1 - first, np.tile(DOSE, 2)])
    fit = fit_binomial(design, np.r_[M, F], np.full(12, 20.0), link_named("logit"))
    # MASS 7.2 and statsmodels 0.15.0 GLM
    assert fit.coefficients == pytest.approx([-2.372412, -3.473155, 1.064214], abs=6e-7)
    errors = np.sqrt(np.diag(fit.covariance))
    assert errors == pytest.approx([0.385511, 0.46852, 0.131077], abs=6e-7)
    assert fit.deviance == pytest.approx(6.757064, abs=6e-7)
    assert fit.df == 9
    _, b0, b1 = fit.coefficients
    part = fit.covariance[1:, 1:]
    # MASS, help page of dose.p: group F
    published = {
        0.25: (2.231265, 0.2499089),
        0.5: (3.263587, 0.2297539),
        0.75: (4.29591, 0.2746874),
    }
    for share, (dose, error) in published.items():
        x = (np.log(share / (1 - share)) - b0) / b1
        change = np.array([-1, -x]) / b1
        assert x == pytest.approx(dose, abs=6e-7)
        assert np.sqrt(change @ part @ change) == pytest.approx(error, abs=6e-7)


# Reference: statsmodels 0.15.0, GLM with the four links, each group alone: coefficients, the
# covariance's (0,0), (0,1), (1,1), deviance; a50 and a90 from them; a90/95 by GLM fits without
# intercept through (a, 0.9), solved for a deviance 2.7055 larger.
@pytest.mark.parametrize(
    ("hits", "link", "coefficients", "covariance", "deviance", "sizes"),
    [
        (F, "logit", (-2.99354176, 0.906036435), (0.305477026, -0.0839409153, 0.0279229649),
         3.11275723, (3.3039971, 5.7290923, 6.926779)),
        (F, "probit", (-1.80071556, 0.54523169), (0.0889974828, -0.0243267532, 0.00835121424),
         2.47114751, (3.3026612, 5.6531328, 6.766137)),
        (F, "cloglog", (-2.63316541, 0.647442136), (0.191089279, -0.0465810207, 0.0130408839),
         4.69234431, (3.5009345, 5.3552243, 6.201033)),
        (F, "loglog", (-1.46036941, 0.585421977), (0.0712160608, -0.0224731053, 0.00985276694),
         1.07517952, (3.1206248, 6.3385675, 7.892274)),
        (M, "logit", (-2.81855497, 1.25894942), (0.300289557, -0.102677124, 0.0449717749),
         1.88097008, (2.2388151, 3.9840993, 4.664268)),
        (M, "probit", (-1.64592296, 0.736886515), (0.0843549871, -0.0274840015, 0.0119811448),
         1.29681496, (2.2336180, 3.9727617, 4.593861)),
        (M, "cloglog", (-2.38237601, 0.824988991), (0.169132446, -0.0497991774, 0.0173287412),
         1.06355698, (2.4435030, 3.8987289, 4.381785)),
        (M, "loglog", (-1.2717286, 0.813406624), (0.0680751281, -0.0257762337, 0.0156383573),
         3.71972863, (2.0140499, 4.3300556, 5.211999)),
    ],
)  # fmt: skip
def test_each_link_equals_statsmodels(hits, link, coefficients, covariance, deviance, sizes):
    fit = pod_fit(DOSE, hits, link, False, trials=OF)
    assert fit.kind == "curve"
    assert fit.floor is fit.ceiling is None
    assert fit.coefficients == pytest.approx(coefficients, abs=1e-7)
    assert fit.covariance[[0, 0, 1], [0, 1, 1]] == pytest.approx(covariance, abs=1e-7)
    assert fit.deviance == pytest.approx(deviance, abs=1e-7)
    assert (fit.a50, fit.a90, fit.a90_95) == pytest.approx(sizes, abs=1e-5)


def test_published_coefficients_of_the_second_group_are_met():
    """MASS 7.2, sex * ldose: intercept -2.9935 (0.5527), slope 0.9060 (0.1671) (from memory)."""
    fit = pod_fit(DOSE, F, "logit", False, trials=OF)
    assert fit.coefficients == pytest.approx([-2.9935, 0.9060], abs=5e-5)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.5527, 0.1671], abs=5e-5)


def test_the_wald_bound_solves_its_equation():
    fit = pod_fit(DOSE, F, "logit", False, trials=OF)
    (b0, b1), v, a = fit.coefficients, fit.covariance, fit.a90_95_wald
    error = np.sqrt(v[0, 0] + 2 * a * v[0, 1] + a * a * v[1, 1])
    assert b0 + b1 * a - 1.6448536269514722 * error == pytest.approx(np.log(9))


def test_the_lower_bound_meets_ninety_per_cent_at_its_size():
    fit = pod_fit(DOSE, M, "logit", False, trials=OF)
    assert fit.lower([fit.a90_95]) == pytest.approx([0.9], abs=1e-5)
    sizes = np.linspace(0.5, 6, 12)
    assert (fit.lower(sizes) < fit.pod(sizes)).all()
    assert (np.diff(fit.lower(sizes)) > 0).all()
    assert fit.pod([fit.a50, fit.a90]) == pytest.approx([0.5, 0.9])


def test_the_logarithm_of_the_size_is_the_same_line_with_another_ruler():
    plain = pod_fit(DOSE, F, "logit", False, trials=OF)
    log = pod_fit(2**DOSE, F, "logit", True, trials=OF)
    assert log.coefficients == pytest.approx(
        [plain.coefficients[0], plain.coefficients[1] / np.log(2)]
    )
    assert (log.a50, log.a90, log.a90_95) == pytest.approx(
        [2**s for s in (plain.a50, plain.a90, plain.a90_95)], rel=1e-6
    )


def test_counted_together_and_one_by_one_is_the_same():
    together = pod_fit(DOSE, M, trials=OF)
    single = [i < k for k in M for i in range(20)]
    apart = pod_fit(np.repeat(DOSE, 20), single)
    assert apart.a90_95 == pytest.approx(together.a90_95, abs=1e-9)
    assert (apart.hits, apart.targets) == (together.hits, together.targets) == (65, 120)


@settings(max_examples=25, deadline=None)
@given(
    scale=st.floats(0.01, 1000),
    hits=st.lists(st.integers(1, 11), min_size=3, max_size=3),
    link=st.sampled_from(["logit", "probit", "cloglog", "loglog"]),
)
def test_sizes_in_another_unit_give_the_same_sizes_in_that_unit(scale, hits, link):
    sizes, counted = np.arange(1.0, 6.0), [0, *sorted(hits), 12]
    one = pod_fit(sizes, counted, link, trials=[12] * 5)
    other = pod_fit(sizes * scale, counted, link, trials=[12] * 5)
    for name in ("a50", "a90", "a90_95_wald"):
        a, b = getattr(one, name), getattr(other, name)
        assert b == (None if a is None else pytest.approx(a * scale, rel=1e-4))
    assert one.kind == other.kind == "curve"
    if one.a90_95 is not None:
        assert one.a50 < one.a90 < one.a90_95 == pytest.approx(other.a90_95 / scale, rel=1e-3)


def test_the_curve_that_was_drawn_from_is_found():
    fit = pod_fit(*drawn(4000, seed=1))
    assert fit.floor is fit.ceiling is None
    assert fit.a90 == pytest.approx(5 + np.log(9) / 1.5, abs=0.12)
    assert fit.a90 < fit.a90_95 < fit.a90 + 0.25
    assert fit.notes == ()


def test_random_misses_of_large_defects_are_a_ceiling_and_said():
    size, hit = drawn(600, seed=2, ceiling=0.8)
    fit = pod_fit(size, hit)
    assert fit.ceiling == pytest.approx(hit[size > 7].mean(), abs=0.02)
    assert fit.floor is None
    assert fit.a90 is fit.a90_95 is None
    assert any("random misses" in note for note in fit.notes)
    assert "90 % are not reached at any size" in fit.notes


def test_random_hits_of_small_defects_are_a_floor_and_said():
    fit = pod_fit(*drawn(600, seed=3, floor=0.15))
    assert fit.floor == pytest.approx(0.15, abs=0.06)
    assert fit.ceiling is None
    assert any("random hits" in note for note in fit.notes)
    # The true curve between its ends reaches 90 % here.
    inner = (0.9 - 0.15) / 0.85
    assert fit.a90 == pytest.approx(5 + np.log(inner / (1 - inner)) / 1.5, abs=0.35)
    assert fit.a90_95 > fit.a90


def test_an_end_that_is_not_certain_makes_no_bound_smaller():
    """One odd hit: a floor is likely, but the plain curve is not out of the question."""
    size = np.tile(np.arange(1.0, 11), 6)
    hit = size > 5.5
    hit[[1, 4, 15]] = True, True, False
    fit = pod_fit(size, hit)
    assert fit.floor == pytest.approx(0.043, abs=0.01)
    assert any("not certain" in note for note in fit.notes)
    plain = fit.a90 + 1.5
    assert fit.a90_95 > plain


def test_both_ends_are_found_together():
    fit = pod_fit(*drawn(800, seed=4, floor=0.12, ceiling=0.95))
    assert fit.floor == pytest.approx(0.12, abs=0.05)
    assert fit.ceiling == pytest.approx(0.95, abs=0.04)


def test_a_false_call_at_size_zero_is_said_whatever_the_scale():
    sizes = [0.0] * 20 + [1.0, 2, 3, 4, 5, 6] * 10
    hits = (
        [True] + [False] * 19 + ([False] * 2 + [True] * 4) * 9 + [False, True, False] + [True] * 3
    )
    for log in (False, True):
        fit = pod_fit(sizes, hits, "logit", log)
        assert fit.false_calls == (1, 20)
        assert "1 of 20 targets without a defect were hit (random hits)" in fit.notes
    assert fit.floor == pytest.approx(0.03, abs=0.03)


def test_hits_and_misses_that_lie_apart_are_said_and_counted():
    sizes = np.tile(np.arange(1.0, 11), 12)
    fit = pod_fit(sizes, sizes > 5)
    assert fit.kind == "separated"
    assert fit.between == (5.0, 6.0)
    assert fit.a50 is fit.a90 is fit.coefficients is fit.covariance is None
    # 12 of each size: the 29th hit in a row is at size 8.
    assert fit.a90_95 == 8.0
    assert any("hits and misses lie apart" in note for note in fit.notes)
    assert np.isnan(fit.pod([5.5])).all()


def test_few_hits_above_the_largest_miss_show_nothing():
    sizes = np.tile(np.arange(1.0, 11), 2)
    fit = pod_fit(sizes, sizes > 5)
    assert fit.a90_95 is None
    assert "a90/95 takes 29 hits in a row above the largest miss; there are 10" in fit.notes
    assert any("20 targets are few" in note for note in fit.notes)


def test_hits_and_misses_that_meet_in_one_size_lie_apart_too():
    fit = pod_fit([1, 2, 2, 3], [0, 0, 1, 1])
    assert fit.kind == "separated"
    assert fit.between == (2.0, 2.0)


def test_all_hit_and_all_missed_are_said():
    sizes = np.repeat(np.arange(1.0, 7), 10)
    every = pod_fit(sizes, np.ones(60))
    assert (every.kind, every.a90_95, every.a50) == ("all hit", 3.0, None)
    assert any("down to size 1" in note for note in every.notes)
    none = pod_fit(sizes, np.zeros(60))
    assert (none.kind, none.a90_95, none.a90) == ("all missed", None, None)
    assert any("no target was hit, up to size 6" in note for note in none.notes)


def test_detection_that_falls_with_size_gives_no_size():
    apart = pod_fit(np.arange(1.0, 61), np.arange(60) < 30)
    mixed = pod_fit(*(a[::b] for a, b in zip(drawn(200, 5, slope=-1.0), (1, 1), strict=True)))
    for fit in (apart, mixed):
        assert fit.kind == "falling"
        assert fit.a50 is fit.a90 is fit.a90_95 is None
        assert any("size" in note for note in fit.notes)


def test_sizes_beyond_those_tried_are_said():
    fit = pod_fit(DOSE, F, trials=OF)
    assert "a90 lies beyond the largest size tried, 5" in fit.notes
    assert "a90/95 lies beyond the largest size tried, 5" in fit.notes


def test_detection_that_hardly_grows_gives_no_bound():
    fit = pod_fit([1, 2, 3, 4], [10, 9, 11, 11], trials=[20] * 4)
    assert fit.a90_95 is None
    assert "the data do not show at any size that 90 % are detected, at 95 %" in fit.notes


@pytest.mark.parametrize(
    ("named", "why"),
    [
        ({"size": [1, 2], "hit": [0]}, "equally long; got 2, 1"),
        ({"size": [-1, 2], "hit": [0, 1]}, "size must be 0 or above; got -1"),
        ({"size": [1, 2], "hit": [0, 2]}, "each hit must be 0 or 1"),
        ({"size": [1, 2], "hit": [0, 0.5]}, "each hit must be 0 or 1"),
        ({"size": [1, 2], "hit": [0, 4], "trials": [3, 3]}, "from 0 to its trials"),
        ({"size": [1, 2], "hit": [0, 1], "trials": [3, 0]}, "each of trials must be at least 1"),
        ({"size": [2, 2], "hit": [0, 1]}, "at least two different sizes"),
        ({"size": [], "hit": []}, "size needs at least 1 numbers"),
        ({"size": [1, float("nan")], "hit": [0, 1]}, "number 1 is nan"),
        ({"size": [1, 2], "hit": [0, 1], "link": "tanh"}, "link must be one of 'logit'"),
        ({"size": [0, 0], "hit": [0, 0], "log": True}, "at least one size above 0"),
    ],
)
def test_what_is_no_hit_and_miss_data_is_refused(named, why):
    with pytest.raises(ValueError, match=why):
        pod_fit(**named)
