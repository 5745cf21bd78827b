import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.mean_cumulative import mean_cumulative


def test_two_units_by_hand():
    """Both watched at ages 2 and 3, one of them only at 5: a half, a half and a whole repair per unit."""
    result = mean_cumulative([2.0, 3.0, 4.0, 5.0, 6.0], [1, 1, 0, 1, 0], [0, 1, 0, 1, 1])
    assert_array_equal(result.watched, [2, 2, 2, 1, 1])
    assert_allclose(result.mean, [0.5, 1.0, 1.0, 2.0, 2.0])
    assert_allclose(result.poisson_error**2, [0.25, 0.5, 0.5, 1.5, 1.5])


def test_units_watched_alike_have_the_variance_of_their_counts():
    """With one common end of watch the mean is the average count, and its variance that of an average."""
    counts = np.array([0, 1, 1, 4, 2])
    unit = np.concatenate([np.repeat(np.arange(5), counts), np.arange(5)])
    age = np.concatenate([np.linspace(1, 9, counts.sum()), np.full(5, 10.0)])
    result = mean_cumulative(age, np.arange(13) < counts.sum(), unit)
    assert result.mean[-1] == pytest.approx(counts.mean())
    assert result.robust_error[-1] == pytest.approx(np.sqrt(counts.var() / 5))


def test_groups_are_apart_and_may_have_no_events():
    result = mean_cumulative([2.0, 4.0, 3.0], [1, 0, 0], [0, 0, 1], group=[0, 0, 1])
    assert_array_equal(result.table.row_group, [0, 0, 1])
    assert_array_equal(result.mean, [1.0, 1.0, 0.0])


@pytest.mark.parametrize(
    ("age", "is_event", "unit", "words"),
    [
        ([2.0], [1], [0], "exactly one end"),
        ([2.0, 3.0], [0, 0], [0, 0], "exactly one end"),
        ([5.0, 3.0], [1, 0], [0, 0], "after its unit's end"),
        ([5.0, 3.0], [1, 0], [0], "unit code"),
        ([5.0, 6.0], [1, 0], [-1, -1], "unit code"),
    ],
)
def test_refuses_units_not_watched_in_one_piece(age, is_event, unit, words):
    with pytest.raises(ValueError, match=words):
        mean_cumulative(age, is_event, unit)
