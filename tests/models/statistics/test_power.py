import numpy as np
import pytest

from models.statistics import power
from models.statistics.cox import fit_cox, wald_p_values
from models.statistics.power import design_effect, power_of, required_repairs
from models.statistics.risk_sets import risk_sets


@pytest.mark.parametrize(
    ("hazard_ratio", "share", "chance", "events"),
    [(2.0, 0.5, 0.8, 66), (0.5, 0.5, 0.8, 66), (2.0, 0.5, 0.9, 88), (1.5, 0.5, 0.9, 256), (0.67, 0.25, 0.8, 262)],
)
def test_events_of_the_closed_form(hazard_ratio, share, chance, events):
    """4 (1.95996 + 0.84162)^2 / log(2)^2 = 65.3 with even shares; with 1.28155 for 90%, 87.5 and 255.7."""
    assert required_repairs(hazard_ratio, share=share, event_share=1.0, power=chance).events == events


def test_repairs_follow_from_the_share_that_fails_and_the_design_effect():
    alone = required_repairs(2.0, share=0.5, event_share=0.25)
    assert alone.repairs == 264
    clustered = required_repairs(2.0, share=0.5, event_share=0.25, design_effect=1.5)
    assert clustered.events == 99
    assert clustered.repairs == 396


def test_power_is_the_other_way_round():
    assert power_of(1.5, events=255.7, share=0.5) == pytest.approx(0.9, abs=1e-3)
    assert power_of(1.5, events=2 * 255.7, share=0.5, design_effect=2.0) == pytest.approx(0.9, abs=1e-3)
    assert power_of(1.5, events=0, share=0.5) == 0
    assert power_of(1.5, events=50, share=1.0) == 0


def test_simulated_comparisons_are_seen_as_often_as_said():
    """Alike repairs in fours: the design effect of one large comparison sets how many repairs 80% take."""

    def compare(repairs, seed):
        random = np.random.default_rng(seed)
        vehicle = np.arange(repairs) // 4
        side = vehicle % 2
        hazard = random.gamma(1.5, 1 / 1.5, repairs)[vehicle] * np.where(side == 1, 1.8, 1.0)
        time = random.exponential(1 / hazard)
        sets = risk_sets(np.minimum(time, 0.5), time < 0.5, side[:, None])
        return fit_cox(sets, cluster=vehicle)

    large = compare(40_000, 0)
    effect = design_effect(large.covariance[0, 0], events=large.events, share=0.5)
    assert effect > 1.2
    seen = np.exp(large.coefficient[0])
    needed = required_repairs(seen, share=0.5, event_share=large.events / 40_000, design_effect=effect)
    found = [wald_p_values(compare(round(needed.repairs / 8) * 8, seed))[0] < 0.05 for seed in range(1, 301)]
    assert np.mean(found) == pytest.approx(0.8, abs=0.07)


def test_says_why_there_is_no_number():
    assert required_repairs(2.0, share=0.0, event_share=0.2).reason == power.ONE_METHOD
    none = required_repairs(2.0, share=0.5, event_share=0.0)
    assert none.reason == power.NO_EVENTS
    assert none.events == 66
    assert np.isnan(none.repairs)
    assert np.isnan(design_effect(np.nan, events=3, share=0.5))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"hazard_ratio": 1.0}, "hazard ratio"),
        ({"share": 1.5}, "share"),
        ({"event_share": -0.1}, "event share"),
        ({"design_effect": 0.0}, "design effect"),
        ({"power": 1.0}, "power"),
    ],
)
def test_refuses_what_is_no_comparison(change, words):
    good = {"hazard_ratio": 2.0, "share": 0.5, "event_share": 0.2}
    with pytest.raises(ValueError, match=words):
        required_repairs(**(good | change))
    with pytest.raises(ValueError, match="events"):
        power_of(2.0, events=-1, share=0.5)
