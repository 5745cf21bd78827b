"""Engine hours of an episode from readings before, within and after it."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.engine_hours import engine_hours_curve, hours_at
from models.episodes.distances import hours_to_end
from models.settings import OdometerRules
from models.tables.ledger import EngineHoursCurve

ZERO = datetime(2024, 1, 1, tzinfo=UTC)


def at(day: float) -> datetime:
    return ZERO + timedelta(days=day)


def curve_of(*readings: tuple[float, float | None], vehicle: str = "V") -> pl.DataFrame:
    """The curve of one vehicle from (day number, engine hours)."""
    when = pl.Series([at(day) for day, _ in readings], dtype=pl.Datetime("us", "UTC"))
    frame = pl.DataFrame({"read_at": when, "engine_hours": pl.Series([h for _, h in readings], dtype=pl.Float64)})
    frame = frame.with_columns(
        vehicle_id=pl.lit(vehicle),
        read_on=pl.col("read_at").dt.date(),
        reading_id=pl.int_range(pl.len()).cast(pl.String),
    )
    return EngineHoursCurve.validate(engine_hours_curve(frame, rules=OdometerRules()))


def episode(start: float, end: float, *, vehicle: str = "V") -> pl.DataFrame:
    return pl.DataFrame({"vehicle_id": [vehicle], "repaired_at": [at(start)], "ended_at": [at(end)]})


def test_readings_without_hours_are_no_part_of_the_curve() -> None:
    curve = curve_of((0, 1000.0), (10, None), (100, 1400.0))
    assert curve["hours"].to_list() == [1000.0, 1400.0]


def test_hours_between_readings_are_interpolated_and_bounded_by_them() -> None:
    found = hours_at(curve_of((0, 1000.0), (100, 1400.0)), episode(25, 0).select("vehicle_id", at="repaired_at"))
    assert found.select("hours", "error_hours").row(0) == (1100.0, 300.0)


def test_an_episode_adds_the_bounds_of_its_two_ends() -> None:
    curve = curve_of((0, 1000.0), (100, 1400.0), (200, 1600.0))
    assert hours_to_end(curve=curve, episodes=episode(100, 150)).row(0) == (100.0, 100.0)
    assert hours_to_end(curve=curve, episodes=episode(50, 200)).row(0) == (400.0, 200.0)
    assert hours_to_end(curve=curve, episodes=episode(50, 50)).row(0) == (0.0, 0.0)


def test_after_the_last_reading_the_pace_is_carried_on_and_all_it_adds_may_be_wrong() -> None:
    curve = curve_of((0, 1000.0), (100, 1400.0))
    assert hours_to_end(curve=curve, episodes=episode(100, 150)).row(0) == (200.0, 200.0)


@pytest.mark.parametrize("readings", [(), ((0, None),), ((0, 1000.0),), ((0, 1000.0), (3, 1010.0))])
def test_without_readings_enough_to_tell_a_pace_there_are_no_hours(readings) -> None:
    found = hours_to_end(curve=curve_of(*readings), episodes=episode(10, 50))
    assert found.row(0) == (None, None)
    assert (
        hours_to_end(curve=curve_of((0, 1.0), (99, 500.0)), episodes=episode(10, 50, vehicle="W")).row(0) == (None,) * 2
    )


def test_a_typing_error_is_set_aside_and_another_meter_is_a_step() -> None:
    typed = curve_of((0, 1000.0), (30, 1120.0), (60, 12400.0), (90, 1360.0), (120, 1480.0))
    assert typed.filter(~pl.col("is_used"))["engine_hours"].to_list() == [12400.0]
    swapped = curve_of((0, 5000.0), (30, 5120.0), (60, 20.0), (90, 140.0), (120, 260.0))
    assert swapped["is_used"].all()
    assert swapped["hours"].to_list() == pytest.approx([5000.0, 5120.0, 5240.0, 5360.0, 5480.0])


def test_no_engine_runs_more_than_a_day_a_day() -> None:
    curve = curve_of((0, 1000.0), (10, 1500.0), (40, 1180.0), (80, 1340.0))
    assert curve.filter(~pl.col("is_used"))["engine_hours"].to_list() == [1500.0]


def test_the_truth_lies_within_the_bound() -> None:
    """Hours that run unevenly, read at random: an episode inside the readings is never further off than it says."""
    random = np.random.default_rng(12)
    for _ in range(60):
        true = np.concatenate([[0.0], np.cumsum(random.gamma(0.3, 8.0, 400).clip(max=24.0))])
        days = np.unique(np.concatenate([[0, 400], random.integers(0, 401, 8)]))
        start, end = np.sort(random.integers(0, 401, 2))
        curve = curve_of(*((float(day), round(float(true[day]), 6)) for day in days))
        hours, error = hours_to_end(curve=curve, episodes=episode(float(start), float(end))).row(0)
        assert abs(hours - (true[end] - true[start])) <= error + 0.01
