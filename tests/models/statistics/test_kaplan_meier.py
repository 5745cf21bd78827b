from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.kaplan_meier import event_time_quantiles, kaplan_meier
from models.statistics.risk_table import risk_table


def test_five_episodes_by_hand():
    """n = 5: dry shares 4/5, then 4/5 of 2/3, then half of that; Greenwood's sums 1/20, 1/20 + 1/6, and 1/2 more."""
    curve = kaplan_meier(risk_table([1.0, 2.0, 3.0, 4.0, 5.0], [1, 0, 1, 1, 0]))
    assert_allclose(curve.survival, [4 / 5, 4 / 5, 8 / 15, 4 / 15, 4 / 15], rtol=1e-15)
    sums = [1 / 20, 1 / 20, 13 / 60, 43 / 60, 43 / 60]
    assert_allclose(curve.standard_error, curve.survival * np.sqrt(sums), rtol=1e-14)


def test_competing_ends_are_censored():
    with_competing = kaplan_meier(risk_table([1.0, 2.0, 2.0, 3.0], [1, 2, 1, 1]))
    with_censored = kaplan_meier(risk_table([1.0, 2.0, 2.0, 3.0], [1, 0, 1, 1]))
    assert_array_equal(with_competing.survival, with_censored.survival)


def test_no_limits_where_the_curve_is_all_or_none():
    curve = kaplan_meier(risk_table([1.0, 2.0, 3.0], [0, 1, 1]))
    assert_array_equal(curve.survival, [1.0, 0.5, 0.0])
    assert_array_equal(np.isnan(curve.low), [True, False, True])
    assert_array_equal(np.isnan(curve.standard_error), [False, False, True])


def test_a_time_of_zero_counts_at_once():
    curve = kaplan_meier(risk_table([0.0, 0.0, 4.0, 5.0], [1, 0, 0, 0]))
    assert_array_equal(curve.survival, [0.75, 0.75, 0.75])


@pytest.mark.parametrize(
    ("time", "cause", "median"),
    [
        ([1.0, 2.0, 3.0, 4.0], [1, 1, 1, 1], 2.5),
        ([1.0, 2.0, 3.0, 4.0], [1, 1, 0, 0], 2.0),
        ([1.0, 2.0, 3.0], [1, 1, 1], 2.0),
        ([1.0, 2.0, 3.0], [0, 0, 1], 3.0),
        ([1.0, 2.0, 3.0], [1, 0, 0], np.nan),
        ([3.0], [0], np.nan),
        ([3.0, 3.0], [1, 1], 3.0),
        ([], [], np.nan),
    ],
    ids=[
        "level to the next",
        "level to the end",
        "crossed",
        "down to 0",
        "not reached",
        "none failed",
        "tied",
        "empty",
    ],
)
def test_median(time, cause, median):
    table = risk_table(time, cause)
    assert_array_equal(event_time_quantiles(table, kaplan_meier(table), 0.5).time, [median])


def test_b10_lies_between_its_limits():
    time = np.arange(1.0, 101.0)
    table = risk_table(time, np.ones(100))
    b10 = event_time_quantiles(table, kaplan_meier(table), 0.1)
    assert b10.time[0] == pytest.approx(10.5)
    assert b10.low[0] < b10.time[0] < b10.high[0]


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1])
def test_refuses_a_share_that_is_none(share):
    table = risk_table([1.0], [1])
    with pytest.raises(ValueError, match="share"):
        event_time_quantiles(table, kaplan_meier(table), share)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 40), st.booleans()), min_size=2, max_size=80).filter(
        lambda rows: any(failed for _, failed in rows)
    )
)
def test_agrees_with_lifelines(rows):
    """An independent implementation, with the same log(-log) limits (its `greenwood` exponential ones)."""
    from lifelines import KaplanMeierFitter

    time, failed = np.array(rows).T
    table = risk_table(time, failed)
    curve = kaplan_meier(table)
    fitter = KaplanMeierFitter().fit(time, failed)
    assert_allclose(curve.survival, fitter.survival_function_at_times(table.time), rtol=1e-9, atol=1e-12)
    limits = fitter.confidence_interval_.loc[table.time]
    inside = (curve.survival > 0) & (curve.survival < 1)
    assert_allclose(curve.low[inside], limits.iloc[:, 0][inside], rtol=1e-8)
    assert_allclose(curve.high[inside], limits.iloc[:, 1][inside], rtol=1e-8)


def test_standard_error_without_censoring_is_binomial():
    table = risk_table(np.arange(1.0, 11.0), np.ones(10))
    curve = kaplan_meier(table)
    assert_allclose(curve.standard_error[:-1], [sqrt(k / 10 * (1 - k / 10) / 10) for k in range(9, 0, -1)], rtol=1e-12)
