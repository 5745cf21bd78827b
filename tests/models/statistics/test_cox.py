import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from models.statistics import cox
from models.statistics.cox import fit_cox, hazard_ratios, wald_p_values
from models.statistics.few_clusters import clustered_reach, effective_number
from models.statistics.partial_likelihood import relative_risks, score
from models.statistics.risk_sets import risk_sets


@pytest.fixture
def repairs():
    """Times in whole days with ties, delayed entries, three strata, two covariates, several repairs a vehicle."""
    random = np.random.default_rng(8)
    n = 150
    entry = random.integers(0, 8, n)
    return {
        "time": (entry + random.integers(1, 20, n)).astype(float),
        "is_event": random.random(n) < 0.6,
        "covariates": np.column_stack([random.integers(0, 2, n), random.normal(size=n)]),
        "entry": entry.astype(float),
        "stratum": random.integers(0, 3, n),
    }


def slow_log_likelihood(beta, *, time, is_event, covariates, entry, stratum, ties):
    """Efron's or Breslow's sum, one event after another."""
    risk, total = np.exp(covariates @ beta), 0.0
    for code in np.unique(stratum):
        for at in np.unique(time[is_event & (stratum == code)]):
            watched = (stratum == code) & (entry < at) & (time >= at)
            tied = watched & is_event & (time == at)
            for k in range(tied.sum()):
                share = k / tied.sum() if ties == "efron" else 0.0
                total -= np.log(risk[watched].sum() - share * risk[tied].sum())
            total += (covariates[tied] @ beta).sum()
    return total


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_maximises_the_likelihood_written_out(repairs, ties):
    fit = fit_cox(risk_sets(**repairs), ties=ties)
    assert fit.log_likelihood == pytest.approx(slow_log_likelihood(fit.coefficient, **repairs, ties=ties), rel=1e-12)
    best = minimize(lambda beta: -slow_log_likelihood(beta, **repairs, ties=ties), np.zeros(2), tol=1e-12)
    assert_allclose(fit.coefficient, best.x, atol=1e-5)


def test_one_event_between_two_by_hand():
    """Of two the one with x = 1 fails, then of two others the one with x = 0: log-likelihood b - 2 log(1 + e^b)."""
    fit = fit_cox(risk_sets([1.0, 1.0, 2.0, 2.0], [1, 0, 1, 0], [[1], [0], [0], [1]], stratum=[0, 0, 1, 1]))
    assert fit.coefficient[0] == pytest.approx(0.0, abs=1e-12)
    assert fit.covariance[0, 0] == pytest.approx(2.0)
    assert fit.log_likelihood == pytest.approx(-2 * np.log(2))
    assert wald_p_values(fit)[0] == pytest.approx(1.0)
    ratio = hazard_ratios(fit)
    assert ratio.low[0] * ratio.high[0] == pytest.approx(1.0)


def test_few_vehicles_reach_further_and_agree_with_the_p_value(repairs):
    fit = fit_cox(risk_sets(**repairs), cluster=np.arange(150) // 20)
    vehicles = effective_number(np.arange(150) // 20)
    p = wald_p_values(fit, effective=vehicles)
    assert (p > wald_p_values(fit)).all()
    for term in range(2):
        ratio = hazard_ratios(fit, reach=clustered_reach(vehicles, confidence=1 - p[term]))
        assert min(abs(np.log([ratio.low[term], ratio.high[term]]))) == pytest.approx(0.0, abs=1e-9)


def test_units_order_and_the_zero_of_a_covariate_do_not_matter(repairs):
    fit = fit_cox(risk_sets(**repairs), cluster=np.arange(150) // 3)
    order = np.random.default_rng(1).permutation(150)
    other = {name: values[order] for name, values in repairs.items()}
    other["covariates"] = 1e6 + 1e3 * other["covariates"]
    again = fit_cox(risk_sets(**other), cluster=(np.arange(150) // 3)[order])
    assert_allclose(again.coefficient * 1e3, fit.coefficient, rtol=1e-7)
    assert_allclose(again.covariance * 1e6, fit.covariance, rtol=1e-7)


def test_each_vehicle_its_own_cluster_when_all_are_doubled(repairs):
    """Two copies of a vehicle tell nothing new: clustered, the error stays; naive, it shrinks by the root of two."""
    alone = fit_cox(risk_sets(**repairs), ties="breslow", cluster=np.arange(150))
    doubled = {name: np.concatenate([values, values]) for name, values in repairs.items()}
    both = fit_cox(risk_sets(**doubled), ties="breslow", cluster=np.tile(np.arange(150), 2))
    assert_allclose(both.coefficient, alone.coefficient, rtol=1e-9)
    assert_allclose(both.covariance, alone.covariance, rtol=1e-9)
    assert_allclose(both.naive_covariance, alone.naive_covariance / 2, rtol=1e-9)


@pytest.mark.parametrize(("level", "reason"), [(1, cox.NO_LOWER_BOUND), (0, cox.NO_UPPER_BOUND)])
def test_no_event_on_one_side_leaves_no_number_and_the_other_terms_at_their_limit(repairs, level, reason):
    """At the limit those who cannot fail drop out of every comparison, if the term tells them apart throughout."""
    side = repairs["covariates"][:, 0] == level
    fit = fit_cox(risk_sets(**(repairs | {"is_event": repairs["is_event"] & ~side})), cluster=np.arange(150))
    assert fit.reason == (reason, "")
    assert np.isnan([fit.coefficient[0], fit.covariance[0, 1], hazard_ratios(fit).high[0], wald_p_values(fit)[0]]).all()
    others = {name: values[~side] for name, values in repairs.items()}
    limit = fit_cox(risk_sets(**(others | {"covariates": others["covariates"][:, 1:]})))
    assert_allclose(fit.coefficient[1], limit.coefficient[0], rtol=1e-6)
    assert_allclose(fit.naive_covariance[1, 1], limit.naive_covariance[0, 0], rtol=1e-6)
    assert fit.log_likelihood == pytest.approx(limit.log_likelihood, abs=1e-6)


def test_what_the_unbounded_term_leaves_nothing_to_tell_of_has_no_number_either():
    """Both who failed have x = 1 and outdo all others by it: at its limit no comparison is left that z is part of."""
    fit = fit_cox(
        risk_sets(
            [3, 7, 7, 8, 8, 8, 11, 11],
            [0, 1, 0, 0, 0, 0, 0, 1],
            [[1, 1], [1, 1], [0, 0], [0, 0], [0, 0], [1, 0], [0, 0], [1, 0]],
            entry=[0, 3, 2, 1, 1, 0, 3, 3],
            stratum=[0, 0, 0, 0, 0, 1, 1, 1],
        )
    )
    assert fit.reason == (cox.NO_UPPER_BOUND, cox.NOT_TOLD_APART)
    assert fit.log_likelihood == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("first_seed", [0, 40, 80])
def test_few_events_give_numbers_or_reasons_and_never_a_warning(first_seed):
    """Numbers are where the score is zero. (300 such data sets were held against R's coxph, number for number.)"""
    for seed in range(first_seed, first_seed + 40):
        random = np.random.default_rng(seed)
        n = random.integers(4, 30)
        entry = random.integers(0, 6, n)
        columns = np.column_stack([random.integers(0, 2, n), random.integers(0, 2, n), random.normal(size=n)])
        sets = risk_sets(
            entry + random.integers(1, 9, n),
            random.random(n) < random.choice([0.1, 0.4, 0.8]),
            columns,
            entry=entry,
            stratum=random.integers(0, 2, n),
        )
        fit = fit_cox(sets, cluster=random.integers(0, n, n))
        has_number = np.array([not words for words in fit.reason])
        assert_allclose(np.isfinite(fit.coefficient), has_number)
        assert_allclose(np.isfinite(np.diagonal(fit.covariance)), has_number)
        assert_allclose(score(sets, relative_risks(sets, fit.scaled, "efron"))[has_number], 0.0, atol=1e-4)


def test_levels_without_bound_because_none_failed_at_the_level_they_are_held_against(repairs):
    level = np.arange(150) % 3
    columns = np.column_stack([level == 1, level == 2, repairs["covariates"][:, 1]])
    fit = fit_cox(risk_sets(**(repairs | {"covariates": columns, "is_event": repairs["is_event"] & (level > 0)})))
    assert fit.reason == (cox.NO_UPPER_BOUND, cox.NO_UPPER_BOUND, "")


def test_a_covariate_in_the_order_of_the_ends_has_no_bound():
    """The first to fail is always the one with the highest covariate."""
    fit = fit_cox(risk_sets(np.arange(1.0, 8.0), np.ones(7), -np.arange(1.0, 8.0)[:, None]))
    assert fit.reason == (cox.NO_UPPER_BOUND,)
    assert fit.log_likelihood == pytest.approx(0.0, abs=1e-6)


def test_terms_that_say_the_same_or_nothing(repairs):
    x, z = repairs["covariates"].T
    columns = np.column_stack([x, 1 - x, np.full(150, 3.0), repairs["stratum"], z])
    fit = fit_cox(risk_sets(**(repairs | {"covariates": columns})), cluster=np.arange(150))
    assert fit.reason == ("", cox.NOT_TOLD_APART, cox.NOT_TOLD_APART, cox.NOT_TOLD_APART, "")
    alone = fit_cox(risk_sets(**repairs), cluster=np.arange(150))
    assert_allclose(fit.coefficient[[0, 4]], alone.coefficient, rtol=1e-9)
    assert_allclose(fit.covariance[np.ix_([0, 4], [0, 4])], alone.covariance, rtol=1e-9)


@pytest.mark.parametrize(
    ("time", "is_event", "reason"),
    [
        ([], [], cox.NO_EVENTS),
        ([4.0, 5.0], [0, 0], cox.NO_EVENTS),
        ([4.0], [1], cox.NOT_TOLD_APART),
        ([5.0, 5.0], [1, 1], cox.NOT_TOLD_APART),
    ],
)
def test_says_why_there_is_nothing_to_compare(time, is_event, reason):
    covariates = np.arange(float(len(time)))[:, None] * (reason == cox.NO_EVENTS)
    fit = fit_cox(risk_sets(time, is_event, covariates), cluster=np.arange(len(time)))
    assert fit.reason == (reason,)
    assert np.isnan([fit.coefficient[0], fit.covariance[0, 0], hazard_ratios(fit).estimate[0]]).all()


def test_no_terms_at_all():
    fit = fit_cox(risk_sets([1.0, 2.0], [1, 1], np.zeros((2, 0))), cluster=[0, 1])
    assert fit.log_likelihood == pytest.approx(-np.log(2))
    assert fit.covariance.shape == (0, 0)


def test_what_was_never_watched_is_not_compared(repairs):
    extra = {"time": [3.0], "is_event": [True], "covariates": [[1.0, 9.0]], "entry": [3.0], "stratum": [0]}
    more = {name: np.concatenate([values, extra[name]]) for name, values in repairs.items()}
    fit, same = fit_cox(risk_sets(**more)), fit_cox(risk_sets(**repairs))
    assert fit.events == same.events
    assert_allclose(fit.coefficient, same.coefficient, rtol=1e-9)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"time": [1.0]}, "same observations"),
        ({"time": [1.0, np.nan]}, "finite"),
        ({"covariates": [[1.0], [np.inf]]}, "finite"),
        ({"stratum": [0, -1]}, "zero or more"),
        ({"entry": [0.0, 3.0]}, "not after its time"),
    ],
)
def test_refuses_what_cannot_be_compared(change, words):
    good = {"time": [1.0, 2.0], "is_event": [1, 1], "covariates": [[1.0], [2.0]]}
    with pytest.raises(ValueError, match=words):
        risk_sets(**(good | change))
    with pytest.raises(ValueError, match="cluster"):
        fit_cox(risk_sets(**good), cluster=[1])
