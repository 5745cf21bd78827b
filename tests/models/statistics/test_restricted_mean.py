import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_table import risk_table


def test_area_by_hand():
    """Dry shares 1, 4/5, 8/15, 4/15 over 1, 2, 1 and 1 days."""
    table = risk_table([1.0, 2.0, 3.0, 4.0, 5.0], [1, 0, 1, 1, 0])
    assert_allclose(restricted_mean(table, 5.0).estimate, [1 + 8 / 5 + 8 / 15 + 4 / 15], rtol=1e-15)


def test_without_censoring_it_is_the_mean_of_the_capped_times():
    time = np.array([3.0, 8.0, 1.0, 12.0, 8.0, 5.0])
    mean = restricted_mean(risk_table(time, np.ones(6)), 10.0)
    capped = np.minimum(time, 10.0)
    assert_allclose(mean.estimate, [capped.mean()], rtol=1e-15)
    assert_allclose(mean.standard_error, [capped.std() / np.sqrt(6)], rtol=1e-12)
    assert 0 < mean.low[0] < mean.estimate[0] < mean.high[0] < 10


def test_a_horizon_a_group():
    table = risk_table([2.0, 4.0, 2.0, 4.0], [1, 1, 1, 1], group=[0, 0, 1, 1])
    assert_array_equal(restricted_mean(table, [3.0, 4.0]).estimate, [2.5, 3.0])


def test_none_failed_or_none_there():
    table = risk_table([2.0, 9.0], [0, 0], groups=2)
    mean = restricted_mean(table, 5.0)
    assert_array_equal(mean.estimate, [5.0, 5.0])
    assert_array_equal(mean.standard_error, [0.0, 0.0])
    assert np.isnan([mean.low, mean.high]).all()


def test_refuses_a_horizon_of_nothing():
    with pytest.raises(ValueError, match="horizon"):
        restricted_mean(risk_table([1.0], [1]), 0.0)
