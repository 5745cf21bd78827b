from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics import trend
from models.statistics.trend import fit_power_law, histories, laplace_test, mil_hdbk_189_test


def draw(shape, *, engines, seed, expected=3.0):
    """Events of engines watched for 0.5 to 1.5, each expecting `expected` by age 1."""
    random = np.random.default_rng(seed)
    end = random.uniform(0.5, 1.5, engines)
    engine = np.repeat(np.arange(engines), random.poisson(expected * end**shape))
    return histories(end[engine] * random.random(len(engine)) ** (1 / shape), engine, end)


def test_a_constant_rate_is_called_worse_as_often_as_the_level_says():
    data = [draw(1.0, engines=8, seed=seed) for seed in range(500)]
    for test in (laplace_test, mil_hdbk_189_test):
        p = np.array([[test(one).p, test(one).p_worsening] for one in data])
        assert_allclose(np.mean(p < 0.1, axis=0), 0.1, atol=0.045)


@pytest.mark.parametrize(("engines", "at_least", "at_most"), [(1, 0.92, 0.98), (6, 0.94, 1.0)])
def test_limits_of_the_shape_hold_for_one_engine_and_are_wide_for_unequal_ends_of_watch(engines, at_least, at_most):
    fits = [fit_power_law(draw(1.7, engines=engines, seed=seed, expected=6.0)) for seed in range(250)]
    held = [fit.shape.low < 1.7 < fit.shape.high for fit in fits if not fit.reason]
    assert at_least < np.mean(held) < at_most


def test_by_hand():
    """Events at 1/e and 1/e^2 of the watch: 2 (1 + 2) = 6 on 4 degrees, and shape 2 / 3."""
    data = histories([10 / np.e, 10 / np.e**2], [0, 0], [10.0])
    assert mil_hdbk_189_test(data).statistic == pytest.approx(6.0)
    fit = fit_power_law(data)
    assert fit.shape.estimate == pytest.approx(2 / 3)
    assert fit.rate * 10 ** (2 / 3) == pytest.approx(2.0)


def test_the_unit_of_age_does_not_matter():
    data = draw(1.7, engines=9, seed=1)
    fit = fit_power_law(data)
    scaled = fit_power_law(replace(data, age=data.age * 1e5, until=data.until * 1e5, end=data.end * 1e5))
    assert scaled.shape.estimate == pytest.approx(fit.shape.estimate)
    assert scaled.p == pytest.approx(fit.p)
    assert laplace_test(data).p < 0.1


@pytest.mark.parametrize(
    ("age", "end", "by_event", "reason"),
    [
        ([], [], None, trend.NO_EVENTS),
        ([], [5.0], None, trend.NO_EVENTS),
        ([0.0, 2.0], [5.0], None, trend.AT_ZERO),
        ([5.0], [5.0], None, trend.AT_THE_END),
        ([5.0], [5.0], [True], trend.AT_THE_END),
        ([0.0], [0.0], None, trend.AT_ZERO),
    ],
)
def test_says_why_there_is_no_fit(age, end, by_event, reason):
    data = histories(age, np.zeros(len(age), int), end, ended_by_event=by_event)
    fit = fit_power_law(data)
    assert fit.reason == reason
    assert np.isnan([fit.shape.estimate, fit.rate, fit.p]).all()


def test_says_why_there_is_no_test():
    alone = histories([5.0], [0], [5.0], ended_by_event=[True])
    assert laplace_test(alone).reason == mil_hdbk_189_test(alone).reason == trend.NO_EVENTS
    at_zero = histories([0.0], [0], [5.0])
    assert mil_hdbk_189_test(at_zero).reason == trend.AT_ZERO
    assert np.isnan(mil_hdbk_189_test(at_zero).p)
    assert laplace_test(at_zero).reason == ""


def test_one_event_has_wide_limits_and_no_unbiased_shape_above_zero():
    fit = fit_power_law(histories([2.0], [0], [5.0]))
    assert fit.shape.low < 0.1
    assert fit.shape.high > 3
    assert fit.unbiased_shape == 0
    assert np.isnan(trend.time_between_events(fit, 5.0).estimate)


@pytest.mark.parametrize(
    ("age", "engine", "end"), [([1.0], [1], [2.0]), ([3.0], [0], [2.0]), ([-1.0], [0], [2.0]), ([1.0], [0], [-2.0])]
)
def test_refuses_what_is_no_history(age, engine, end):
    with pytest.raises(ValueError, match="every"):
        histories(age, engine, end)


def draw_late(shape, *, engines, seed):
    """Events of engines watched for some years of a long life only, beginning at any age up to 3."""
    random = np.random.default_rng(seed)
    begin = random.uniform(0.0, 3.0, engines)
    end = begin + random.uniform(0.2, 1.0, engines)
    power = begin**shape, end**shape
    engine = np.repeat(np.arange(engines), random.poisson(0.8 * (power[1] - power[0])))
    at = power[0][engine] + random.random(len(engine)) * (power[1] - power[0])[engine]
    return histories(at ** (1 / shape), engine, end, begin=begin)


def test_engines_watched_late_tell_the_same_shape():
    fit = fit_power_law(draw_late(1.7, engines=20_000, seed=1))
    assert fit.shape.estimate == pytest.approx(1.7, abs=4 * fit.shape.standard_error)
    assert fit.shape.standard_error < 0.05
    assert fit.rate == pytest.approx(0.8, rel=0.1)
    assert mil_hdbk_189_test(draw_late(1.7, engines=20, seed=1)).reason == trend.LATE_WATCH


def test_limits_and_tests_hold_for_engines_watched_late():
    data = [draw_late(1.0, engines=60, seed=seed) for seed in range(250)]
    fits = [fit_power_law(one) for one in data]
    assert np.mean([fit.shape.low < 1.0 < fit.shape.high for fit in fits if not fit.reason]) > 0.92
    assert_allclose(np.mean([fit.p < 0.1 for fit in fits]), 0.1, atol=0.06)
    assert_allclose(np.mean([laplace_test(one).p < 0.1 for one in data]), 0.1, atol=0.06)


def test_watched_since_almost_zero_is_watched_always():
    data = draw(1.7, engines=9, seed=1)
    late = fit_power_law(replace(data, begin=np.full(9, 1e-12)))
    assert late.shape.estimate == pytest.approx(fit_power_law(data).shape.estimate, rel=1e-6)
    assert late.log_likelihood == pytest.approx(fit_power_law(data).log_likelihood)


def test_a_rate_that_falls_faster_than_any_power_has_no_shape():
    fit = fit_power_law(histories([1.0, 1.01], [0, 1], [50.0, 50.0], begin=[1.0, 1.0]))
    assert fit.reason == trend.NO_POWER
    assert np.isnan(fit.shape.low)
