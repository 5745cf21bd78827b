"""Variance of observed over expected against numeric derivatives by case weights, taken with plain weighted loops."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import root_scalar

from models.statistics.standardisation import pooled_model
from models.statistics.standardised_ratio import standardised_counts

STEP = 1e-5


@pytest.fixture(scope="module")
def repairs():
    """Thirty-six repairs with ties: time, cause, stratum, covariate, unit and vehicle, as one array each."""
    random = np.random.default_rng(11)
    time = np.ceil(random.exponential(8.0, 36))
    cause = random.choice([0, 1, 1, 2], 36)
    stratum, unit = random.integers(0, 2, 36), random.integers(0, 3, 36)
    return time, cause, stratum, random.normal(size=36), unit, random.integers(0, 12, 36)


def surplus(repairs, weight, *, ratio, has_covariate):
    """Observed less ratio times expected of unit 1, cases counted by weight, Breslow's ties."""
    time, cause, stratum, x, unit, _ = repairs
    failed = cause == 1

    def score(beta):
        total = 0.0
        for u, s in {(int(u), int(s)) for u, s in zip(unit, stratum, strict=True)}:
            own = (unit == u) & (stratum == s)
            for i in np.flatnonzero(own & failed):
                at_risk = own & (time >= time[i])
                risk = weight * np.exp(beta * x) * at_risk
                total += weight[i] * (x[i] - (risk @ x) / risk.sum())
        return total

    beta = root_scalar(score, bracket=(-5, 5), xtol=1e-14).root if has_covariate else 0.0
    risk = weight * np.exp(beta * x)
    hazard = np.zeros(len(time))
    for i in np.flatnonzero(failed):
        same = stratum == stratum[i]
        hazard[same & (time >= time[i])] += weight[i] / risk[same & (time >= time[i])].sum()
    own = unit == 1
    return weight[own] @ failed[own] - ratio * (risk * hazard)[own].sum()


@pytest.mark.parametrize("has_covariate", [True, False])
def test_variance_by_vehicle(repairs, has_covariate):
    time, cause, stratum, x, unit, vehicle = repairs
    failed = cause == 1
    covariates = x[:, None] if has_covariate else np.zeros((len(x), 0))
    model = pooled_model(time, cause, stratum=stratum, covariates=covariates, unit=unit)
    counts = standardised_counts(model, failed, unit, vehicle)
    assert_allclose(counts.observed.sum(), counts.expected.sum(), rtol=1e-12)
    assert_allclose(counts.expected[1], model.expected(time)[unit == 1].sum(), rtol=1e-12)
    ratio = counts.observed[1] / counts.expected[1]
    variance = 0.0
    for code in np.unique(vehicle):
        ends = [
            surplus(repairs, 1 + sign * STEP * (vehicle == code), ratio=ratio, has_covariate=has_covariate)
            for sign in (1, -1)
        ]
        variance += ((ends[0] - ends[1]) / (2 * STEP)) ** 2
    assert_allclose(counts.variance[1], variance, rtol=1e-6)


def test_a_unit_that_is_the_whole_fleet_is_its_own_expectation(repairs):
    time, cause, stratum, x, _, vehicle = repairs
    everyone = np.zeros(len(time), dtype=int)
    model = pooled_model(time, cause, stratum=stratum, covariates=x[:, None], unit=everyone)
    counts = standardised_counts(model, cause == 1, everyone, vehicle)
    assert_allclose(counts.variance, 0.0, atol=1e-18)


def test_vehicles_count_by_how_much_they_say(repairs):
    """Unit 0 has 3 repairs of one vehicle and 1 of another: 16 / 10; unit 1 two of one each."""
    time = np.arange(1.0, 7.0)
    unit, vehicle = np.array([0, 0, 0, 0, 1, 1]), np.array([0, 0, 0, 1, 0, 2])
    model = pooled_model(time, np.ones(6), stratum=unit * 0, covariates=np.zeros((6, 0)), unit=unit)
    assert_allclose(standardised_counts(model, np.ones(6), unit, vehicle).vehicles, [1.6, 2.0])
