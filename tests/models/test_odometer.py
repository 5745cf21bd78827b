from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.odometer import distance_at, odometer_curve
from models.settings import OdometerRules
from models.tables.ledger import OdometerCurve

FIRST_DAY = date(2024, 1, 1)
MOMENTS = {
    "work_orders": ("opened", "order_id"),
    "oil_top_ups": ("topped_up", "top_up_id"),
    "inspection_notes": ("noted", "note_id"),
    "odometer_readings": ("read", "reading_id"),
}


def mentions(kind: str, readings: list[tuple[str, float, float | None]]) -> pl.DataFrame:
    """Records of one kind as (vehicle, day number, odometer)."""
    moment, identifier = MOMENTS[kind]
    when = [datetime(2024, 1, 1, tzinfo=UTC) + timedelta(days=day) for _, day, _ in readings]
    return pl.DataFrame(
        {
            "vehicle_id": pl.Series([vehicle for vehicle, _, _ in readings], dtype=pl.String),
            f"{moment}_at": pl.Series(when, dtype=pl.Datetime("us", "UTC")),
            f"{moment}_on": pl.Series([at.date() for at in when], dtype=pl.Date),
            "odometer_km": pl.Series([km for _, _, km in readings], dtype=pl.Float64),
            identifier: pl.Series([f"{index:05d}" for index in range(len(readings))], dtype=pl.String),
        }
    )


def curve_of(readings: list[tuple[float, float | None]], *, rules: OdometerRules | None = None) -> pl.DataFrame:
    """The curve of one vehicle from (day number, odometer)."""
    frames = {kind: mentions(kind, []) for kind in MOMENTS}
    frames["odometer_readings"] = mentions("odometer_readings", [("V", day, km) for day, km in readings])
    curve = odometer_curve(*frames.values(), rules=rules or OdometerRules())
    return OdometerCurve.validate(curve)


def uses(curve: pl.DataFrame) -> dict[float, str]:
    return {row["odometer_km"]: row["use"] for row in curve.iter_rows(named=True) if row["use"] != "used"}


def steady(days: range, *, from_km: float = 100_000.0, km_per_day: float = 100.0) -> list[tuple[float, float]]:
    return [(day, from_km + km_per_day * day) for day in days]


def test_mentions_of_every_kind_are_pooled_and_those_without_a_reading_left_out() -> None:
    frames = {
        kind: mentions(kind, [("V", index * 10.0, 1000.0 + index), ("V", index * 10.0 + 1, None)])
        for index, kind in enumerate(MOMENTS)
    }
    curve = odometer_curve(*frames.values(), rules=OdometerRules())
    assert curve["origin_kind"].to_list() == list(MOMENTS)
    assert curve["distance_km"].to_list() == [1000.0, 1001.0, 1002.0, 1003.0]


@pytest.mark.parametrize(
    ("wrong", "use"),
    [
        ((55, 150_500.0), "typing error"),  # 105,500 with two digits swapped
        ((55, 1_055_000.0), "typing error"),  # a digit too many
        ((55, 10_550.0), "typing error"),  # a digit too few
        ((55, 65_554.0), "other units"),  # 105,500 km read in miles
        ((55, 169_785.0), "other units"),  # 105,500 already in km, converted again
        ((55, 312.0), "out of order"),  # a trip meter
        ((55, 102_222.0), "out of order"),  # a reading of four weeks before, entered late
        ((55, 489_777.0), "too fast"),
    ],
)
def test_a_reading_that_does_not_fit_is_set_aside_with_a_reason(wrong: tuple[float, float], use: str) -> None:
    curve = curve_of([*steady(range(0, 101, 10)), wrong])
    assert uses(curve) == {wrong[1]: use}
    assert curve.filter(~pl.col("is_used"))["distance_km"].to_list() == [None]


def test_one_high_reading_costs_itself_and_not_the_true_ones_after_it() -> None:
    """A greedy reader would believe the first high reading and set all later ones aside."""
    curve = curve_of([(0, 100_000.0), (10, 109_000.0), *steady(range(20, 60, 10))])
    assert curve.filter(~pl.col("is_used"))["odometer_km"].to_list() == [109_000.0]


def test_between_chains_of_as_many_readings_the_vehicles_own_pace_decides() -> None:
    """Two first readings contradict each other; the second, in miles, would mean 900 km a day."""
    curve = curve_of([(0, 100_000.0), (50, 65_244.0), *steady(range(100, 161, 10))])
    assert uses(curve) == {65_244.0: "other units"}


def test_readings_of_a_day_count_in_ascending_order_whatever_their_hour() -> None:
    curve = curve_of([(0.5, 1000.0), (1.0, 1200.0), (1.6, 1100.0), (2.5, 1300.0)])
    assert curve["is_used"].all()
    assert curve["distance_km"].is_sorted()


def test_a_replaced_instrument_is_a_step_and_adds_the_vehicles_own_pace() -> None:
    curve = curve_of([*steady(range(0, 101, 10)), (110, 12.0), (120, 1_012.0), (130, 2_012.0)])
    assert uses(curve) == {12.0: "instrument replaced"}
    assert curve["is_used"].all()
    assert curve["distance_km"].to_list()[-4:] == [110_000.0, 111_000.0, 112_000.0, 113_000.0]


def test_one_low_reading_is_no_new_instrument() -> None:
    curve = curve_of([*steady(range(0, 101, 10)), (110, 12.0)])
    assert uses(curve) == {12.0: "out of order"}


def test_how_many_readings_make_a_step_is_a_setting() -> None:
    readings = [*steady(range(0, 101, 10)), (110, 12.0), (120, 1_012.0)]
    assert uses(curve_of(readings)) == {12.0: "instrument replaced"}
    strict = curve_of(readings, rules=OdometerRules(min_readings_after_step=3))
    assert set(strict.filter(~pl.col("is_used"))["odometer_km"]) == {12.0, 1_012.0}


@pytest.mark.parametrize(("before", "after"), [(999_950.0, 30.0), (99_950.0, 30.0), (160_920.0, 60.0)])
def test_a_rollover_adds_the_instruments_range(before: float, after: float) -> None:
    """At six digits, at five, and at five of a mile instrument (100,000 mi = 160,934.4 km)."""
    readings = [(day, before - 1000 + 100 * day) for day in range(0, 11, 2)]
    curve = curve_of([*readings, (11, after), (12, after + 100), (13, after + 200)])
    assert uses(curve) == {after: "rollover"}
    assert curve["distance_km"].diff().drop_nulls().max() <= 200.0


def test_miles_at_the_end_are_other_units_and_no_new_instrument() -> None:
    tail = [(day, (100_000.0 + 100 * day) / 1.609344) for day in (110, 120, 130)]
    curve = curve_of([*steady(range(0, 101, 10)), *tail])
    assert set(uses(curve).values()) == {"other units"}


def test_distance_between_readings_is_interpolated_and_bounded_by_them() -> None:
    curve = curve_of([(0, 1000.0), (10, 3000.0)])
    read = distance_at(curve, moments("V", 0, 2.5, 10))
    assert read["distance_km"].to_list() == [1000.0, 1500.0, 3000.0]
    assert read["error_km"].to_list() == [0.0, 1500.0, 0.0]


def test_distance_beyond_the_readings_goes_on_at_the_mean_pace_with_growing_error() -> None:
    curve = curve_of([(10, 1000.0), (20, 3000.0)])
    read = distance_at(curve, moments("V", 25, 30, 8, 0))
    assert read["distance_km"].to_list() == [4000.0, 5000.0, 600.0, 0.0]
    assert read["error_km"].to_list() == [1000.0, 2000.0, 400.0, 2000.0]


def test_distance_is_null_without_readings_or_without_a_known_pace() -> None:
    curve = curve_of([(10, 1000.0)])
    read = distance_at(curve, moments("V", 10, 11).vstack(moments("W", 10)))
    assert read["distance_km"].to_list() == [1000.0, None, None]
    assert read["error_km"].to_list() == [0.0, None, None]


def test_queries_keep_their_order_and_columns() -> None:
    queries = moments("V", 9, 1, 5).with_columns(mark=pl.Series([1, 2, 3]))
    read = distance_at(curve_of([(0, 0.0), (10, 1000.0)]), queries)
    assert read.select("vehicle_id", "at", "mark").equals(queries)
    assert read["distance_km"].to_list() == [900.0, 100.0, 500.0]


def moments(vehicle_id: str, *days: float) -> pl.DataFrame:
    when = [datetime(2024, 1, 1, tzinfo=UTC) + timedelta(days=day) for day in days]
    return pl.DataFrame({"vehicle_id": [vehicle_id] * len(days), "at": pl.Series(when, dtype=pl.Datetime("us", "UTC"))})


READINGS = st.lists(
    st.tuples(
        st.integers(0, 400), st.sampled_from([0, 50_000, 99_000, 100_000, 110_000, 300_000, 999_000]), st.integers(0, 9)
    ).map(lambda t: (float(t[0]), float(t[1] + 90 * t[0] * (t[2] > 2)))),
    min_size=1,
    max_size=25,
)


@settings(max_examples=80, deadline=None)
@given(READINGS)
def test_the_curve_never_falls_and_no_reading_is_lost(readings: list[tuple[float, float]]) -> None:
    curve = curve_of(readings)
    assert curve.height == len(readings)
    used = curve.filter("is_used")
    assert used.height >= 1
    assert used["distance_km"].is_sorted()
    assert (curve["is_used"] == curve["use"].is_in(["used", "rollover", "instrument replaced"])).all()
    along = distance_at(curve, moments("V", *range(-20, 450, 7)))["distance_km"].drop_nulls()
    assert along.is_sorted()


@settings(max_examples=40, deadline=None)
@given(st.lists(READINGS, min_size=1, max_size=3), st.integers(0, 1_000))
def test_order_of_rows_and_company_do_not_matter(fleet: list[list[tuple[float, float]]], seed: int) -> None:
    rows = [(f"V{index}", day, km) for index, readings in enumerate(fleet) for day, km in readings]
    empty = [mentions(kind, []) for kind in list(MOMENTS)[:3]]
    pooled = mentions("odometer_readings", rows)
    shuffled = pooled.sample(fraction=1.0, shuffle=True, seed=seed)
    whole = odometer_curve(*empty, pooled, rules=OdometerRules())
    assert odometer_curve(*empty, shuffled, rules=OdometerRules()).equals(whole)
    first = odometer_curve(*empty, pooled.filter(pl.col("vehicle_id") == "V0"), rules=OdometerRules())
    assert whole.filter(pl.col("vehicle_id") == "V0").equals(first)


@settings(max_examples=60, deadline=None)
@given(st.integers(3, 30), st.integers(2, 20), st.floats(20.0, 400.0), st.integers(0, 900))
def test_a_replaced_instrument_is_always_a_step(before: int, after: int, pace: float, start_km: int) -> None:
    old = [(float(10 * day), 200_000.0 + pace * 10 * day) for day in range(before)]
    new = [(float(10 * (before + day)), start_km + pace * 10 * day) for day in range(after)]
    curve = curve_of([*old, *new])
    assert curve["is_used"].all()
    assert uses(curve) == {float(start_km): "instrument replaced"}


def test_every_kept_reading_lies_within_reach_of_the_one_before() -> None:
    rules = OdometerRules(max_km_per_day=500.0)
    curve = curve_of([(0, 1000.0), (1, 2000.0), (2, 3001.0), (3, 3500.0)], rules=rules).filter("is_used")
    days = curve["read_on"].diff().dt.total_days().drop_nulls()
    assert (curve["distance_km"].diff().drop_nulls() <= 500.0 * (days + 1)).all()
    assert curve.height == 3


def test_dates_are_local_days() -> None:
    assert curve_of([(0, 1.0)])["read_on"].to_list() == [FIRST_DAY]
