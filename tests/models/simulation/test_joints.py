"""The drawn lives against SciPy's Weibull, and the simulated leaks against the hazard they were drawn from."""

import math

import numpy as np
import pytest
from scipy import stats

from models.simulation.chance import Chance, generator
from models.simulation.fleet import calendar, draw_vehicles
from models.simulation.history import DAYS_PER_MONTH, vehicle_history
from models.simulation.joints import draw_method, hazard_multiplier, remaining_life, steps_of
from models.simulation.world import FAMILIES, LIVES, METHODS, REFITTED, SITES, Life

LIFE = Life(1.4, 120_000.0, 1.2, 90.0)


def _lives(number: int, **given: float) -> np.ndarray:
    chance = Chance(np.random.default_rng(11))
    return np.array([remaining_life(LIFE, chance=chance, **given) for _ in range(number)])


@pytest.mark.parametrize("hazard", [1.0, 2.5])
def test_new_joints_live_as_scipy_says(hazard):
    km, months = _lives(4_000, hazard=hazard, km_run=0.0, months_run=0.0).T
    expected_km = stats.weibull_min(1.4, scale=120_000.0 / hazard ** (1 / 1.4))
    expected_months = stats.weibull_min(1.2, scale=90.0 / hazard ** (1 / 1.2))
    assert stats.kstest(km, expected_km.cdf).pvalue > 0.001
    assert stats.kstest(months, expected_months.cdf).pvalue > 0.001
    assert abs(stats.spearmanr(km, months).statistic) < 0.06


def test_joints_that_have_run_live_as_the_conditional_weibull_says():
    km = _lives(4_000, hazard=1.0, km_run=80_000.0, months_run=0.0)[:, 0]
    new = stats.weibull_min(1.4, scale=120_000.0)
    assert stats.kstest(km, lambda left: 1 - new.sf(80_000.0 + left) / new.sf(80_000.0)).pvalue > 0.001


def test_skipped_steps_a_worse_site_and_a_harder_family_multiply():
    plain, worse = SITES[0], SITES[2]
    hazard = hazard_multiplier(("faces_not_cleaned", "sequence"), site=worse, family=FAMILIES["GAN-V6"], frailty=1.1)
    assert plain.workmanship == 1.0
    assert hazard == pytest.approx(1.6 * 1.4 * worse.workmanship * 1.55 * 1.1)


def test_only_steps_that_the_method_and_the_family_call_for_can_be_skipped():
    assert steps_of("external_sealant", FAMILIES["ORD-62"]) == ()
    assert set(steps_of("gasket", FAMILIES["ORD-62"])) >= {"no_settle_wait", "no_final_angle", "faces_not_cleaned"}
    assert not {"no_settle_wait", "no_final_angle"} & set(steps_of("gasket", FAMILIES["PEL-16"]))
    assert "faces_not_cleaned" not in steps_of("retightened", FAMILIES["ORD-62"])


def test_a_family_without_plug_tubes_has_no_seals_to_renew():
    chance = Chance(np.random.default_rng(2))
    drawn = {draw_method(SITES[3], FAMILIES["STR-D22"], chance) for _ in range(2_000)}
    assert drawn == set(METHODS) - {"gasket_and_seals", "gasket_seals_bolts"}


def test_simulated_leaks_add_up_to_the_hazard_they_were_drawn_from():
    """Cumulative hazards at the leak, or at the end of watching, sum to the number of leaks (martingale residuals).

    Andersen, Borgan, Gill and Keiding, Statistical Models Based on Counting Processes (1993), II.4; from memory.
    """
    days = calendar(5.0)
    leaks: dict[str, int] = dict.fromkeys(METHODS, 0)
    hazards: dict[str, float] = dict.fromkeys(METHODS, 0.0)
    for chunk in range(4):
        chance = Chance(generator(3, chunk, "history"))
        for vehicle in draw_vehicles(chunk, vehicles=800, days=days, seed=3):
            for renewal in vehicle_history(vehicle, days=days, chance=chance).renewals:
                if renewal.method == REFITTED:
                    continue
                life, start = LIVES[renewal.method], renewal.order.finished
                end = days.last if renewal.leak_day is None else renewal.leak_day
                km = vehicle.km_at(end) - vehicle.km_at(start)
                months = (end - start) / DAYS_PER_MONTH
                leaks[renewal.method] += renewal.leak_day is not None
                hazards[renewal.method] += renewal.hazard * (
                    (km / life.scale_km) ** life.shape_km + (months / life.scale_months) ** life.shape_months
                )
    for method, expected in hazards.items():
        assert abs(leaks[method] - expected) < 4 * math.sqrt(expected), method
    assert sum(leaks.values()) > 300
