import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.clustering import vehicle_clusters
from models.statistics.risk_table import risk_table
from models.statistics.weibull import fit_weibull
from models.statistics.weibull_intervals import NO_MAXIMUM, fit_weibull_intervals

INF = np.inf


def test_clustered_covariance_of_exact_times_is_that_of_the_other_fit():
    random = np.random.default_rng(6)
    time, failed = 100 * random.weibull(1.5, 300), random.random(300) < 0.5
    vehicle, group = np.arange(300) // 4, np.arange(300) % 2
    fit = fit_weibull_intervals(time, np.where(failed, time, INF), group=group, cluster=vehicle)
    table = risk_table(time, failed, group=group)
    other = fit_weibull(table, clusters=vehicle_clusters(table, vehicle))
    for name in ("shape", "scale", "covariance", "log_likelihood"):
        assert_allclose(getattr(fit, name), getattr(other, name), rtol=1e-9, err_msg=name)


def test_recovers_the_life_behind_rare_looks():
    random = np.random.default_rng(7)
    time, between = 300 * random.weibull(2.0, 20_000), random.integers(30, 200, 20_000)
    left = np.floor(time / between) * between
    right = np.where(left + between > 500, INF, left + between)
    left = np.where(np.isinf(right), np.floor(500 / between) * between, left)
    fit = fit_weibull_intervals(left, right)
    errors = np.sqrt(np.diagonal(fit.covariance[0]))
    assert abs(np.log(fit.scale[0] / 300)) < 4 * errors[0] < 0.05
    assert abs(np.log(fit.shape[0] / 2)) < 4 * errors[1] < 0.1


def test_covariance_is_the_likelihoods_curvature():
    """Minus the inverse of the likelihood's second differences by (log scale, -log shape)."""
    left, right = np.array([0, 3, 5, 5, 8, 4.0, 2.0]), np.array([4, 6, 9, INF, INF, 4.0, 7.0])
    fit = fit_weibull_intervals(left, right)

    def log_likelihood(x):
        scale, shape = np.exp(x[0]), np.exp(-x[1])
        before, after = (left / scale) ** shape, (right / scale) ** shape
        exact = left == right
        density = np.log(shape / scale) + (shape - 1) * np.log(np.where(exact, left, 1) / scale) - before
        gap = np.where(exact, 1.0, np.exp(-before) - np.exp(-after))
        return np.where(exact, density, np.log(gap)).sum()

    best, h = np.array([np.log(fit.scale[0]), -np.log(fit.shape[0])]), 1e-4
    unit = h * np.eye(2)
    hessian = [
        [
            sum(i * j * log_likelihood(best + i * unit[a] + j * unit[b]) for i in (-1, 1) for j in (-1, 1)) / (4 * h**2)
            for b in (0, 1)
        ]
        for a in (0, 1)
    ]
    assert log_likelihood(best) == pytest.approx(fit.log_likelihood[0], rel=1e-12)
    assert_allclose(fit.covariance[0], -np.linalg.inv(hessian), rtol=1e-4)


@pytest.mark.parametrize("unit", [1e-6, 1e6])
def test_the_unit_of_time_does_not_matter(unit):
    left, right = np.array([0, 3, 5, 5, 4.0]), np.array([4, 6, 9, INF, 4.0])
    fit, scaled = fit_weibull_intervals(left, right), fit_weibull_intervals(left * unit, right * unit)
    assert_allclose(scaled.shape, fit.shape, rtol=1e-9)
    assert_allclose(scaled.scale, fit.scale * unit, rtol=1e-9)
    assert_allclose(scaled.log_likelihood, fit.log_likelihood - np.log(unit), rtol=1e-9)


@pytest.mark.parametrize(
    ("left", "right", "reason"),
    [
        ([], [], "no episodes"),
        ([3, 4], [INF, INF], "none failed"),
        ([0, 0], [0, 5], "a failure at time zero"),
        ([5, 5, 3], [5, 5, INF], "all failures at the longest time"),
        ([1, 2], [5, 6], NO_MAXIMUM),
        ([0, 0], [5, 5], NO_MAXIMUM),
        ([0, 5], [5, 6], NO_MAXIMUM),
        ([0, 0, 10], [5, 6, INF], NO_MAXIMUM),
        ([0, 10], [5, INF], NO_MAXIMUM),
    ],
)
def test_says_why_there_is_no_fit(left, right, reason):
    """Intervals that share a day let the life be that day; failures before all survivals let the hazard end there."""
    fit = fit_weibull_intervals(np.array(left, float), np.array(right, float), cluster=np.arange(len(left)))
    assert fit.reason == (reason,)
    assert np.isnan([fit.shape[0], fit.scale[0], fit.log_likelihood[0], fit.covariance[0, 0, 0]]).all()


def test_one_group_without_a_fit_leaves_the_others_alone():
    left, right = np.array([4, 5, 1, 2, 7.0]), np.array([INF, INF, 5, 6, INF])
    fit = fit_weibull_intervals(left, right, group=[0, 0, 2, 2, 2])
    assert fit.reason == ("none failed", "no episodes", "")
    assert_allclose(fit.shape[2], fit_weibull_intervals(left[2:], right[2:]).shape[0])


def test_refuses_what_is_no_interval():
    with pytest.raises(ValueError, match="left end"):
        fit_weibull_intervals([5.0], [4.0])
    with pytest.raises(ValueError, match="cluster"):
        fit_weibull_intervals([1.0, 2.0, 7.0], [5.0, 6.0, INF], cluster=[0])
