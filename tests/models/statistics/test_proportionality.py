import numpy as np
import pytest
from numpy.testing import assert_allclose

from models.statistics import proportionality as tests
from models.statistics.cox import fit_cox
from models.statistics.proportionality import proportionality
from models.statistics.risk_sets import risk_sets


def draw(ratio_late, *, n=1500, seed=3):
    """Two kinds of repair, their hazard ratio 2 up to time 1, then `ratio_late`, and a covariate of no effect."""
    random = np.random.default_rng(seed)
    side, other = random.integers(0, 2, n), random.normal(size=n)
    hazard = random.exponential(size=n)
    early = np.where(side == 1, 2.0, 1.0)
    late = np.where(side == 1, ratio_late, 1.0)
    time = np.where(hazard < early, hazard / early, 1.0 + (hazard - early) / late)
    return risk_sets(np.minimum(time, 3.0), time < 3.0, np.column_stack([side, other]))


@pytest.mark.parametrize("along", ["km", "identity", "rank", "log"])
def test_a_ratio_that_turns_round_is_found_and_the_other_covariate_is_not_blamed(along):
    drifting = proportionality(fit_cox(draw(0.4)), along=along)
    assert drifting.p[0] < 1e-6
    assert drifting.p[1] > 0.01
    assert drifting.p[2] < 1e-5


def test_steady_ratios_are_called_drifting_as_often_as_the_level_says():
    p = [proportionality(fit_cox(draw(2.0, n=200, seed=seed))).p for seed in range(200)]
    assert_allclose(np.mean(np.array(p) < 0.1, axis=0), 0.1, atol=0.07)


def test_levels_of_one_factor_are_tested_together():
    sets = draw(0.4)
    together = proportionality(fit_cox(sets), term=[0, 0])
    assert_allclose(together.statistic[0], together.statistic[1])
    assert_allclose(together.degrees, [2, 2])


@pytest.mark.parametrize(
    ("time", "is_event", "covariate", "along", "reason"),
    [
        ([], [], [], "km", (tests.NO_RATIO, tests.NO_RATIO)),
        ([1.0, 2.0], [0, 0], [0, 1], "km", (tests.NO_RATIO, tests.NO_RATIO)),
        ([1.0, 1.0, 2.0, 2.0], [1, 1, 0, 0], [0, 1, 1, 0], "identity", (tests.NO_DRIFT, tests.NO_DRIFT)),
        ([0.0, 1.0, 2.0, 3.0], [1, 1, 1, 0], [0, 1, 0, 1], "log", (tests.TIME_ZERO, tests.TIME_ZERO)),
    ],
)
def test_says_why_there_is_no_test(time, is_event, covariate, along, reason):
    result = proportionality(fit_cox(risk_sets(time, is_event, np.reshape(covariate, (-1, 1)))), along=along)
    assert result.reason == reason
    assert np.isnan(result.p).all()


def test_a_term_without_a_ratio_leaves_the_others_theirs():
    sets = draw(0.4)
    columns = np.column_stack([sets.covariates, np.ones(len(sets.end))])
    is_event = np.isin(np.arange(len(sets.end)), sets.event)
    result = proportionality(fit_cox(risk_sets(sets.end, is_event, columns)))
    assert_allclose(result.statistic[[0, 1, 3]], proportionality(fit_cox(sets)).statistic)
    assert result.reason == ("", "", tests.NO_RATIO, "")
