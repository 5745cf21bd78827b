"""Standardised cumulative incidence against R's survival package; the script beside the data says how."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics.adjusted_incidence import adjusted_incidence
from models.statistics.cox import fit_cox
from models.statistics.risk_sets import risk_sets
from models.statistics.risk_table import COMPETING, EVENT


@pytest.mark.parametrize("nth", range(3))
def test_malignancy_by_age_over_both_sexes_and_two_strata(published, computed_by_r, nth):
    data, expected = published("data/mgus2_cr.csv"), computed_by_r("adjusted_incidence.json")
    covariates = np.column_stack([data["age"] > 75, data["sex"] == "M"])
    stratum = np.arange(len(data)) < 600
    fits = [
        fit_cox(risk_sets(data["etime"], data["event"] == cause, covariates, stratum=stratum))
        for cause in (EVENT, COMPETING)
    ]
    result = adjusted_incidence(*fits, [[1, np.nan], [0, np.nan]], horizon=expected["times"][nth])
    assert_allclose(result.incidence, [expected["old"][nth], expected["young"][nth]], rtol=1e-8)
