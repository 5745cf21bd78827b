"""Trends of engines watched only since a later age, and quantiles of Weibull lives: `Rscript repair_trends.R`.

R found the power law by `optim` and its derivatives numerically: good to about five digits.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.clustering import vehicle_clusters
from models.statistics.risk_table import risk_table
from models.statistics.trend import fit_power_law, histories, robust_laplace_test, robust_shape
from models.statistics.weibull import fit_weibull, weibull_quantile

R_DIGITS, OPTIM_DIGITS = 1e-8, 2e-5


@pytest.fixture(scope="module")
def expected(computed_by_r):
    return computed_by_r("repair_trends.json")


@pytest.fixture(scope="module")
def late_seats(published):
    data = published("data/valveseat_entry.csv").sort("id", "time")
    ends, events = data.filter(status=0), data.filter(status=1)
    engine = np.searchsorted(ends["id"], events["id"])
    return histories(events["time"], engine, ends["time"], begin=ends["entry"])


def test_power_law_of_valve_seats_watched_since_a_later_age(late_seats, expected):
    fit = fit_power_law(late_seats)
    assert_allclose(fit.shape.estimate, expected["shape"][0], rtol=OPTIM_DIGITS)
    assert_allclose(np.log(fit.rate), expected["log_rate"][0], rtol=OPTIM_DIGITS)
    assert_allclose(robust_shape(late_seats, fit).standard_error, expected["robust_error"][0], rtol=2e-4)


def test_laplace_by_the_spread_between_engines(late_seats, expected):
    robust = robust_laplace_test(late_seats)
    assert_allclose([robust.statistic, robust.p], [expected["robust_laplace"][0], expected["robust_p"][0]], rtol=1e-8)


def test_quantiles_of_a_weibull_life(published, expected):
    lung = published("data/lung.csv")
    table = risk_table(lung["time"], lung["status"] == 2)
    pairs = vehicle_clusters(table, np.arange(lung.height) // 2)
    for fit, error in (
        (fit_weibull(table), "lung_errors"),
        (fit_weibull(table, clusters=pairs), "lung_clustered_errors"),
    ):
        for share, place in ((0.1, 0), (0.5, 1)):
            found = weibull_quantile(fit, share)
            assert_allclose(np.log(found.estimate[0]), expected["lung_log_quantiles"][place], rtol=R_DIGITS)
            assert_allclose(found.standard_error[0] / found.estimate[0], expected[error][place], rtol=1e-6)
            assert found.low[0] < found.estimate[0] < found.high[0]
