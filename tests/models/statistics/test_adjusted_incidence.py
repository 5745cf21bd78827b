import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics import adjusted_incidence as adjusted
from models.statistics.adjusted_incidence import adjusted_incidence, incidence_difference
from models.statistics.cox import fit_cox
from models.statistics.risk_sets import risk_sets
from models.statistics.risk_table import COMPETING, EVENT

EITHER_METHOD = [[1, np.nan], [0, np.nan]]
FAMILY_HAZARDS, OTHER_HAZARD = np.array([0.3, 0.6, 1.2]), 0.3


def draw_fleet(repairs, *, seed, alike=0.0):
    """Repairs of three families, four a vehicle: the second method halves the hazard and is used where leaks are rare.

    `alike` is the variance of a factor a vehicle's repairs share.
    """
    random = np.random.default_rng(seed)
    vehicle = np.arange(repairs) // 4
    frailty = random.gamma(1 / alike, alike, repairs)[vehicle] if alike else np.ones(repairs)
    family, skipped = random.integers(0, 3, repairs), random.integers(0, 2, repairs)
    method = random.random(repairs) < np.array([0.8, 0.5, 0.2])[family]
    hazard = frailty * FAMILY_HAZARDS[family] * np.where(method, 0.5, 1.0) * np.where(skipped, 1.5, 1.0)
    leak, other = random.exponential(1 / hazard), random.exponential(1 / OTHER_HAZARD, repairs)
    watched = random.uniform(0.2, 3.0, repairs)
    time = np.minimum(np.minimum(leak, other), watched)
    cause = np.select([time == leak, time == other], [EVENT, COMPETING], 0)
    return {
        "time": np.ceil(100 * time),
        "cause": cause,
        "covariates": np.column_stack([method, skipped]),
        "stratum": family,
        "vehicle": vehicle,
    }


def standardise(fleet, *, scenarios=EITHER_METHOD, horizon=100.0):
    fits = [
        fit_cox(risk_sets(fleet["time"], fleet["cause"] == cause, fleet["covariates"], stratum=fleet["stratum"]))
        for cause in (EVENT, COMPETING)
    ]
    return adjusted_incidence(*fits, scenarios, horizon=horizon, cluster=fleet["vehicle"])


def test_recovers_the_truth_where_the_crude_rates_mislead():
    """With constant hazards a and b the incidence by time 1 is a / (a + b) (1 - exp(-a - b))."""
    result = standardise(draw_fleet(40_000, seed=1))
    truth = []
    for factor in (0.5, 1.0):
        hazard = factor * np.multiply.outer(FAMILY_HAZARDS, [1.0, 1.5])
        both = hazard + OTHER_HAZARD
        truth.append(np.mean(hazard / both * -np.expm1(-both)))
    assert_allclose(result.incidence, truth, atol=4 * np.sqrt(result.covariance.diagonal()).max())
    assert np.sqrt(result.covariance.diagonal()).max() < 0.01
    difference = incidence_difference(result, 0, 1)
    assert difference.low < truth[0] - truth[1] < difference.high


def test_by_hand():
    """One stratum, no covariate: two of four leak, one ends otherwise; the hazards step by 1/4, 1/3 and 1/2."""
    fleet = {
        "time": np.array([1.0, 2.0, 3.0, 4.0]),
        "cause": np.array([EVENT, COMPETING, EVENT, 0]),
        "covariates": np.zeros((4, 2)),
        "stratum": np.zeros(4, dtype=int),
        "vehicle": np.arange(4),
    }
    result = standardise(fleet, scenarios=[[np.nan, np.nan]], horizon=3.5)
    first = 1 - np.exp(-1 / 4)
    second = np.exp(-1 / 4 - 1 / 3) * (1 - np.exp(-1 / 2))
    assert result.incidence[0] == pytest.approx(first + second, rel=1e-12)


def test_standard_error_is_that_of_leaving_out_one_vehicle_after_another():
    """The jackknife over 80 vehicles is wider than the infinitesimal one by a few parts in a hundred."""
    fleet = draw_fleet(320, seed=2, alike=1.0)
    result = standardise(fleet)
    left_out = np.array(
        [
            standardise({name: values[fleet["vehicle"] != vehicle] for name, values in fleet.items()}).incidence
            for vehicle in range(80)
        ]
    )
    jackknife = 79 / 80 * np.cov(left_out.T, bias=True) * 80
    assert_allclose(result.covariance.diagonal(), jackknife.diagonal(), rtol=0.12)
    error = incidence_difference(result, 0, 1).standard_error
    assert error == pytest.approx(np.sqrt(jackknife[0, 0] + jackknife[1, 1] - 2 * jackknife[0, 1]), rel=0.08)


def test_strata_not_watched_to_the_horizon_are_left_out_and_counted():
    fleet = draw_fleet(400, seed=3)
    fleet["time"] = np.where(fleet["stratum"] == 2, np.minimum(fleet["time"], 50.0), fleet["time"])
    result = standardise(fleet)
    assert result.covered == pytest.approx((fleet["stratum"] < 2).mean())
    nowhere = standardise(fleet, horizon=1e4)
    assert nowhere.reason == (adjusted.NOT_WATCHED,) * 2
    assert np.isnan(nowhere.incidence).all()
    assert np.isnan(incidence_difference(nowhere, 0, 1).low)


def test_a_method_without_a_ratio_has_no_incidence():
    fleet = draw_fleet(400, seed=4)
    fleet["cause"] = np.where(fleet["covariates"][:, 0] & (fleet["cause"] == EVENT), 0, fleet["cause"])
    result = standardise(fleet, scenarios=[[1, np.nan], [np.nan, 1]])
    assert result.reason == (adjusted.NO_RATIO, "")
    assert_allclose(np.isnan(result.incidence), [True, False])


@pytest.mark.parametrize("kept", [EVENT, COMPETING])
def test_one_kind_of_end_alone(kept):
    fleet = draw_fleet(400, seed=5)
    fleet["cause"] = np.where(fleet["cause"] == kept, kept, 0)
    result = standardise(fleet, scenarios=[[np.nan, np.nan]])
    assert (result.incidence[0] > 0) == (kept == EVENT)
    assert np.isfinite(result.covariance).all()


def test_nobody_at_all():
    fleet = {name: values[:0] for name, values in draw_fleet(4, seed=6).items()}
    assert standardise(fleet, scenarios=[[np.nan, np.nan]]).reason == (adjusted.NOT_WATCHED,)
