"""Cox's model against R's survival package.

The values of `cox.json` were fitted with R's default stop, a relative gain in log-likelihood of 1e-9, which leaves the
coefficients good to about 1e-8; those of `cox_entry.json` with 1e-11, which leaves them at rounding.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.cox import baseline_hazard, fit_cox
from models.statistics.partial_likelihood import relative_risks, score_residuals
from models.statistics.proportionality import proportionality
from models.statistics.risk_sets import risk_sets

R_DIGITS = 1e-8
BLADDER_TERMS = ["rx", "number", "size"]


@pytest.fixture(scope="module")
def models(published):
    """Name the risk sets of each model of the two files, how ties are taken and who belongs together."""
    bladder = published("data/bladder2.csv")
    rats = published("data/rats.csv")
    lung = published("data/lung.csv").drop_nulls()
    terms, late = bladder[BLADDER_TERMS], bladder["enum"] > 2
    gap = bladder["stop"] - bladder["start"]
    females = rats.filter(rats["sex"] == "f")
    entry = np.minimum(30 + rats["litter"].to_numpy() * 7 % 40, rats["time"].to_numpy() - 1)
    ends = {"time": bladder["stop"], "is_event": bladder["event"], "covariates": terms, "entry": bladder["start"]}
    gaps = {"time": gap, "is_event": bladder["event"], "covariates": terms}
    by_patient = bladder["id"]
    return {
        "bladder2_AG": (risk_sets(**ends), "efron", by_patient),
        "bladder2_AG_breslow": (risk_sets(**ends), "breslow", by_patient),
        "bladder2_PWP": (risk_sets(**ends, stratum=bladder["enum"]), "efron", by_patient),
        "bladder2_PWP_gap": (risk_sets(**gaps, stratum=bladder["enum"]), "efron", by_patient),
        "rats_f": (risk_sets(females["time"], females["status"], females[["rx"]]), "efron", females["litter"]),
        "lung": (risk_sets(lung["time"], lung["status"] == 2, lung[["age", "sex", "ph.ecog"]]), "efron", None),
        "bladder2_entry_strata_efron": (risk_sets(**ends, stratum=late), "efron", by_patient),
        "bladder2_entry_strata_breslow": (risk_sets(**ends, stratum=late), "breslow", by_patient),
        "bladder2_gap": (risk_sets(**gaps, stratum=late), "efron", by_patient),
        "rats_entry": (
            risk_sets(rats["time"], rats["status"], rats[["rx"]], entry=entry, stratum=rats["sex"] == "m"),
            "efron",
            rats["litter"],
        ),
    }


@pytest.mark.parametrize(
    "name", ["bladder2_AG", "bladder2_AG_breslow", "bladder2_PWP", "bladder2_PWP_gap", "rats_f", "lung"]
)
def test_published_data(models, computed_by_r, name):
    sets, ties, cluster = models[name]
    expected = computed_by_r("cox.json")[name]
    fit = fit_cox(sets, ties=ties, cluster=cluster)
    assert_allclose(fit.coefficient, list(expected["coef"].values()), rtol=R_DIGITS)
    assert_allclose(np.sqrt(np.diagonal(fit.naive_covariance)), np.atleast_1d(expected["se_naive"]), rtol=R_DIGITS)
    if cluster is not None:
        assert_allclose(np.sqrt(np.diagonal(fit.covariance)), np.atleast_1d(expected["se_robust"]), rtol=R_DIGITS)
    assert_allclose([fit.log_likelihood_at_zero, fit.log_likelihood], expected["loglik"], rtol=1e-12)
    assert fit.events == expected["nevent"]


@pytest.mark.parametrize(
    "name", ["bladder2_entry_strata_efron", "bladder2_entry_strata_breslow", "bladder2_gap", "rats_entry", "lung"]
)
def test_delayed_entry_strata_clusters_and_ties_at_once(models, computed_by_r, name):
    sets, ties, cluster = models[name]
    expected = computed_by_r("cox_entry.json")[name]
    fit = fit_cox(sets, ties=ties, cluster=cluster)
    assert_allclose(fit.coefficient, np.atleast_1d(expected["coef"]), rtol=R_DIGITS)
    assert_allclose(fit.covariance, np.atleast_2d(expected["var"]), rtol=R_DIGITS)
    assert_allclose(fit.naive_covariance, np.atleast_2d(expected["naive"]), rtol=R_DIGITS)
    assert_allclose([fit.log_likelihood_at_zero, fit.log_likelihood], expected["loglik"], rtol=1e-12)
    at_zero = np.exp(-fit.coefficient @ sets.mean)
    assert_allclose(baseline_hazard(fit) * at_zero, expected["base_cumhaz"], rtol=R_DIGITS)
    assert_allclose(sets.time, expected["base_time"])
    residuals = score_residuals(sets, relative_risks(sets, fit.scaled, ties)) * sets.spread
    assert_allclose(residuals, np.reshape(expected["score"], residuals.shape), rtol=R_DIGITS, atol=1e-10)


@pytest.mark.parametrize("name", ["bladder2_AG", "bladder2_PWP", "bladder2_PWP_gap", "rats_f", "lung"])
def test_proportionality_of_published_data(models, computed_by_r, name):
    """The statistics are quadratic in what the fit leaves of its score, so a fit good to 1e-8 gives them to 1e-7."""
    sets, ties, _ = models[name]
    expected = computed_by_r("cox.json")[name]["zph"]
    test = proportionality(fit_cox(sets, ties=ties))
    assert_allclose(test.statistic, expected["chisq"], rtol=1e-7)
    assert_allclose(test.p, expected["p"], rtol=1e-7)
    assert_allclose(test.degrees, expected["df"])


@pytest.mark.parametrize("along", ["km", "identity", "rank", "log"])
@pytest.mark.parametrize(
    "name", ["bladder2_entry_strata_efron", "bladder2_entry_strata_breslow", "bladder2_gap", "rats_entry", "lung"]
)
def test_proportionality_along_each_time_scale(models, computed_by_r, name, along):
    sets, ties, _ = models[name]
    expected = computed_by_r("cox_entry.json")[name]["zph"][along]
    test = proportionality(fit_cox(sets, ties=ties), along=along)
    assert_allclose(test.statistic, expected["chisq"], rtol=R_DIGITS)
    assert_allclose(test.p, expected["p"], rtol=R_DIGITS)


@pytest.mark.parametrize("name", ["bladder2_entry_strata_efron", "bladder2_gap", "rats_entry", "lung"])
def test_scaled_schoenfeld_residuals(models, computed_by_r, name):
    """Events of one time come in an order of the program's own: each column is compared sorted within its times."""
    sets, ties, _ = models[name]
    expected = computed_by_r("cox_entry.json")[name]
    test = proportionality(fit_cox(sets, ties=ties))
    assert_allclose(test.time, expected["zph_time"])
    assert_allclose(test.scale, expected["zph_x"], rtol=R_DIGITS)
    theirs = np.reshape(expected["zph_y"], test.residuals.shape)
    for ours, column in zip(test.residuals.T, theirs.T, strict=True):
        order, other = np.lexsort((ours, sets.event_row)), np.lexsort((column, sets.event_row))
        assert_allclose(ours[order], column[other], rtol=R_DIGITS)
