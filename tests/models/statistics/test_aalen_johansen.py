import numpy as np
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import binomtest

from models.statistics.aalen_johansen import aalen_johansen, incidence_at
from models.statistics.clustering import vehicle_clusters
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.risk_table import COMPETING, EVENT, risk_table


def test_four_episodes_by_hand():
    """1/4 leaks at once; 1/4 ends otherwise; of the half that is left one of two leaks."""
    curve = aalen_johansen(risk_table([1.0, 2.0, 3.0, 4.0], [1, 2, 1, 0]))
    assert_allclose(curve.incidence, [1 / 4, 1 / 4, 1 / 2, 1 / 2], rtol=1e-15)


def test_without_censoring_it_is_the_share_seen():
    cause = np.array([1, 2, 1, 1, 2, 2, 1, 2])
    curve = aalen_johansen(risk_table(np.arange(1.0, 9.0), cause))
    share = np.cumsum(cause == EVENT) / 8
    assert_allclose(curve.incidence, share, rtol=1e-14)
    assert_allclose(curve.standard_error, np.sqrt(share * (1 - share) / 8), rtol=1e-12)


def test_without_competing_ends_it_is_one_minus_kaplan_meier():
    table = risk_table([1.0, 2.0, 2.0, 3.0, 5.0, 6.0], [1, 0, 1, 1, 0, 1])
    curve, survival = aalen_johansen(table), kaplan_meier(table)
    assert_allclose(curve.incidence, 1 - survival.survival, rtol=1e-14)
    assert_allclose(curve.standard_error[:-1], survival.standard_error[:-1], rtol=1e-12)


def test_product_of_transition_matrices(few_episodes):
    """Aalen and Johansen's own form: states dry, leaked, ended otherwise; one matrix for each distinct time."""
    time, cause, group, _ = few_episodes
    table = risk_table(time, cause, group=group)
    curves = {code: aalen_johansen(table, cause=code).incidence for code in (EVENT, COMPETING)}
    for code in range(table.groups):
        own_time, own_cause = time[group == code], cause[group == code]
        occupied = np.array([1.0, 0.0, 0.0])
        for row, now in zip(range(table.start[code], table.start[code + 1]), np.unique(own_time), strict=True):
            watched = (own_time >= now).sum()
            step = np.eye(3)
            for kind in (EVENT, COMPETING):
                step[0, kind] = ((own_time == now) & (own_cause == kind)).sum() / watched
            step[0, 0] -= step[0, 1:].sum()
            occupied = occupied @ step
            assert_allclose([curves[EVENT][row], curves[COMPETING][row]], occupied[1:], rtol=1e-12, atol=1e-15)


def test_limits_enclose_the_incidence_where_there_is_one(few_episodes):
    time, cause, group, vehicle = few_episodes
    table = risk_table(time, cause, group=group)
    curve = aalen_johansen(table, clusters=vehicle_clusters(table, vehicle))
    known = curve.incidence > 0
    assert known.any()
    assert (curve.low[known] < curve.incidence[known]).all()
    assert (curve.high[known] > curve.incidence[known]).all()
    assert np.isnan(curve.low[~known]).all()


def test_nothing_of_that_kind():
    curve = aalen_johansen(risk_table([1.0, 2.0], [2, 0]))
    assert_array_equal(curve.incidence, [0.0, 0.0])
    assert_array_equal(curve.standard_error, [0.0, 0.0])


def test_all_that_leaked_come_to_exactly_one():
    """Twenty times a twentieth falls short of 1 in binary."""
    assert aalen_johansen(risk_table(np.arange(1.0, 21.0), np.ones(20))).incidence[-1] == 1.0


def test_the_limits_of_all_are_exact():
    """Three of three: Clopper and Pearson's lower limit is 0.025^(1/3) = 0.2924; scipy says the same."""
    table = risk_table([1.0, 2.0, 3.0], [1, 1, 1])
    share = incidence_at(table, [2.0, 9.0], clusters=vehicle_clusters(table, [0, 1, 2]))
    exact = binomtest(3, 3).proportion_ci(0.95, method="exact")
    assert_allclose([share.low[0, 1], share.high[0, 1]], [exact.low, exact.high], rtol=1e-12)
    assert_allclose(share.low[0, 1], 0.2924, atol=5e-5)
    assert 0 < share.low[0, 0] < share.estimate[0, 0] < share.high[0, 0] < 1
