"""Poisson limits, funnel, shrinkage and false-discovery control against published and R-computed values."""

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.clustering import vehicle_clusters
from models.statistics.effective_count import count_variance
from models.statistics.funnel import funnel_limits
from models.statistics.multiplicity import benjamini_hochberg
from models.statistics.poisson import garwood_limits, poisson_ratio
from models.statistics.risk_table import risk_table
from models.statistics.shrinkage import shrink_ratios, shrink_with_prior

R_DIGITS = 1e-8
OPTIM_DIGITS = 1e-5


@pytest.mark.parametrize(("confidence", "suffix"), [(0.95, "95"), (0.998, "998")])
def test_garwood_limits(published, confidence, suffix):
    expected = published("expected/poisson_limits.csv")
    low, high = garwood_limits(expected["x"], confidence=confidence)
    assert_allclose(low, expected[f"exact_lo{suffix}"], rtol=R_DIGITS)
    assert_allclose(high, expected[f"exact_hi{suffix}"], rtol=R_DIGITS)


def test_observed_over_expected_with_exact_limits():
    """15 observed, 10 expected: chi-squared quantiles of 30 and 32 degrees of freedom, printed to four digits."""
    ratio = poisson_ratio(15, 10.0)
    assert_allclose([ratio.estimate, ratio.low, ratio.high], [1.50, 0.8395, 2.4740], atol=5e-5)


def test_mean_time_between_failures_with_exact_limits():
    """2 failures in 1,600 hours, 90% limits, printed to one digit."""
    rate = poisson_ratio(2, 1600.0, confidence=0.9)
    assert_allclose([1 / rate.high, 1 / rate.low], [254.1, 4502.5], atol=0.05)


@pytest.mark.parametrize(("confidence", "tail"), [(0.95, "0.025"), (0.998, "0.001")])
def test_funnel_limits(published, confidence, tail):
    expected = published("expected/funnel_limits.csv")
    low, high = funnel_limits(expected["E"], confidence=confidence)
    assert_allclose(low, np.maximum(expected[f"sp_{tail}"], 0.0), rtol=R_DIGITS)
    assert_allclose(high, expected[f"sp_{1 - float(tail):.3f}"], rtol=R_DIGITS)


def test_pump_rates_shrunk_by_marginal_likelihood(published, computed_by_r):
    pumps, expected = published("data/pumps.csv"), computed_by_r("eb_pumps.json")["r"]
    shrunk = shrink_ratios(pumps["x"], pumps["t"])
    assert shrunk.reason == ""
    assert shrunk.log_likelihood >= expected["loglik"] - 1e-12
    assert_allclose([shrunk.prior_shape, shrunk.prior_rate], [expected["alpha"], expected["beta"]], rtol=OPTIM_DIGITS)
    assert_allclose(shrunk.ratio, expected["eb_ml"], rtol=OPTIM_DIGITS)


def test_pump_rates_shrunk_by_the_prior_r_found(published, computed_by_r):
    pumps, expected = published("data/pumps.csv"), computed_by_r("eb_pumps.json")["r"]
    shrunk = shrink_with_prior(pumps["x"], pumps["t"], expected["alpha"], expected["beta"])
    assert_allclose(shrunk.ratio, expected["eb_ml"], rtol=R_DIGITS)
    assert_allclose(shrunk.low, expected["lo"], rtol=R_DIGITS)
    assert_allclose(shrunk.high, expected["hi"], rtol=R_DIGITS)
    assert_allclose(shrunk.log_likelihood, expected["loglik"], rtol=R_DIGITS)


def test_false_discovery_control():
    """Fifteen comparisons of Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995) 289, section 4: four stand at 5%."""
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1,
    ]
    q = benjamini_hochberg(p)
    assert (q <= 0.05).sum() == 4
    assert_allclose(q[:5], [0.0015, 0.0030, 0.0095, 0.0356, 0.0603], atol=5e-5)
    assert_array_equal(q[-1], 1.0)


def test_variance_of_a_count_by_litter(published):
    """R: sqrt(survreg(Surv(time, status) ~ 1, rats, dist = "exponential", cluster = litter)$var), 42 events."""
    rats = published("data/rats.csv")
    table = risk_table(rats["time"], rats["status"])
    variance = count_variance(table, vehicle_clusters(table, rats["litter"]))
    assert_allclose(np.sqrt(variance) / 42, 0.176566553135047, rtol=R_DIGITS)


def test_variance_of_a_count_by_patient(published):
    """R: the same of bladder2, Surv(stop - start, event), cluster = id, for either treatment; 72 and 40 events."""
    bladder = published("data/bladder2.csv").filter(pl.col("stop") > pl.col("start"))
    group = bladder["rx"].to_numpy() - 1
    table = risk_table(bladder["stop"] - bladder["start"], bladder["event"], group=group)
    variance = count_variance(table, vehicle_clusters(table, bladder["id"]))
    assert_allclose(np.sqrt(variance) / [72, 40], [0.16488953576559, 0.236537667667637], rtol=R_DIGITS)
