"""Trend tests and the power law: NIST/SEMATECH e-Handbook sections 8.2.2.3, 8.2.3.4 and 8.4.5.1, and R.

The p values and fits were computed in R from the published ages; the e-Handbook prints the statistics to two or three
digits.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.trend import fit_power_law, histories, laplace_test, mil_hdbk_189_test, time_between_events

R_DIGITS = 1e-8


@pytest.fixture(scope="module")
def expected(computed_by_r):
    return computed_by_r("trend_nhpp.json")


def one_engine(values, *, ended_by_event=False):
    ages = np.array(values["data"], float)
    return histories(ages, np.zeros(len(ages), int), [values["T"]], ended_by_event=[ended_by_event])


@pytest.fixture(scope="module")
def valve_seats(published):
    data = published("data/valveseat.csv")
    number = np.unique(data["id"], return_inverse=True)[1]
    is_event = data["status"].to_numpy() == 1
    end = np.zeros(number.max() + 1)
    end[number[~is_event]] = data["time"].to_numpy()[~is_event]
    return histories(data["time"].to_numpy()[is_event], number[is_event], end)


def assert_trend(data, expected):
    mil, laplace = mil_hdbk_189_test(data), laplace_test(data)
    assert_allclose(mil.statistic, expected["mil_hdbk_chi2"], rtol=R_DIGITS)
    assert mil.degrees == expected["mil_df"]
    assert_allclose(mil.p, expected["mil_p_two"], rtol=R_DIGITS)
    assert_allclose(mil.p_worsening, expected["mil_p_lower"], rtol=R_DIGITS)
    assert_allclose(laplace.statistic, expected["laplace_U"], rtol=R_DIGITS)
    assert_allclose(laplace.p, expected["laplace_p_two"], rtol=R_DIGITS)


def test_nist_repairs(expected):
    data = one_engine(expected["nist"])
    assert_trend(data, expected["nist"]["trend"])
    assert_power_law(fit_power_law(data), expected["nist"]["plp"])


def test_nist_unbiased_shape_and_time_between_failures(expected):
    """Printed in section 8.4.5.1: improvement 0.516, 310 hours between failures, 80% limits 157.7 and 548.6."""
    fit = fit_power_law(one_engine(expected["nist"]))
    assert fit.unbiased_shape == pytest.approx(expected["nist"]["modified_mle"]["b"], rel=R_DIGITS)
    between = time_between_events(fit, 1500.0, confidence=0.8)
    assert_allclose(between.estimate, expected["nist"]["modified_mle"]["mtbf"], rtol=R_DIGITS)
    assert_allclose([between.low, between.high], expected["nist"]["mtbf80"], rtol=R_DIGITS)


def test_thirty_failures_with_the_last_ending_the_watch_and_not(expected):
    values = expected["ex511"]
    by_event = one_engine(values, ended_by_event=True)
    assert_trend(by_event, values["trend_failterm"])
    assert_trend(one_engine(values), values["trend_all"])
    fit = fit_power_law(by_event)
    assert_allclose(fit.shape.estimate, values["beta_pkg"], rtol=R_DIGITS)
    assert_allclose(fit.rate, values["lambda_pkg"], rtol=R_DIGITS)


def test_valve_seats_of_41_engines(valve_seats, expected):
    assert_trend(valve_seats, expected["valveseat"]["trend_pooled"])
    assert_power_law(fit_power_law(valve_seats), expected["valveseat"]["plp"])


def assert_power_law(fit, expected):
    """R's root of the likelihood equation is good to about 1e-8 in the shape where the ends of watch differ."""
    assert fit.events == expected["N"]
    assert_allclose(fit.shape.estimate, expected["beta"], rtol=1e-7)
    assert_allclose(fit.rate, expected["lambda"], rtol=1e-6)
    assert_allclose([fit.log_likelihood, fit.log_likelihood_constant], [expected["loglik"], expected["loglik_hpp"]])
    assert_allclose(fit.p, expected["LR_p"], rtol=1e-7)
    assert_allclose(np.sqrt(fit.covariance[0, 0]), expected["se_loglambda"], rtol=1e-7)
    assert_allclose(fit.shape.standard_error, expected["se_beta"], rtol=1e-7)
    assert_allclose(fit.covariance[0, 1], expected["cov"], rtol=1e-7)
    assert_allclose([fit.shape.low, fit.shape.high], expected["beta_ci95_exact_time_trunc"], rtol=1e-7)
