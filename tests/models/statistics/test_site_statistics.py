"""Poisson, expected events, funnel, shrinkage and false-discovery control on cases known beforehand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.funnel import funnel_limits
from models.statistics.multiplicity import benjamini_hochberg
from models.statistics.poisson import garwood_limits, poisson_p_value, poisson_ratio
from models.statistics.shrinkage import shrink_ratios
from models.statistics.standardisation import pooled_levels, pooled_model


def test_no_events_have_a_lower_limit_of_zero():
    """-ln 0.025 is the upper one: the chance of none from that mean is 2.5%."""
    low, high = garwood_limits(0)
    assert low == 0
    assert_allclose(high, -np.log(0.025), rtol=1e-12)


@settings(deadline=None)
@given(st.integers(1, 500), st.floats(0.5, 0.999))
def test_garwood_limits_leave_their_tails(count, confidence):
    from scipy.stats import poisson

    low, high = garwood_limits(count, confidence=confidence)
    tail = (1 - confidence) / 2
    assert poisson.sf(count - 1, low) == pytest.approx(tail, rel=1e-8)
    assert poisson.cdf(count, high) == pytest.approx(tail, rel=1e-8)


def test_no_exposure_gives_no_rate():
    ratio = poisson_ratio([0, 2], [0.0, 4.0])
    assert_array_equal(np.isnan(ratio.estimate), [True, False])
    assert ratio.estimate[1] == 0.5


@settings(deadline=None)
@given(st.integers(0, 60), st.floats(0.1, 60))
def test_p_value_and_limits_tell_the_same(count, expected):
    p = poisson_p_value(count, expected)
    low, high = garwood_limits(count)
    assert bool(p < 0.05) == bool(expected < low or expected > high) or p == pytest.approx(0.05, abs=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: garwood_limits(-1), "count"),
        (lambda: garwood_limits(1, confidence=1.0), "confidence"),
        (lambda: poisson_ratio(1, -2.0), "exposure"),
        (lambda: funnel_limits(1.0, confidence=0.0), "confidence"),
        (lambda: shrink_ratios([1, 2, 3], [1.0, 0.0, 2.0]), "expectation"),
        (lambda: benjamini_hochberg([0.5, 1.5]), "p value"),
    ],
)
def test_refuses_what_has_no_meaning(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def fleet(seed=3, n=3000):
    random = np.random.default_rng(seed)
    family, method = random.integers(0, 5, n), random.choice(6, n, p=[0.5, 0.3, 0.12, 0.04, 0.02, 0.02])
    time = np.floor(random.exponential(200 * (1 + family), n))
    return family, method, time, random.choice([0, 1, 2], n, p=[0.6, 0.3, 0.1])


def test_expected_events_add_up_to_those_observed_in_every_stratum():
    family, method, time, cause = fleet()
    stratum, columns = pooled_levels(family, cause), (method[:, None] == np.arange(1, 6)).astype(float)
    expected = pooled_model(time, cause, stratum=stratum, covariates=columns, unit=family % 2).expected(time)
    by_stratum = np.bincount(stratum, weights=expected)
    assert_allclose(by_stratum, np.bincount(stratum, weights=cause == 1), rtol=1e-9)


def test_levels_by_hand():
    """Level 7 has twelve events, 2 eleven of fewer, 0 and 5 three each, which are too few even together."""
    code = np.repeat([0, 2, 5, 7], [8, 15, 5, 20])
    cause = np.concatenate([np.repeat([1, 0], [e, n - e]) for e, n in ((3, 8), (11, 15), (3, 5), (12, 20))])
    assert pooled_levels(code, cause).tolist() == [0] * 8 + [1] * 15 + [0] * 5 + [0] * 20
    cause[:8] = 1
    assert pooled_levels(code, cause).tolist() == [2] * 8 + [1] * 15 + [2] * 5 + [0] * 20


def test_expected_events_by_hand():
    """Hazards 1/4, 1/3 and 1/1 at times 1, 2 and 4; competing ends only leave."""
    one = np.zeros(4, dtype=np.int64)
    time = np.array([1.0, 2.0, 3.0, 4.0])
    model = pooled_model(time, [1, 1, 2, 1], stratum=one, covariates=np.zeros((4, 0)), unit=one)
    expected = model.expected(time)
    assert_allclose(expected, [1 / 4, 1 / 4 + 1 / 3, 1 / 4 + 1 / 3, 1 / 4 + 1 / 3 + 1], rtol=1e-15)
    assert_allclose(model.expected([0.5, 1.5, 9.0, 2.0]), [0, 1 / 4, 1 / 4 + 1 / 3 + 1, 1 / 4 + 1 / 3], rtol=1e-15)


def test_a_site_with_hard_engines_is_not_blamed_for_them():
    random = np.random.default_rng(1)
    family = random.integers(0, 2, 4000)
    site = np.where(random.uniform(size=4000) < 0.8, family, 1 - family)
    time = random.exponential(np.where(family == 1, 100.0, 800.0))
    watched = random.uniform(50, 400, 4000)
    cause = (time <= watched).astype(int)
    ended = np.minimum(time, watched)
    expected = pooled_model(ended, cause, stratum=family, covariates=np.zeros((4000, 0)), unit=site).expected(ended)
    adjusted = np.bincount(site, weights=cause) / np.bincount(site, weights=expected)
    crude = np.bincount(site, weights=cause) / np.bincount(site, weights=np.minimum(time, watched))
    assert crude[1] > 2 * crude[0]
    assert_allclose(adjusted, 1.0, atol=0.06)


def test_funnel_narrows_and_needs_an_expectation():
    low, high = funnel_limits([0.0, 1.0, 10.0, 1000.0], confidence=0.95)
    assert np.isnan([low[0], high[0]]).all()
    assert (np.diff(high[1:]) < 0).all()
    assert (np.diff(low[2:]) > 0).all()
    assert_allclose([low[-1], high[-1]], 1 + np.array([-1, 1]) * 1.96 / np.sqrt(1000), atol=2e-3)


@pytest.mark.parametrize(
    ("observed", "expected", "reason", "ratio"),
    [
        ([2, 3], [1.0, 4.0], "too few to tell a spread", np.nan),
        ([0, 0, 0], [1.0, 4.0, 2.0], "no events", np.nan),
        ([5, 5, 5, 5], [5.0, 5.0, 5.0, 5.0], "no more than chance", 1.0),
        ([], [], "too few to tell a spread", None),
    ],
)
def test_says_why_nothing_is_shrunk(observed, expected, reason, ratio):
    shrunk = shrink_ratios(observed, expected)
    assert reason in shrunk.reason
    assert_array_equal(shrunk.ratio, np.full(len(observed), ratio))
    assert np.isnan(shrunk.low).all()


def test_small_units_are_drawn_in_further():
    shrunk = shrink_ratios([30, 2, 90, 40], [10.0, 0.667, 100.0, 80.0])
    assert shrunk.ratio[0] > shrunk.ratio[1] > shrunk.ratio[2]
    assert (shrunk.low < shrunk.ratio).all()
    assert (shrunk.ratio < shrunk.high).all()


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_prior_is_at_a_maximum(seed):
    """Scores by numeric derivative of scipy's negative binomial, at the prior found."""
    from scipy.stats import nbinom

    random = np.random.default_rng(seed)
    expected = random.uniform(2, 60, 12)
    observed = random.poisson(expected * random.gamma(3.0, 1 / 3.0, 12))
    shrunk = shrink_ratios(observed, expected)
    if shrunk.reason:
        return

    def likelihood(shape, rate):
        return nbinom.logpmf(observed, shape, rate / (rate + expected)).sum()

    top = likelihood(shrunk.prior_shape, shrunk.prior_rate)
    assert shrunk.log_likelihood == pytest.approx(top, rel=1e-9)
    for step in (0.99, 1.01):
        assert likelihood(shrunk.prior_shape * step, shrunk.prior_rate) <= top
        assert likelihood(shrunk.prior_shape, shrunk.prior_rate * step) <= top


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), max_size=30))
def test_false_discovery_control_against_scipy(p):
    from scipy.stats import false_discovery_control

    expected = false_discovery_control(p) if p else []
    assert_allclose(benjamini_hochberg(p), expected, rtol=1e-12)


def test_a_comparison_not_made_does_not_count():
    assert_array_equal(benjamini_hochberg([0.01, np.nan, 0.04]), [0.02, np.nan, 0.04])
