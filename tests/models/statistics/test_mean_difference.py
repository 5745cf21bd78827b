"""A difference of means within strata against closed forms and a regression written out."""

import numpy as np
import pytest

from models.statistics.mean_difference import mean_difference

RNG = np.random.default_rng(4)
N = 200
STRATUM = RNG.integers(0, 5, N)
CLUSTER = RNG.integers(0, 60, N)
TREATED = RNG.random(N) < 0.2 + 0.1 * STRATUM
VALUE = 30.0 + 7.0 * STRATUM + 19.0 * TREATED + RNG.normal(0, 4, 60)[CLUSTER] + RNG.normal(0, 3, N)


def test_two_groups_differ_by_their_means_with_the_error_of_unequal_variances():
    """Without strata and clusters: the error is that of Welch, Biometrika 34 (1947) 28, with n in place of n - 1."""
    found = mean_difference(VALUE, TREATED, stratum=np.zeros(N, int), cluster=np.arange(N))
    one, other = VALUE[TREATED], VALUE[~TREATED]
    assert found.estimate == pytest.approx(one.mean() - other.mean())
    assert found.standard_error == pytest.approx(np.sqrt(one.var() / len(one) + other.var() / len(other)))
    assert found.high - found.estimate == pytest.approx(1.959963984540054 * found.standard_error)


def test_within_strata_it_is_the_coefficient_of_a_regression_and_its_clustered_error():
    """Normal equations and the sandwich of Liang & Zeger (1986) over the whole design, by numpy."""
    design = np.column_stack([TREATED, STRATUM[:, None] == np.arange(5)]).astype(float)
    beta, *_ = np.linalg.lstsq(design, VALUE, rcond=None)
    scores = np.zeros((60, 6))
    np.add.at(scores, CLUSTER, design * (VALUE - design @ beta)[:, None])
    bread = np.linalg.inv(design.T @ design)
    found = mean_difference(VALUE, TREATED, stratum=STRATUM, cluster=CLUSTER)
    assert found.estimate == pytest.approx(beta[0])
    assert found.standard_error == pytest.approx(np.sqrt((bread @ scores.T @ scores @ bread)[0, 0]))
    assert found.estimate == pytest.approx(19.0, abs=3.0)


@pytest.mark.parametrize("n", [0, 1, 6])
def test_strata_with_one_kind_each_say_nothing(n):
    stratum = np.arange(n) % 2
    found = mean_difference(np.ones(n), stratum == 1, stratum=stratum, cluster=np.arange(n))
    assert np.isnan([found.estimate, found.standard_error, found.low, found.high]).all()
