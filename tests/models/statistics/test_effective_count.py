import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.clustering import vehicle_clusters
from models.statistics.effective_count import count_variance, dispersion, effective_p_value, effective_ratio
from models.statistics.intervals import normal_quantile
from models.statistics.poisson import garwood_limits, poisson_p_value
from models.statistics.risk_table import risk_table


def test_without_scatter_of_its_own_it_is_the_exact_limits_and_p_value():
    count, expected = np.array([0.0, 1.0, 7.0, 40.0]), np.array([3.0, 2.0, 3.5, 41.0])
    ratio = effective_ratio(count, expected, np.ones(4))
    low, high = garwood_limits(count)
    assert_allclose([ratio.low, ratio.high], [low / expected, high / expected], rtol=1e-14)
    assert_allclose(effective_p_value(count, expected, np.ones(4)), poisson_p_value(count, expected), rtol=1e-10)


def test_limits_of_an_effective_count():
    """R: phi * qgamma(0.025, y / phi), phi * qgamma(0.975, y / phi + 1)."""
    ratio = effective_ratio([10.0, 3.0], [1.0, 1.0], [2.5, 1.7])
    assert_allclose(ratio.low, [2.72466343407, 0.294818233438], rtol=1e-11)
    assert_allclose(ratio.high, [25.6039716885, 11.641676918], rtol=1e-11)


@pytest.mark.parametrize("scatter", [0.6, 1.0, 3.0])
def test_the_p_value_and_the_limits_agree_on_what_luck_explains(scatter):
    count = np.array([0.0, 2.0, 12.0, 30.0])
    limits = effective_ratio(count, np.ones(4), np.full(4, scatter))
    for edge in (limits.low[1:], limits.high[1:]):
        assert_allclose(effective_p_value(count[1:], edge, np.full(3, scatter)), 0.05, rtol=1e-9)


def test_what_cannot_be_told():
    reach = np.array([normal_quantile(0.95)] * 3 + [np.nan])
    scatter = dispersion([0.0, 4.0, 4.0, 4.0], [0.0, 0.0, 12.0, 12.0], reach=reach, confidence=0.95)
    assert_allclose(scatter, [1.0, 1.0, 3.0, np.nan])
    assert np.isnan(effective_ratio([4.0], [2.0], [np.nan]).low).all()
    assert np.isnan(effective_ratio([4.0], [0.0], [1.0]).estimate).all()


def test_variance_by_vehicle_by_hand():
    """Six repairs, three vehicles, three re-leaks in 30 days: a rate of 0.1; surplus 2 - 1, 1 - 1.2, 0 - 0.8."""
    time, cause = [4.0, 6.0, 2.0, 10.0, 3.0, 5.0], [1, 1, 1, 0, 0, 2]
    table = risk_table(time, cause)
    variance = count_variance(table, vehicle_clusters(table, [0, 0, 1, 1, 2, 2]))
    assert_allclose(variance, [1.0 + 0.04 + 0.64], rtol=1e-14)
