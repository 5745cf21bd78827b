import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.risk_table import risk_table
from models.statistics.turnbull import NO_EPISODES, bootstrap_survival, survival_bounds, turnbull

intervals = st.lists(
    st.tuples(st.integers(0, 12), st.one_of(st.integers(0, 6), st.just(None))), min_size=1, max_size=25
).map(lambda pairs: np.array([(left, np.inf if width is None else left + width) for left, width in pairs], float))


def contains(fit, ends):
    """Whether each observation can have happened in each interval with mass (n, intervals)."""
    inside = (fit.left >= ends[:, :1]) & (fit.right <= ends[:, 1:])
    return inside & ((fit.left > ends[:, :1]) | (fit.left < fit.right) | (ends[:, :1] == ends[:, 1:]))


@settings(deadline=None, max_examples=60)
@given(intervals)
def test_no_interval_anywhere_would_raise_the_likelihood(ends):
    """The Karush-Kuhn-Tucker conditions, over every half-unit interval and every exact time and not our candidates."""
    fit = turnbull(*ends.T)
    assert fit.reason == ""
    assert np.linalg.matrix_rank(contains(fit, ends)) == len(fit.mass)
    assert fit.mass.sum() == pytest.approx(1.0)
    probability = contains(fit, ends) @ fit.mass
    assert fit.log_likelihood == pytest.approx(np.log(probability).sum())
    for at in np.arange(0, 19, 0.5):
        possible = ((ends[:, 0] < at) & (at <= ends[:, 1])) | ((ends[:, 0] == at) & (ends[:, 1] == at))
        assert (possible / probability).sum() <= len(ends) * (1 + 1e-9)


@settings(deadline=None, max_examples=25)
@given(intervals, st.integers(0, 2**32 - 1))
def test_order_does_not_matter_and_weights_count(ends, seed):
    fit = turnbull(*ends.T)
    shuffled = np.random.default_rng(seed).permutation(np.concatenate([ends, ends]))
    twice = turnbull(*ends.T, weight=np.full(len(ends), 2.0))
    assert turnbull(*shuffled.T).log_likelihood == pytest.approx(2 * fit.log_likelihood, rel=1e-9, abs=1e-9)
    assert twice.log_likelihood == pytest.approx(2 * fit.log_likelihood, rel=1e-9, abs=1e-9)


def test_exact_and_right_censored_times_give_kaplan_meier():
    random = np.random.default_rng(2)
    time, failed = random.integers(1, 30, 60).astype(float), random.random(60) < 0.6
    table = risk_table(time, failed)
    low, high = survival_bounds(turnbull(time, np.where(failed, time, np.inf)), table.time)
    assert_allclose(low[table.events > 0], kaplan_meier(table).survival[table.events > 0], atol=1e-9)
    assert_allclose(low[:-1], high[:-1], atol=1e-9)


def test_two_looks_by_hand():
    """Of three, two failed between 0 and 10 and one not by 10: 2/3 lie in (0, 10] and nobody knows where."""
    fit = turnbull([0, 0, 10], [10, 10, np.inf])
    assert_allclose(fit.mass, [2 / 3, 1 / 3])
    low, high = survival_bounds(fit, [0.0, 5.0, 10.0, 50.0])
    assert_allclose(low, [1.0, 1 / 3, 1 / 3, 0.0], atol=1e-12)
    assert_allclose(high, [1.0, 1.0, 1 / 3, 1 / 3], atol=1e-12)


@pytest.mark.parametrize(
    ("left", "right", "mass"),
    [
        ([4.0, 5.0], [np.inf, np.inf], [1.0]),
        ([5.0], [5.0], [1.0]),
        ([0.0, 0.0], [0.0, 0.0], [1.0]),
        ([3.0], [9.0], [1.0]),
    ],
)
def test_few_or_alike(left, right, mass):
    fit = turnbull(left, right)
    assert_allclose(fit.mass, mass)
    assert fit.reason == ""


def test_nobody():
    fit = turnbull([], [])
    assert fit.reason == NO_EPISODES
    assert np.isnan(survival_bounds(fit, [1.0])).all()
    assert np.isnan(bootstrap_survival([], [], [1.0], cluster=[], seed=1).low).all()


@pytest.mark.parametrize(("left", "right"), [([1.0], [0.5]), ([-1.0], [2.0]), ([np.nan], [2.0]), ([1.0, 2.0], [3.0])])
def test_refuses_what_is_no_interval(left, right):
    with pytest.raises(ValueError, match=r"left|entries"):
        turnbull(left, right)


def test_bootstrap_limits_are_as_wide_as_looks_a_day_apart_leave_them():
    """With looks dense against the life the limits are near Kaplan-Meier's own."""
    random = np.random.default_rng(4)
    time = random.weibull(1.5, 100) * 100
    ends = np.floor(time), np.floor(time) + 1
    limits = bootstrap_survival(*ends, [50.0, 80.0], cluster=np.arange(100), seed=1, draws=50)
    table = risk_table(np.ceil(time), np.ones(100))
    rows = np.searchsorted(table.time, [50.0, 80.0], side="right") - 1
    curve = kaplan_meier(table)
    assert_allclose(limits.estimate, curve.survival[rows], atol=1e-6)
    assert_allclose(limits.standard_error, curve.standard_error[rows], rtol=0.35)
    assert_array_equal(limits.low < limits.estimate, True)
