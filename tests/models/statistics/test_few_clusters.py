import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.clustering import vehicle_clusters
from models.statistics.few_clusters import clustered_p_values, clustered_reach, effective_clusters, effective_number
from models.statistics.risk_table import risk_table


def test_equal_vehicles_count_in_full_and_unequal_ones_less():
    """Sizes 2, 2, 2; 4, 1, 1; 5; and an empty group: (sum of sizes)^2 / sum of squares."""
    sizes = {0: [2, 2, 2], 1: [4, 1, 1], 2: [5]}
    group = np.concatenate([np.full(sum(of), code) for code, of in sizes.items()])
    vehicle = np.repeat(np.arange(7), [size for of in sizes.values() for size in of])
    table = risk_table(np.arange(1.0, len(group) + 1), np.zeros(len(group)), group=group, groups=4)
    effective = effective_clusters(vehicle_clusters(table, vehicle), 4)
    assert_allclose(effective, [3.0, 36 / 18, 1.0, 0.0], rtol=1e-15)
    assert_allclose(effective_number(vehicle, group=group, groups=4), effective, rtol=1e-15)


def test_reach_by_the_table_of_student_s_t():
    """t of 9 and 30 degrees of freedom at 0.975: 2.262 and 2.042 (any table, such as Fisher & Yates's)."""
    reach = clustered_reach(np.array([10.0, 31.0, 1e9, 1.9, 0.0]), confidence=0.95)
    assert_allclose(reach[:2], [2.262 * np.sqrt(10 / 9), 2.042 * np.sqrt(31 / 30)], rtol=3e-4)
    assert reach[2] == pytest.approx(1.959964, abs=1e-6)
    assert np.isnan(reach[3:]).all()


def test_a_level_that_is_none():
    with pytest.raises(ValueError, match="confidence"):
        clustered_reach(np.array([5.0]), confidence=1.0)


def test_the_p_value_is_what_the_limits_leave_out():
    effective = np.array([2.0, 7.5, 300.0, 1.5])
    reach = clustered_reach(effective, confidence=0.9)
    assert_allclose(clustered_p_values(-reach, effective), [0.1, 0.1, 0.1, np.nan], rtol=1e-9)
    assert_allclose(clustered_p_values([1.959964], np.array([1e9])), 0.05, rtol=1e-5)
