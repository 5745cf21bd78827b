import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.mean_cumulative import mean_cumulative, mean_cumulative_limits


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


def test_a_unit_watched_later_by_hand():
    """The second unit is watched after 3 only: its engine counts for the repairs at 4 and 5, not for that at 2 or 3."""
    result = mean_cumulative(
        [2.0, 3.0, 5.0, 6.0, 4.0, 6.0], [1, 1, 1, 0, 1, 0], [0, 0, 0, 0, 1, 1], entry=[0.0, 0, 0, 0, 3, 3]
    )
    at_events = result.table.events > 0
    assert_array_equal(result.table.time[at_events], [2, 3, 4, 5])
    assert_array_equal(result.watched[at_events], [1, 1, 2, 2])
    assert_allclose(result.mean[at_events], [1.0, 2.0, 2.5, 3.0])


def test_entering_at_zero_is_being_watched_always():
    random = np.random.default_rng(3)
    age = np.concatenate([random.integers(1, 9, 20), np.full(5, 10)]).astype(float)
    unit, is_event = np.concatenate([random.integers(0, 5, 20), np.arange(5)]), np.arange(25) < 20
    always, since_zero = mean_cumulative(age, is_event, unit), mean_cumulative(age, is_event, unit, entry=np.zeros(25))
    assert since_zero.table.time[0] == 0
    assert_allclose(since_zero.mean[1:], always.mean)
    assert_allclose(since_zero.robust_error[1:], always.robust_error)


def test_ages_nobody_was_watched_at_add_nothing():
    result = mean_cumulative([2.0, 3.0, 8.0, 9.0], [1, 0, 1, 0], [0, 0, 1, 1], entry=[0, 0, 5, 5])
    assert_allclose(result.mean[-1], 2.0)
    assert np.isfinite(result.robust_error).all()


@pytest.mark.parametrize("entry", [[4.0, 4.0], [2.0, 2.0], [-1.0, -1.0], [1.0]])
def test_refuses_events_before_the_watch(entry):
    with pytest.raises(ValueError, match=r"watched since|nobody was watching"):
        mean_cumulative([2.0, 3.0], [1, 0], [0, 0], entry=entry)


def test_limits_reach_as_far_as_few_units_ask_for():
    """Four units, two of them with a repair: mean 0.5, robust error sqrt(4 (0.5 / 4)^2), t of 3 degrees 3.182."""
    found = mean_cumulative([1.0, 2.0, 3.0, 3.0, 3.0, 3.0], [1, 1, 0, 0, 0, 0], [0, 1, 0, 1, 2, 3])
    low, high = mean_cumulative_limits(found)
    factor = np.exp(3.18245 * np.sqrt(4 / 3) * 0.25 / 0.5)
    assert_allclose([low[-1], high[-1]], [0.5 / factor, 0.5 * factor], rtol=1e-5)
    none, at_once = mean_cumulative([3.0, 3.0], [0, 0], [0, 1]), mean_cumulative([1.0, 3.0], [1, 0], [0, 0])
    assert_allclose(mean_cumulative_limits(none), 0.0)
    assert np.isnan(mean_cumulative_limits(at_once)).all(), "of one unit nothing tells how units differ"
