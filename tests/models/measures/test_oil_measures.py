"""Oil after a repair against oil before it, and a vehicle against its family."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from models.measures import oil_ratios, oil_trends
from models.measures.oil_trends import MIN_OTHERS
from models.settings import MeasureRules, OilRules
from models.tables.measures import OilRatios, OilTrends

START = datetime(2024, 1, 1, tzinfo=UTC)
TIME = pl.Datetime("us", "UTC")


def segments(fills: dict[str, list[tuple[int, float]]], *, km_a_day: float = 100.0) -> pl.DataFrame:
    """Segments of vehicles that drive so far a day, from the (day, litres) of their fills; the first opens."""
    rows = [
        (vehicle, START + timedelta(days=since), START + timedelta(days=day), (day - since) * km_a_day, litres)
        for vehicle, own in fills.items()
        for (since, _), (day, litres) in pairwise(own)
    ]
    schema = {"vehicle_id": pl.String, "started_at": TIME, "ended_at": TIME, "km": pl.Float64, "litres": pl.Float64}
    return (
        pl.DataFrame(rows, schema=schema, orient="row")
        .with_row_index("top_up_id")
        .with_columns(
            pl.col("top_up_id").cast(pl.String),
            engine_id=pl.lit("E"),
            started_on=pl.col("started_at").dt.date(),
            ended_on=pl.col("ended_at").dt.date(),
        )
    )


def episodes(*spans: tuple[int, int], vehicle: str = "V") -> pl.DataFrame:
    """Episodes of one vehicle from the days of repair and end."""
    rows = [
        (f"{vehicle}{number}", vehicle, "E", START + timedelta(days=day), START + timedelta(days=end))
        for number, (day, end) in enumerate(spans)
    ]
    schema = {"episode_id": pl.String, "vehicle_id": pl.String, "engine_id": pl.String, "repaired_at": TIME}
    frame = pl.DataFrame(rows, schema=schema | {"ended_at": TIME}, orient="row")
    return frame.with_columns(repaired_on=pl.col("repaired_at").dt.date())


def ratios(spans: list[tuple[int, int]], fills: list[tuple[int, float]]) -> list[dict[str, object]]:
    found = oil_ratios(episodes(*spans), segments({"V": fills}), rules=MeasureRules())
    return OilRatios.validate(found).to_dicts()


def test_a_repair_that_cut_the_oil_by_two_thirds() -> None:
    """1 L in 10 days before, 1 L in 30 days after, 100 km a day; F(6, 6) at 97.5% is 5.820 in any handbook."""
    (row,) = ratios([(35, 400)], [(0, 1), (10, 1), (20, 1), (30, 1), (40, 1), (70, 1), (100, 1), (130, 1)])
    assert (row["before_top_ups"], row["before_km"], row["before_litres"]) == (3, 3_000.0, 3.0)
    assert (row["after_top_ups"], row["after_km"], row["after_litres"]) == (3, 9_000.0, 3.0)
    assert row["ratio"] == pytest.approx(1 / 3)
    assert row["low"] == pytest.approx(1 / 3 / 5.820, abs=5e-5)
    assert row["high"] == pytest.approx(5.820 / 3, abs=5e-4)
    assert row["reason"] is None


def test_before_reaches_back_to_the_repair_before_and_after_to_the_end() -> None:
    fills = [(0, 1), (5, 9), (10, 9), (25, 1), (35, 1), (45, 1), (60, 2), (70, 2), (80, 2), (95, 9)]
    first, second = ratios([(20, 50), (50, 85)], fills)
    assert (first["before_litres"], first["after_litres"]) == (18.0, 2.0), "from 0 to 20, and from 20 to 50"
    assert (second["before_litres"], second["after_litres"]) == (2.0, 4.0), "from 20 to 50, and from 50 to 85"


def test_what_is_after_the_engines_next_repair_of_either_cover_is_not_after_this_one() -> None:
    fills = [(0, 1), (10, 1), (15, 1), (25, 2), (35, 2), (60, 9), (70, 9)]
    row = ratios([(20, 90), (40, 90)], fills)[0]
    assert (row["after_top_ups"], row["after_litres"]) == (1, 2.0), "from 25 to 35: the other cover is repaired on 40"


def test_what_is_longer_ago_than_the_window_is_left_out() -> None:
    days = MeasureRules().oil_window_days
    fills = [(0, 5), (10, 5), (days + 100, 1), (days + 110, 1), (days + 120, 1)]
    (row,) = ratios([(days + 125, days + 300)], fills)
    assert row["before_litres"] == 2.0


def test_one_top_up_on_a_side_is_too_few() -> None:
    (row,) = ratios([(35, 400)], [(0, 1), (10, 1), (20, 1), (40, 1), (70, 1)])
    assert row["ratio"] is None
    assert row["high"] is None
    assert row["reason"] == "too few to say: 2 top-ups before, 1 top-up after"
    (none,) = ratios([(35, 400)], [])
    assert none["reason"] == "too few to say: 0 top-ups before, 0 top-ups after"


def test_another_engine_of_the_vehicle_counts_for_nothing() -> None:
    fills = segments({"V": [(0, 1), (10, 1), (20, 1), (30, 1)]}).with_columns(engine_id=pl.lit("other"))
    assert oil_ratios(episodes((35, 400)), fills, rules=MeasureRules())["before_top_ups"].to_list() == [0]


def _drawn(chance: np.random.Generator, rate: float, until: int, start: int = 0) -> list[tuple[int, float]]:
    """Fills of one litre at 100 km a day with gamma-distributed gaps (shape 4) at so many litres per 1,000 km."""
    days = start + np.cumsum(chance.gamma(4.0, 10.0 / rate / 4.0, 200))
    return [(round(float(day)), 1.0) for day in days if day < until]


def test_limits_hold_the_true_ratio_of_simulated_repairs() -> None:
    """300 vehicles at 1 L/1,000 km before and 0.4 after; the shape is found from the fleet itself.

    A repair after which oil was put in seldom shows few top-ups, so only three standard errors below 95% is asked.
    """
    chance = np.random.default_rng(5)
    fills = {
        f"V{number:03}": [*_drawn(chance, 1.0, 300), *_drawn(chance, 0.4, 700, start=300)] for number in range(300)
    }
    repaired = pl.concat(episodes((300, 700), vehicle=vehicle) for vehicle in fills)
    found = oil_ratios(repaired, segments(fills), rules=MeasureRules()).drop_nulls("ratio")
    assert found.height > 290
    covered = found.select(((pl.col("low") <= 0.4) & (pl.col("high") >= 0.4)).mean()).item()
    assert covered > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 300)
    assert (found["high"] < 1.0).mean() > 0.9, "a cut by more than half shows with so many top-ups"


def trends(fills: dict[str, list[tuple[int, float]]], **families: str) -> dict[str, dict[str, object]]:
    periods = pl.DataFrame(
        [(vehicle, "E", families.get(vehicle, "F"), date(2020, 1, 1), None) for vehicle in fills],
        schema=["vehicle_id", "engine_id", "engine_family", "from_on", "to_on"],
        orient="row",
    )
    found = oil_trends(segments(fills), periods, rules=MeasureRules(), oil_rules=OilRules())
    return {row["vehicle_id"]: row for row in OilTrends.validate(found).to_dicts()}


def test_a_vehicle_is_held_against_the_others_of_its_family() -> None:
    """1 L in 10 days against five others at 1 L in 20: 1 against 0.5 L/1,000 km, each on 4 top-ups."""
    slow = [(day, 1.0) for day in range(0, 100, 20)]
    fills = {"V": [(day, 1.0) for day in range(0, 50, 10)]} | {f"W{number}": slow for number in range(MIN_OTHERS)}
    row = trends(fills | {"X": [(0, 1.0), (10, 9.0), (20, 9.0)]}, X="G")["V"]
    assert (row["litres_per_1000km"], row["family_litres_per_1000km"], row["others"]) == (1.0, 0.5, MIN_OTHERS)
    assert row["ratio"] == pytest.approx(2.0)
    low, high = row["low"], row["high"]
    assert isinstance(low, float)
    assert isinstance(high, float)
    assert low < 2.0 < high


def test_a_small_family_and_a_single_top_up_are_too_few() -> None:
    steady = [(day, 1.0) for day in range(0, 100, 20)]
    few = trends({f"W{number}": steady for number in range(MIN_OTHERS)})
    assert few["W0"]["ratio"] is None
    assert few["W0"]["reason"] == "too few to say: 4 top-ups, 4 other vehicles of the family"
    alone = trends({"V": [(0, 1.0), (10, 1.0)]})["V"]
    assert alone["reason"] == "too few to say: 1 top-up, 0 other vehicles of the family"
    assert alone["family_litres_per_1000km"] is None


def test_a_rate_that_moved_is_told_with_its_day_and_size() -> None:
    fills = [(day, 1.0) for day in [*range(0, 140, 20), *range(130, 200, 5)]]
    row = trends({"V": sorted(set(fills))})["V"]
    assert row["is_shifted"]
    assert row["shift_ratio"] == pytest.approx(4.0, rel=0.2)
    assert abs((row["shifted_on"] - date(2024, 4, 30)).days) <= 20


def test_the_order_of_rows_does_not_matter() -> None:
    chance = np.random.default_rng(3)
    fills = segments({f"V{number}": _drawn(chance, 1.0, 400) for number in range(8)})
    repaired = pl.concat(episodes((200, 390), vehicle=f"V{number}") for number in range(8))
    shuffled = fills.sample(fraction=1.0, shuffle=True, seed=1)
    one = oil_ratios(repaired, fills, rules=MeasureRules())
    assert (
        oil_ratios(repaired.reverse(), shuffled, rules=MeasureRules())
        .drop("ratio", "low", "high")
        .equals(one.drop("ratio", "low", "high"))
    )
