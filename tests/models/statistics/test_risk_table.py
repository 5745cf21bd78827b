import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from models.statistics.aalen_johansen import aalen_johansen
from models.statistics.clustering import vehicle_clusters
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_table import at_risk_at, count_up_to, known_until, last_time, risk_table, value_at
from models.statistics.weibull import fit_weibull

EPISODES = st.lists(
    st.tuples(st.integers(0, 20), st.sampled_from([0, 1, 2]), st.integers(0, 4), st.integers(0, 6)), max_size=60
)


def test_counts_at_each_distinct_time():
    table = risk_table([5.0, 2.0, 5.0, 2.0, 7.0], [1, 0, 2, 1, 0])
    assert_array_equal(table.time, [2, 5, 7])
    assert_array_equal(table.at_risk, [5, 3, 1])
    assert_array_equal(table.events, [1, 1, 0])
    assert_array_equal(table.competing, [0, 1, 0])
    assert_array_equal(table.exits, [2, 2, 1])
    assert_array_equal(table.sizes, [5])


def test_reading_at_times():
    table = risk_table([5.0, 2.0, 5.0, 2.0, 7.0, 3.0], [1, 0, 2, 1, 0, 1], group=[0, 0, 0, 0, 0, 2], groups=4)
    assert_array_equal(at_risk_at(table, [0, 2, 2.5, 7, 8]), [[5, 5, 3, 1, 0], [0] * 5, [1, 1, 1, 0, 0], [0] * 5])
    assert_array_equal(count_up_to(table, table.events, [1, 2, 9]), [[0, 1, 2], [0, 0, 0], [0, 0, 1], [0, 0, 0]])
    assert_array_equal(value_at(table, table.time, [1, 6], initial=-1.0), [[-1, 5], [-1, -1], [-1, 3], [-1, -1]])
    assert_array_equal(last_time(table), [7, 0, 3, 0])


@pytest.mark.parametrize(
    ("time", "cause", "group", "words"),
    [
        ([1.0, -1.0], [1, 0], [0, 0], "time"),
        ([1.0, np.nan], [1, 0], [0, 0], "time"),
        ([1.0, np.inf], [1, 0], [0, 0], "time"),
        ([1.0, 2.0], [1, 3], [0, 0], "cause"),
        ([1.0, 2.0], [1, 0], [0, 2], "group"),
        ([1.0, 2.0], [1, 0], [0, -1], "group"),
        ([1.0, 2.0], [1], [0, 0], "entries"),
    ],
)
def test_refuses_what_no_estimator_can_take(time, cause, group, words):
    with pytest.raises(ValueError, match=words):
        risk_table(time, cause, group=group, groups=2)


def figures(table, vehicle):
    clusters = vehicle_clusters(table, vehicle)
    survival, incidence = kaplan_meier(table, clusters=clusters), aalen_johansen(table, clusters=clusters)
    by_row = [survival.survival, survival.standard_error, survival.low, incidence.incidence, incidence.standard_error]
    mean, fit = restricted_mean(table, 15.0, clusters=clusters), fit_weibull(table, clusters=clusters, shortest=0.5)
    by_group = [mean.estimate, mean.standard_error, fit.shape, fit.scale, fit.covariance[:, 0, 1], fit.log_likelihood]
    return by_row, by_group


@settings(deadline=None)
@given(EPISODES)
def test_a_group_is_computed_as_if_it_stood_alone(episodes):
    """To the last bit, whatever other groups are computed with it, and some of them empty."""
    columns = np.array(episodes, dtype=np.int64).reshape(-1, 4)
    time, cause, group, vehicle = columns.T
    table = risk_table(time, cause, group=group, groups=6)
    by_row, by_group = figures(table, vehicle)
    for code in range(6):
        own = group == code
        alone_by_row, alone_by_group = figures(risk_table(time[own], cause[own]), vehicle[own])
        rows = slice(table.start[code], table.start[code + 1])
        for together, alone in zip(by_row, alone_by_row, strict=True):
            assert_array_equal(together[rows], alone)
        for together, alone in zip(by_group, alone_by_group, strict=True):
            assert_array_equal(together[code], alone[0])


def test_a_group_that_nobody_outlived_is_known_for_ever():
    table = risk_table([1.0, 2.0, 2.0, 1.0, 3.0], [1, 1, 2, 1, 0], group=[0, 0, 0, 2, 2])
    assert known_until(table, table.events + table.competing).tolist() == [np.inf, 0.0, 3.0]
    assert known_until(table, table.events).tolist() == [2.0, 0.0, 3.0]
