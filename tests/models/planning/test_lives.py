from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import weibull_min

from models.planning.lives import Weibull, repair_lives, with_life

LIVES = st.floats(0.3, 5.0), st.floats(10.0, 1e5)


def evaluate(expression: pl.Expr) -> float:
    return pl.select(expression).item()


def weibull(shape: float, scale: float) -> Weibull:
    return Weibull(pl.lit(shape), pl.lit(scale))


@settings(deadline=None)
@given(*LIVES, st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_leak_probability_is_the_ratio_of_survivals(shape, scale, age_share, ahead_share):
    age, ahead = age_share * scale, ahead_share * scale
    life = weibull_min(shape, scale=scale)
    expected = -np.expm1(life.logsf(age + ahead) - life.logsf(age))
    assert evaluate(weibull(shape, scale).leak_probability(pl.lit(age), pl.lit(ahead))) == pytest.approx(
        expected, abs=1e-12
    )


@settings(deadline=None)
@given(st.floats(10.0, 1e5), st.floats(0.0, 10.0), st.floats(0.0, 3.0))
def test_an_exponential_life_has_no_memory(scale, age_share, ahead_share):
    aged, new = (
        evaluate(weibull(1.0, scale).leak_probability(pl.lit(age), pl.lit(ahead_share * scale)))
        for age in (age_share * scale, 0.0)
    )
    assert aged == pytest.approx(new, abs=1e-12)


@settings(deadline=None)
@given(*LIVES, st.floats(0.0, 2.0), st.floats(0.01, 0.9))
def test_age_of_chance_is_where_that_chance_is_reached(shape, scale, age_share, chance):
    age = age_share * scale
    reached = evaluate(weibull(shape, scale).age_of_chance(pl.lit(age), chance))
    life = weibull_min(shape, scale=scale)
    assert 1.0 - life.sf(reached) / life.sf(age) == pytest.approx(chance, rel=1e-6)


def test_b10_of_a_new_repair():
    assert evaluate(weibull(2.0, 100.0).age_of_chance(pl.lit(0.0), 0.1)) == pytest.approx(
        weibull_min(2.0, scale=100.0).ppf(0.1)
    )


def repairs(family: str, method: str, days: np.ndarray, *, watched_days: float, km_a_day: float | None = 50.0) -> Any:
    """Repairs whose covers leak after so many days, watched for a time."""
    seen = np.minimum(days, watched_days)
    names = [f"{family}-{method}-{number}" for number in range(len(days))]
    return pl.DataFrame(
        {
            "vehicle_id": names,
            "episode_id": names,
            "engine_family": family,
            "repair_method": method,
            "site": "North",
            "status": np.where(days <= watched_days, "re-leak", "censored"),
            "days": seen,
            "km": pl.Series(seen * km_a_day if km_a_day else [None] * len(days), dtype=pl.Float64),
        }
    )


def drawn(shape: float, scale: float, count: int) -> np.ndarray:
    """Lives at evenly spaced probabilities."""
    return weibull_min(shape, scale=scale).ppf((np.arange(count) + 0.5) / count)


@pytest.fixture
def history() -> pl.DataFrame:
    return pl.concat(
        [
            repairs("K4", "gasket", drawn(1.5, 300.0, 400), watched_days=365.0),
            repairs("K4", "cover_replaced", drawn(1.5, 3_000.0, 40), watched_days=365.0),
            repairs("Z9", "gasket", drawn(1.5, 300.0, 6), watched_days=365.0),
        ]
    )


def test_lives_are_found_again_and_in_proportion_to_the_distance(history):
    lives = repair_lives(history, min_releaks=10)
    cell = lives.filter(engine_family="K4", repair_method="gasket").sort("time_scale")
    assert cell["time_scale"].to_list() == ["days", "km"]
    assert cell["shape"].to_list() == pytest.approx([1.5, 1.5], rel=0.05)
    assert cell["scale"].to_list() == pytest.approx([300.0, 15_000.0], rel=0.05)
    assert cell["repairs"].to_list() == [400, 400]


def test_cells_with_few_releaks_have_no_life_of_their_own(history):
    lives = repair_lives(history, min_releaks=10).filter(time_scale="days")
    assert set(lives.select("engine_family", "repair_method").rows()) == {("K4", "gasket"), ("", "gasket"), ("", "")}


def test_a_fit_that_leaves_its_observed_curve_is_no_life():
    two_kinds = np.concatenate([np.linspace(9.0, 11.0, 300), np.linspace(690.0, 710.0, 300)])
    lives = repair_lives(repairs("K4", "gasket", two_kinds, watched_days=1_000.0), min_releaks=10)
    assert lives.is_empty()


def covers(**row: Any) -> pl.DataFrame:
    plain = {
        "engine_family": "K4",
        "repair_method": "gasket",
        "status": "censored",
        "age_days": 100.0,
        "age_km": 7_000.0,
        "daily_km": 70.0,
    }
    return pl.DataFrame([plain | row], schema_overrides={"age_km": pl.Float64, "daily_km": pl.Float64})


@pytest.mark.parametrize(
    ("row", "like", "reckoned"),
    [
        ({}, ("K4", "gasket"), ("km", 7_000.0, 70.0)),
        ({"daily_km": None}, ("K4", "gasket"), ("days", 100.0, 1.0)),
        ({"daily_km": 0.0}, ("K4", "gasket"), ("days", 100.0, 1.0)),
        ({"age_km": None}, ("K4", "gasket"), ("days", 100.0, 1.0)),
        ({"engine_family": "Z9"}, ("", "gasket"), ("km", 7_000.0, 70.0)),
        ({"engine_family": "never seen"}, ("", "gasket"), ("km", 7_000.0, 70.0)),
        ({"repair_method": "cover_replaced"}, ("", ""), ("km", 7_000.0, 70.0)),
    ],
)
def test_a_cover_takes_the_closest_life_at_its_own_daily_distance(history, row, like, reckoned):
    found = with_life(covers(**row), repair_lives(history, min_releaks=10)).row(0, named=True)
    assert (found["life_family"], found["life_method"]) == like
    assert (found["time_scale"], found["age"], found["pace"]) == reckoned


@pytest.mark.parametrize("row", [{"status": "re-leak"}, {"status": "competing"}, {"status": None, "age_days": None}])
def test_a_cover_not_known_to_have_stayed_dry_since_a_repair_has_none(history, row):
    found = with_life(covers(**row), repair_lives(history, min_releaks=10))
    assert found["shape"].to_list() == [None]


def test_without_kilometres_lives_are_in_days():
    history = repairs("K4", "gasket", drawn(1.5, 300.0, 100), watched_days=365.0, km_a_day=None)
    found = with_life(covers(), repair_lives(history, min_releaks=10)).row(0, named=True)
    assert found["time_scale"] == "days"


def test_no_repairs_no_lives(history):
    nothing = history.clear()
    assert repair_lives(nothing, min_releaks=10).is_empty()
    assert with_life(covers(), repair_lives(nothing, min_releaks=10)).height == 1
