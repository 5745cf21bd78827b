"""Kaplan-Meier, restricted mean, Aalen-Johansen and Weibull against R's survival package."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.aalen_johansen import aalen_johansen
from models.statistics.clustering import vehicle_clusters
from models.statistics.kaplan_meier import event_time_quantiles, kaplan_meier
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_table import COMPETING, EVENT, at_risk_at, risk_table, value_at
from models.statistics.weibull import fit_weibull

R_DIGITS = 1e-8
LUNG_TIMES = [50, 100, 200, 300, 365, 500, 700, 800, 1000]
MGUS_TIMES = [12, 24, 60, 120, 180, 240, 300, 360]


@pytest.fixture(scope="module")
def lung(published):
    data = published("data/lung.csv")
    return risk_table(data["time"], data["status"] - 1, group=data["sex"] - 1)


@pytest.fixture(scope="module")
def mgus(published):
    data = published("data/mgus2_cr.csv")
    return risk_table(data["etime"], data["event"], group=(data["sex"] == "M").cast(int))


@pytest.fixture(scope="module", params=["closed form", "each episode its own vehicle"])
def clustering(request):
    def choose(table):
        return None if request.param == "closed form" else vehicle_clusters(table, np.arange(len(table.order)))

    return choose


def test_kaplan_meier_with_log_log_limits(lung, clustering, computed_by_r):
    expected = computed_by_r("km_rmst_lung.json")["km"]
    curve = kaplan_meier(lung, clusters=clustering(lung))
    for name, values, initial in (
        ("surv", curve.survival, 1.0),
        ("se", curve.standard_error, 0.0),
        ("lo", curve.low, np.nan),
        ("hi", curve.high, np.nan),
    ):
        got = value_at(lung, values, LUNG_TIMES, initial=initial).ravel()
        assert_allclose(got, expected[name], rtol=R_DIGITS, err_msg=name)
    assert_array_equal(at_risk_at(lung, LUNG_TIMES).ravel(), expected["n.risk"])


@pytest.mark.parametrize(("tau", "first"), [(365, 0), (600, 2), (730, 4)])
def test_restricted_mean_and_its_standard_error(lung, clustering, computed_by_r, tau, first):
    expected = computed_by_r("km_rmst_lung.json")["rmst"]
    assert expected["tau"][first] == tau
    mean = restricted_mean(lung, tau, clusters=clustering(lung))
    assert_allclose(mean.estimate, expected["rmst"][first : first + 2], rtol=R_DIGITS)
    assert_allclose(mean.standard_error, expected["se"][first : first + 2], rtol=R_DIGITS)


def test_median_and_its_limits(lung, computed_by_r):
    expected = computed_by_r("km_rmst_lung.json")["rmst"]
    median = event_time_quantiles(lung, kaplan_meier(lung), 0.5)
    assert_array_equal(median.time, expected["median"][:2])
    assert_array_equal(median.low, expected["med_lo"][:2])
    assert_array_equal(median.high, expected["med_hi"][:2])


@pytest.mark.parametrize(
    ("vehicle", "share", "expected"),
    [
        (None, 0.1, ([15, 62], [59, 122], [88, 182])),
        (None, 0.5, ([210, 345], [270, 426], [306, 524])),
        (np.arange(228) // 4, 0.1, ([15, 62], [59, 122], [88, 182])),
        (np.arange(228) // 4, 0.5, ([212, 348], [270, 426], [306, 524])),
    ],
    ids=["B10", "median", "B10 by cluster", "median by cluster"],
)
def test_b10_and_median_with_limits(lung, vehicle, share, expected):
    """`quantile(survfit(Surv(time, status) ~ sex, lung, conf.type = "log-log"), c(.1, .5))`, R 4.2.2, survival 3.5-3.

    Clustered with `cluster = rep(1:57, each = 4)`.
    """
    clusters = None if vehicle is None else vehicle_clusters(lung, vehicle)
    quantiles = event_time_quantiles(lung, kaplan_meier(lung, clusters=clusters), share)
    assert_array_equal((quantiles.low, quantiles.time, quantiles.high), expected)


@pytest.mark.parametrize(("cause", "name"), [(EVENT, "pcm"), (COMPETING, "death")])
def test_cumulative_incidence_and_its_standard_error(mgus, clustering, computed_by_r, cause, name):
    expected = computed_by_r("aj_mgus2.json")["table"]
    curve = aalen_johansen(mgus, cause=cause, clusters=clustering(mgus))
    incidence = value_at(mgus, curve.incidence, MGUS_TIMES, initial=0.0).ravel()
    error = value_at(mgus, curve.standard_error, MGUS_TIMES, initial=0.0).ravel()
    assert_allclose(incidence, expected[f"cif_{name}"], rtol=R_DIGITS)
    assert_allclose(error, expected[f"se_{name}"], rtol=R_DIGITS)
    assert_allclose(error, expected[f"se_{name}_delta"], rtol=R_DIGITS)


def test_numbers_at_risk_with_competing_ends(mgus, computed_by_r):
    assert_array_equal(at_risk_at(mgus, MGUS_TIMES).ravel(), computed_by_r("aj_mgus2.json")["table"]["n.risk"])


@pytest.mark.parametrize(("name", "time", "censored"), [("lung", "time", 1), ("genfan", "hours", 0)])
def test_weibull_from_right_censored_times(published, computed_by_r, name, time, censored):
    data, expected = published(f"data/{name}.csv"), computed_by_r("weibull.json")[name]
    fit = fit_weibull(risk_table(data[time], data["status"] - censored))
    assert_allclose(fit.shape, expected["shape"], rtol=R_DIGITS)
    assert_allclose(fit.scale, expected["scale"], rtol=R_DIGITS)
    assert_allclose(fit.covariance[0], expected["vcov"], rtol=R_DIGITS)
    log_errors = np.sqrt(np.diagonal(fit.covariance[0]))
    assert_allclose(fit.scale * log_errors[0], expected["se_scale"], rtol=R_DIGITS)
    assert_allclose(fit.shape * log_errors[1], expected["se_shape"], rtol=R_DIGITS)
    assert_allclose(fit.log_likelihood, expected["loglik"], rtol=R_DIGITS)
