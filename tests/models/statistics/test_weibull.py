import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.risk_table import risk_table
from models.statistics.weibull import contradicted, fit_weibull, weibull_mean


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.3, 6.0), st.floats(1.0, 1e5))
def test_complete_data_agree_with_scipy(seed, shape, scale):
    from scipy.stats import weibull_min

    time = weibull_min.rvs(shape, scale=scale, size=40, random_state=seed)
    fit = fit_weibull(risk_table(time, np.ones(40)))
    ours = weibull_min.logpdf(time, fit.shape[0], scale=fit.scale[0]).sum()
    theirs = weibull_min.logpdf(time, *weibull_min.fit(time, floc=0)).sum()
    assert fit.log_likelihood[0] == pytest.approx(ours, rel=1e-10)
    assert ours >= theirs - 1e-6


def test_exponential_times_by_hand():
    """Of the shape that makes the score zero there is one; with it the scale is total^(1/shape)."""
    time, failed = np.array([2.0, 3.0, 5.0, 7.0, 7.0]), np.array([1, 1, 0, 1, 0])
    fit = fit_weibull(risk_table(time, failed))
    k = fit.shape[0]
    score = 3 / k + np.log(time[failed == 1]).sum() - 3 * (time**k * np.log(time)).sum() / (time**k).sum()
    assert score == pytest.approx(0.0, abs=1e-12)
    assert fit.scale[0] == pytest.approx(((time**k).sum() / 3) ** (1 / k), rel=1e-12)


@pytest.mark.parametrize("unit", [1e-9, 1.0, 1e9])
def test_the_unit_of_time_does_not_matter(unit):
    time, failed = np.array([2.0, 3.0, 5.0, 7.0, 7.0]), np.array([1, 1, 0, 1, 0])
    fit, scaled = fit_weibull(risk_table(time, failed)), fit_weibull(risk_table(time * unit, failed))
    assert_allclose(scaled.shape, fit.shape, rtol=1e-10)
    assert_allclose(scaled.scale, fit.scale * unit, rtol=1e-10)


@pytest.mark.parametrize(
    ("time", "cause", "reason"),
    [
        ([], [], "no episodes"),
        ([4.0, 5.0], [0, 2], "none failed"),
        ([0.0, 5.0], [1, 1], "a failure at time zero"),
        ([1e-300, 1e300], [1, 1], "a failure at time zero"),
        ([5.0], [1], "all failures at the longest time"),
        ([3.0, 5.0, 5.0], [0, 1, 1], "all failures at the longest time"),
    ],
)
def test_says_why_there_is_no_fit(time, cause, reason):
    fit = fit_weibull(risk_table(time, cause))
    assert fit.reason == (reason,)
    assert np.isnan([fit.shape[0], fit.scale[0], fit.log_likelihood[0], weibull_mean(fit).estimate[0]]).all()


def test_one_group_without_a_fit_leaves_the_others_alone():
    table = risk_table([4.0, 5.0, 1.0, 2.0, 3.0], [0, 0, 1, 1, 0], group=[0, 0, 2, 2, 2])
    fit = fit_weibull(table)
    assert fit.reason == ("none failed", "no episodes", "")
    assert_array_equal(np.isnan(fit.shape), [True, True, False])


def test_times_too_short_to_tell_are_read_as_the_shortest():
    short = fit_weibull(risk_table([0.0, 0.2, 3.0, 5.0], [1, 1, 1, 0]), shortest=0.5)
    said = fit_weibull(risk_table([0.5, 0.5, 3.0, 5.0], [1, 1, 1, 0]))
    assert_array_equal(short.shape, said.shape)


def test_what_was_not_watched_at_all_changes_nothing():
    with_zero = fit_weibull(risk_table([0.0, 0.0, 0.2, 0.5, 0.9], [0, 2, 1, 1, 0]))
    without = fit_weibull(risk_table([0.2, 0.5, 0.9], [1, 1, 0]))
    assert_array_equal(with_zero.shape, without.shape)
    assert_array_equal(with_zero.covariance, without.covariance)


def test_mean_of_an_exponential_life():
    """With shape 1 the mean is the scale; its limits follow from the covariance of log scale and spread."""
    fit = fit_weibull(risk_table(np.arange(1.0, 30.0), np.ones(29)))
    mean = weibull_mean(fit)
    assert mean.estimate[0] == pytest.approx(15.0, rel=0.02)
    assert mean.low[0] < mean.estimate[0] < mean.high[0]
    assert mean.low[0] * mean.high[0] == pytest.approx(mean.estimate[0] ** 2)


def test_a_mean_beyond_numbers_is_not_given():
    """A shape of a few thousandths: the mean has hundreds of digits."""
    table = risk_table([1e-100, 1e-100, 1e100, 1e100, 1e100], [1, 1, 0, 0, 0])
    fit = fit_weibull(table)
    assert fit.shape[0] < 0.02
    assert np.isnan(weibull_mean(fit).estimate[0])


def test_contradicted_by_two_waves_and_not_by_itself():
    random = np.random.default_rng(5)
    waves = np.concatenate([random.uniform(1, 20, 400), random.uniform(900, 1000, 600)])
    life = 300 * random.weibull(1.5, 1000)
    table = risk_table(np.concatenate([waves, life]), np.ones(2000), group=np.repeat([0, 1], 1000))
    assert_array_equal(contradicted(fit_weibull(table), table, kaplan_meier(table)), [True, False])
