"""Turnbull's estimate and the Weibull fit from intervals against R."""

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.turnbull import turnbull
from models.statistics.weibull_intervals import fit_weibull_intervals

R_DIGITS = 1e-8
NPSURV_DIGITS = 1e-7
"""npsurv stops where the slopes of the likelihood are level to 1e-8; ours are to 1e-14."""


@pytest.fixture(scope="module")
def cosmesis(published):
    """Intervals of one treatment group; Inf is parsed as missing."""
    data = published("data/breast_cosmesis.csv").with_columns(pl.col("R").cast(float, strict=False).fill_null(np.inf))
    return lambda group: data.filter(pl.col("group") == group)


def assert_fits(fit, expected):
    assert_allclose(fit.shape, expected["shape"], rtol=R_DIGITS)
    assert_allclose(fit.scale, expected["scale"], rtol=R_DIGITS)
    assert_allclose(fit.covariance[0], expected["vcov"], rtol=R_DIGITS)
    assert_allclose(fit.log_likelihood, expected["loglik"], rtol=1e-12)


@pytest.mark.parametrize("group", ["RCT", "RT"])
def test_masses_of_the_breast_cosmesis_data(cosmesis, computed_by_r, group):
    expected = computed_by_r("turnbull_cosmesis.json")[group]
    fit = turnbull(cosmesis(group)["L"], cosmesis(group)["R"])
    assert_array_equal(fit.left, expected["left"])
    assert_array_equal(fit.right, expected["right"])
    assert_allclose(fit.mass, expected["p"], rtol=NPSURV_DIGITS)


@pytest.mark.parametrize("group", ["RCT", "RT"])
def test_weibull_of_the_breast_cosmesis_data(cosmesis, computed_by_r, group):
    data = cosmesis(group)
    assert_fits(fit_weibull_intervals(data["L"], data["R"]), computed_by_r("weibull.json")[f"cosmesis_{group}"])


def test_weibull_of_cracks_found_at_inspections(published, computed_by_r):
    rows = published("data/cracks_months_interval.csv").with_columns(pl.col("lo", "hi").cast(float, strict=False))
    each = rows.select(pl.all().repeat_by("w").explode())
    fit = fit_weibull_intervals(each["lo"].fill_null(0.0), each["hi"].fill_null(np.inf))
    assert_fits(fit, computed_by_r("weibull.json")["cracks"])


def test_weibull_of_exact_and_right_censored_times(published, computed_by_r):
    data = published("data/lung.csv")
    time = data["time"].to_numpy()
    fit = fit_weibull_intervals(time, np.where(data["status"] == 2, time, np.inf))
    assert_fits(fit, computed_by_r("weibull.json")["lung"])
