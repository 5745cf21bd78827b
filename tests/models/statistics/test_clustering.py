"""Variances by vehicle against numeric derivatives by case weights, taken with plain weighted loops."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.aalen_johansen import aalen_johansen, incidence_influences
from models.statistics.clustering import vehicle_clusters
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_table import EVENT, risk_table, value_at
from models.statistics.weibull import fit_weibull

STEP = 1e-5
TIMES = (2.0, 7.0, 13.0, 20.0)


def weighted_curves(time, cause, weight, at):
    """Dry share, incidence of re-leak and area under the dry share at a time, cases counted by weight."""
    dry, watched, leaked, area, before = 1.0, 1.0, 0.0, 0.0, 0.0
    for now in np.unique(time[time <= at]):
        n = weight[time >= now].sum()
        d1 = weight[(time == now) & (cause == EVENT)].sum()
        d = weight[(time == now) & (cause != 0)].sum()
        area += dry * (now - before)
        leaked += watched * d1 / n
        dry, watched, before = dry * (1 - d1 / n), watched * (1 - d / n), now
    return np.array([dry, leaked, area + dry * (at - before)])


def variance_by_weights(estimate, vehicle):
    """Sum over vehicles the squared derivative of an estimate by the vehicle's weight."""
    total = 0.0
    for code in np.unique(vehicle):
        change = STEP * (vehicle == code)
        total = total + ((estimate(1 + change) - estimate(1 - change)) / (2 * STEP)) ** 2
    return total


@pytest.mark.parametrize("at", TIMES)
def test_curves_and_restricted_mean(few_episodes, at):
    time, cause, group, vehicle = few_episodes
    table = risk_table(time, cause, group=group)
    clusters = vehicle_clusters(table, vehicle)
    errors = [
        value_at(table, kaplan_meier(table, clusters=clusters).standard_error, at, initial=0.0)[:, 0],
        value_at(table, aalen_johansen(table, clusters=clusters).standard_error, at, initial=0.0)[:, 0],
        restricted_mean(table, at, clusters=clusters).standard_error,
    ]
    for code in range(table.groups):
        own = group == code
        variance = variance_by_weights(lambda w, own=own: weighted_curves(time[own], cause[own], w, at), vehicle[own])
        assert_allclose([error[code] for error in errors], np.sqrt(variance), rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("at", TIMES)
def test_a_difference_between_groups_that_share_vehicles(few_episodes, at):
    time, cause, group, vehicle = few_episodes
    table = risk_table(time, cause, group=group)
    sign = np.array([1.0, -1.0, 0.0])[group[table.order]]
    influence = np.bincount(vehicle[table.order], weights=sign * incidence_influences(table, at)[:, 0])
    variance = variance_by_weights(
        lambda w: np.subtract(*(weighted_curves(time[o], cause[o], w[o], at)[1] for o in (group == 0, group == 1))),
        vehicle,
    )
    assert_allclose(np.sum(influence**2), variance, rtol=1e-5, atol=1e-12)


def test_weibull(few_episodes):
    """Weighted maximum likelihood by a general optimiser, differentiated numerically."""
    from scipy.optimize import root

    time, cause, group, vehicle = few_episodes
    time = np.maximum(time, 0.5)
    fit = fit_weibull(table := risk_table(time, cause, group=group), clusters=vehicle_clusters(table, vehicle))
    for code in range(table.groups):
        x, failed, own = np.log(time[group == code]), cause[group == code] == EVENT, vehicle[group == code]

        def maximum(weight, x=x, failed=failed):
            def score(log_parameters):
                log_scale, log_spread = log_parameters
                z = (x - log_scale) / np.exp(log_spread)
                surplus = np.exp(z) - failed
                return [(weight * surplus).sum(), (weight * (z * surplus - failed)).sum()]

            return root(score, [np.log(10.0), 0.0], tol=1e-13).x

        top = maximum(np.ones(len(x)))
        assert_allclose([np.log(fit.scale[code]), -np.log(fit.shape[code])], top, rtol=1e-8, atol=1e-9)
        variance = variance_by_weights(maximum, own)
        assert_allclose(np.diag(fit.covariance[code]), variance, rtol=1e-4)


def test_every_episode_twice_in_one_vehicle_has_the_variance_of_once():
    """Copies carry no news: clustered, the doubled data give the error of the single ones; plain, half the variance."""
    time, cause = np.array([1.0, 2.0, 2.0, 3.0, 5.0, 8.0]), np.array([1, 0, 1, 2, 1, 0])
    once = risk_table(time, cause)
    twice = risk_table(np.tile(time, 2), np.tile(cause, 2))
    clusters = vehicle_clusters(twice, np.tile(np.arange(6), 2))
    assert_allclose(
        aalen_johansen(twice, clusters=clusters).standard_error, aalen_johansen(once).standard_error, rtol=1e-12
    )
    assert_allclose(kaplan_meier(twice, clusters=clusters).low, kaplan_meier(once).low, rtol=1e-12)
    assert_allclose(
        restricted_mean(twice, 6.0, clusters=clusters).standard_error,
        restricted_mean(once, 6.0).standard_error,
        rtol=1e-12,
    )


def test_a_vehicle_of_many_episodes():
    """More than two doublings of the running totals."""
    time, cause = np.arange(1.0, 41.0), np.tile([1, 0], 20)
    table = risk_table(time, cause)
    vehicle = np.repeat([0, 1], [37, 3])
    error = kaplan_meier(table, clusters=vehicle_clusters(table, vehicle)).standard_error
    variance = variance_by_weights(lambda w: weighted_curves(time, cause, w, 25.0)[0], vehicle)
    assert_allclose(value_at(table, error, 25.0, initial=0.0), [[np.sqrt(variance)]], rtol=1e-6)


@pytest.mark.parametrize(("vehicle", "words"), [([0], "1 vehicles for 2"), ([0, -1], "zero or more")])
def test_refuses_vehicles_that_do_not_fit(vehicle, words):
    with pytest.raises(ValueError, match=words):
        vehicle_clusters(risk_table([1.0, 2.0], [1, 0]), vehicle)
