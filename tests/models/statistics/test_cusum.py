import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics import cusum
from models.statistics.cusum import comeback_weights, cusum_path, in_control_threshold


def markov_run_length(probabilities, weights, threshold, *, states=1500):
    """Mean run length from 0 by Brook & Evans, Biometrika 59 (1972) 539: a chain over slices of the sum.

    Args:
        probabilities: Of each weight (weights,).
        weights: Possible steps (weights,).
        threshold: Where the chart signals.
        states: Slices of 0 to the threshold; a slice's sum stands at its middle, the first at 0.
    """
    width = threshold / (states - 0.5)
    at = np.arange(states) * width
    chain = np.zeros((states, states))
    for probability, weight in zip(probabilities, weights, strict=True):
        target = np.maximum(at + weight, 0.0)
        inside = target < threshold
        slot = np.minimum(np.round(target[inside] / width).astype(int), states - 1)
        np.add.at(chain, (np.flatnonzero(inside), slot), probability)
    return np.linalg.solve(np.eye(states) - chain, np.ones(states))[0]


def simulated_run_lengths(draw, threshold, *, charts):
    """Repairs to the first signal of each of some charts, by the path itself."""
    lengths = []
    for chart in range(charts):
        path = cusum_path(draw(np.random.default_rng(chart)), threshold)
        assert path.is_signal.any()
        lengths.append(np.argmax(path.is_signal) + 1)
    return np.array(lengths)


@pytest.mark.parametrize(("threshold", "one_sided"), [(3.0, 117.6), (4.0, 335.4)])
def test_published_run_lengths_of_a_normal_chart(threshold, one_sided):
    """Reference value 0.5: Lucas & Crosier (1982), from memory; two-sided 4 gives half, 168: e-Handbook, 6.3.2.3.1."""
    lengths = simulated_run_lengths(lambda random: random.normal(size=3000) - 0.5, threshold, charts=300)
    assert lengths.mean() == pytest.approx(one_sided, abs=3.5 * one_sided / np.sqrt(300))


@pytest.mark.parametrize("odds_ratio", [2.0, 0.5])
def test_run_length_at_the_threshold_is_as_computed_by_a_markov_chain(odds_ratio):
    risk = np.array([0.05, 0.1, 0.1, 0.2])
    found = in_control_threshold(risk, run_length=300, seed=1, odds_ratio=odds_ratio)
    both = np.concatenate([risk, 1 - risk]) / len(risk)
    outcomes = np.repeat([True, False], len(risk))
    weights = comeback_weights(outcomes, np.tile(risk, 2), odds_ratio=odds_ratio)
    exact = markov_run_length(both, weights, found.threshold)
    assert found.run_length == pytest.approx(exact, rel=0.08)
    assert exact == pytest.approx(300, rel=0.1)


def test_plain_bernoulli_chart_by_counting():
    """Steps of +7 and -1 in 1/8 of log 2, risk such that the odds double: a chain over whole numbers, no slices."""
    unit = np.log(2.0) / 8
    risk = np.expm1(unit)
    assert_allclose(comeback_weights([True, False], [risk, risk]) / unit, [7.0, -1.0], rtol=1e-12)
    chain = np.zeros((21, 21))
    for state in range(21):
        chain[state, max(state - 1, 0)] += 1 - risk
        if state + 7 < 21:
            chain[state, state + 7] += risk
    exact = np.linalg.solve(np.eye(21) - chain, np.ones(21))[0]
    random = np.random.default_rng(3)
    steps = comeback_weights(random.random(400_000) < risk, np.full(400_000, risk))
    between, total, begun = [], 0.0, 0
    for repair, step in enumerate(steps.tolist(), start=1):
        total = max(0.0, total + step)
        if total > 20.5 * unit:
            between.append(repair - begun)
            total, begun = 0.0, repair
    assert np.mean(between) == pytest.approx(exact, rel=4 / np.sqrt(len(between)))
    found = in_control_threshold([risk], run_length=exact * 0.97, seed=2)
    assert 20 < found.threshold / unit < 21.2
    assert found.run_length == pytest.approx(exact, rel=0.07)


def test_weights_are_steiners():
    """Risk 0.1 and doubled odds: log(2 / 1.1) with a comeback, log(1 / 1.1) without."""
    assert_allclose(comeback_weights([True, False], [0.1, 0.1]), np.log([2 / 1.1, 1 / 1.1]))
    assert (comeback_weights([True, False], [0.1, 0.1]) * [0.2 / 1.1, 0.9 / 1.1]).sum() > 0


def test_a_signal_stands_until_the_restarted_sum_is_back_at_zero():
    path = cusum_path([1.0, 1.5, -0.5, 1.0, -0.5, -0.5, -0.2, 0.3, -1.0], 2.0)
    assert_allclose(path.statistic, [1.0, 2.5, 0.5, 1.5, 1.0, 0.5, 0.3, 0.6, 0.0])
    assert_array_equal(path.is_signal, [False, True] + [False] * 7)
    assert_array_equal(path.standing_since, [-1, 1, 1, 1, 1, 1, 1, 1, -1])


def test_trouble_that_persists_signals_again_and_stands_since_its_beginning():
    path = cusum_path([2.0, 1.0, 1.0, -3.0, 2.5], 2.0)
    assert_array_equal(path.is_signal, [True, True, True, False, True])
    assert_array_equal(path.standing_since, [0, 0, 0, -1, 4])


def test_the_seed_decides_and_the_order_of_the_risks_does_not_matter_much():
    risk = np.random.default_rng(1).beta(1, 9, 300)
    found = in_control_threshold(risk, run_length=200, seed=5)
    assert found == in_control_threshold(risk, run_length=200, seed=5)
    assert in_control_threshold(risk[::-1], run_length=200, seed=5).threshold == pytest.approx(
        found.threshold, rel=0.05
    )


@pytest.mark.parametrize(
    ("risk", "reason"), [([], cusum.NO_REPAIRS), ([0.0, 0.0], cusum.NO_RISK), ([1.0], cusum.NO_RISK)]
)
def test_says_why_there_is_no_threshold(risk, reason):
    found = in_control_threshold(risk, run_length=100, seed=1)
    assert found.reason == reason
    assert np.isnan(found.threshold)


def test_no_repairs_make_no_path():
    assert len(cusum_path([], 2.0).statistic) == 0


def test_refuses_what_is_no_chart():
    with pytest.raises(ValueError, match="risk"):
        comeback_weights([True], [1.2])
    with pytest.raises(ValueError, match="odds ratio"):
        comeback_weights([True], [0.2], odds_ratio=1.0)
    with pytest.raises(ValueError, match="run length"):
        in_control_threshold([0.2], run_length=0.5, seed=1)
    with pytest.raises(ValueError, match="threshold"):
        cusum_path([1.0], 0.0)
    with pytest.raises(ValueError, match="outcomes"):
        comeback_weights([True], [0.1, 0.2])
