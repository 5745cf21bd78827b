"""The ratio of two rates and the evenness of gaps, against scipy's distributions and simulated truth."""

import numpy as np
import pytest
from scipy import stats

from models.statistics.rate_ratio import MAX_SHAPE, MIN_PAIRS, gamma_shape, rate_ratio


@pytest.mark.parametrize(("own", "base"), [(3, 5), (1, 1), (20, 4)])
def test_with_shape_one_the_limits_are_those_of_conditioning_on_the_sum(own: int, base: int) -> None:
    """Of exponential exposures each up to its last event, the base's share of rate x exposure is Beta(base, own).

    Cox, Biometrika 40 (1953) 354; the beta quantiles are scipy's.
    """
    own_km, base_km = 900.0, 2_500.0
    found = rate_ratio(own / own_km, base / base_km, own, base)
    assert float(found.estimate) == pytest.approx((own / own_km) / (base / base_km))
    for limit, level in ((found.low, 0.025), (found.high, 0.975)):
        share = base_km / (base_km + own_km * float(limit))
        assert stats.beta.sf(share, base, own) == pytest.approx(level)


def test_limits_are_quantiles_of_f() -> None:
    """Equal rates on 5 events each: 1 / F and F of 10 and 10 degrees of freedom at 97.5%, 3.717 in any handbook."""
    found = rate_ratio(1.0, 1.0, 5, 5)
    assert float(found.high) == pytest.approx(3.717, abs=5e-4)
    assert float(found.low) == pytest.approx(1 / 3.717, abs=5e-5)


def test_changing_sides_inverts_ratio_and_limits() -> None:
    one, other = rate_ratio(2.0, 1.0, 4, 9, shape=2.5), rate_ratio(1.0, 2.0, 9, 4, shape=2.5)
    assert float(one.low) == pytest.approx(1 / float(other.high))
    assert float(one.high) == pytest.approx(1 / float(other.low))


def test_without_events_on_either_side_there_is_no_ratio() -> None:
    found = rate_ratio([1.0, np.nan, 1.0], [1.0, 1.0, np.nan], [0, 2, 2], [3, 3, 0])
    assert np.isnan(found.low).all()
    assert np.isnan(found.high).all()


@pytest.mark.parametrize(("shape", "confidence"), [(0.0, 0.95), (1.0, 1.0), (1.0, 0.0)])
def test_impossible_options_are_refused(shape: float, confidence: float) -> None:
    with pytest.raises(ValueError, match="must"):
        rate_ratio(1.0, 1.0, 2, 2, shape=shape, confidence=confidence)


@pytest.mark.parametrize("shape", [0.7, 1.0, 4.0])
def test_the_shape_is_found_whatever_the_rates(shape: float) -> None:
    chance = np.random.default_rng(11)
    gaps = chance.gamma(shape, chance.uniform(100.0, 5_000.0, (20_000, 1)), (20_000, 2))
    assert gamma_shape(gaps[:, 0], gaps[:, 1]) == pytest.approx(shape, rel=0.05)


def test_few_pairs_are_taken_as_left_to_chance_and_even_ones_are_bounded() -> None:
    assert gamma_shape(np.full(MIN_PAIRS - 1, 5.0), np.full(MIN_PAIRS - 1, 5.0)) == 1.0
    assert gamma_shape(np.full(MIN_PAIRS, 5.0), np.full(MIN_PAIRS, 5.0)) == MAX_SHAPE


@pytest.mark.parametrize(("shape", "own", "base"), [(1.0, 2, 3), (4.0, 2, 3), (4.0, 6, 40)])
def test_limits_cover_the_true_ratio_as_often_as_they_say(shape: float, own: int, base: int) -> None:
    """Within three standard errors of 95% over 4,000 draws."""
    chance, true, draws = np.random.default_rng(7), 0.4, 4_000
    own_km = chance.gamma(shape, 1.0 / shape / true, (draws, own)).sum(axis=1)
    base_km = chance.gamma(shape, 1.0 / shape, (draws, base)).sum(axis=1)
    found = rate_ratio(own / own_km, base / base_km, np.full(draws, own), np.full(draws, base), shape=shape)
    covered = np.mean((found.low <= true) & (true <= found.high))
    assert covered == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / draws))
