from datetime import UTC, date, datetime

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from models.engines import engine_at, engine_periods, locate

D = date.fromisoformat


def vehicles(*rows: tuple[str, str | None, str | None]) -> pl.DataFrame:
    """Vehicles in service since 2020-01-01 as (vehicle, engine, last day in service)."""
    return pl.DataFrame(
        {
            "vehicle_id": [row[0] for row in rows],
            "engine_family": ["F"] * len(rows),
            "engine_id": pl.Series([row[1] for row in rows], dtype=pl.String),
            "in_service_on": [date(2020, 1, 1)] * len(rows),
            "out_of_service_on": pl.Series([row[2] and D(row[2]) for row in rows], dtype=pl.Date),
        }
    )


def fitments(*rows: tuple[str, str, str, str | None]) -> pl.DataFrame:
    """Fitments as (vehicle, engine, fitted, removed); the family is named after the engine."""
    return pl.DataFrame(
        {
            "vehicle_id": pl.Series([row[0] for row in rows], dtype=pl.String),
            "engine_id": pl.Series([row[1] for row in rows], dtype=pl.String),
            "engine_family": pl.Series([f"F{row[1]}" for row in rows], dtype=pl.String),
            "fitted_on": pl.Series([D(row[2]) for row in rows], dtype=pl.Date),
            "removed_on": pl.Series([row[3] and D(row[3]) for row in rows], dtype=pl.Date),
        }
    )


def told(periods: pl.DataFrame) -> list[tuple[str, str, str, str]]:
    return [(row[1], row[2], str(row[3]), str(row[4])) for row in periods.iter_rows()]


def engines_on(periods: pl.DataFrame, *days: str) -> list[str]:
    events = pl.DataFrame({"vehicle_id": ["V"] * len(days), "on": [D(day) for day in days]})
    return engine_at(periods, events)["engine_id"].to_list()


def test_without_fitments_one_period_from_entering_to_leaving_service() -> None:
    periods = engine_periods(vehicles(("V", "E1", "2024-06-30")), fitments())
    assert told(periods) == [("E1", "F", "2020-01-01", "2024-06-30")]


def test_an_engine_without_a_number_is_called_after_its_vehicle() -> None:
    assert told(engine_periods(vehicles(("V", None, None)), fitments())) == [("V", "F", "2020-01-01", "None")]


def test_fitments_win_over_the_vehicles_file() -> None:
    rows = [("V", "E1", "2020-01-01", "2022-05-01"), ("V", "E2", "2022-05-03", None)]
    periods = engine_periods(vehicles(("V", "E9", None)), fitments(*rows))
    assert told(periods) == [("E1", "FE1", "2020-01-01", "2022-05-01"), ("E2", "FE2", "2022-05-03", "None")]


def test_the_vehicles_file_fills_the_days_before_the_first_fitment() -> None:
    periods = engine_periods(vehicles(("V", "E1", None)), fitments(("V", "E2", "2022-05-03", None)))
    assert told(periods) == [("E1", "F", "2020-01-01", "2022-05-03"), ("E2", "FE2", "2022-05-03", "None")]


def test_a_vehicles_file_that_names_a_later_engine_does_not_say_which_was_first() -> None:
    rows = [("V", "E2", "2022-05-03", None), ("V", "E3", "2023-05-03", None)]
    periods = engine_periods(vehicles(("V", "E3", None)), fitments(*rows))
    assert [row[0] for row in told(periods)] == ["V", "E2", "E3"]


def test_rows_that_go_on_with_the_same_engine_are_one_period() -> None:
    rows = [("V", "E1", "2020-01-01", "2021-01-01"), ("V", "E1", "2021-01-02", None)]
    assert told(engine_periods(vehicles(("V", "E1", None)), fitments(*rows))) == [("E1", "FE1", "2020-01-01", "None")]


def test_a_period_whose_end_was_written_before_its_start_lasts_a_day() -> None:
    periods = engine_periods(vehicles(("V", "E1", "2019-06-01")), fitments())
    assert told(periods) == [("E1", "F", "2020-01-01", "2020-01-01")]


def test_an_engine_out_for_a_month_and_back_is_two_periods() -> None:
    rows = [("V", "E1", "2020-01-01", "2021-01-01"), ("V", "E1", "2021-02-01", None)]
    assert len(engine_periods(vehicles(("V", "E1", None)), fitments(*rows))) == 2


def test_an_event_finds_the_engine_of_its_day_and_the_day_of_a_swap_belongs_to_the_one_that_came_out() -> None:
    rows = [("V", "E1", "2020-01-01", "2022-05-03"), ("V", "E2", "2022-05-03", None)]
    periods = engine_periods(vehicles(("V", "E1", None)), fitments(*rows))
    days = ["2019-12-01", "2020-01-01", "2022-05-02", "2022-05-03", "2022-05-04"]
    assert engines_on(periods, *days) == ["E1", "E1", "E1", "E1", "E2"]


def test_the_day_an_engine_goes_in_is_its_own_where_the_other_came_out_before() -> None:
    rows = [("V", "E1", "2020-01-01", "2022-05-01"), ("V", "E2", "2022-05-03", None)]
    periods = engine_periods(vehicles(("V", "E1", None)), fitments(*rows))
    assert engines_on(periods, "2022-05-02", "2022-05-03") == ["E1", "E2"]


def test_events_keep_their_order_and_an_unknown_vehicle_has_no_engine() -> None:
    periods = engine_periods(vehicles(("V", "E1", None)), fitments())
    events = pl.DataFrame({"vehicle_id": ["X", "V"], "on": [D("2021-01-02"), D("2021-01-01")], "mark": [1, 2]})
    found = engine_at(periods, events)
    assert found.rows() == [("X", D("2021-01-02"), 1, None, None), ("V", D("2021-01-01"), 2, "E1", "F")]


def test_a_record_is_placed_on_engine_covers_and_curve() -> None:
    periods = engine_periods(vehicles(("V", "E1", None)), fitments())
    read_at = pl.Series([datetime(2021, 1, day, tzinfo=UTC) for day in (1, 11)], dtype=pl.Datetime("us", "UTC"))
    curve = pl.DataFrame({"vehicle_id": "V", "read_at": read_at, "distance_km": [0.0, 1000.0], "is_used": True})
    families = pl.DataFrame({"engine_family": ["F"], "cover_positions": ["left;right"]})
    notes = pl.DataFrame(
        {
            "note_id": ["N2", "N1"],
            "vehicle_id": ["V", "V"],
            "noted_at": pl.Series(
                [datetime(2021, 1, day, tzinfo=UTC) for day in (6, 2)], dtype=pl.Datetime("us", "UTC")
            ),
            "noted_on": [D("2021-01-06"), D("2021-01-02")],
        }
    )
    found = locate(notes, at_column="noted_at", on_column="noted_on", periods=periods, families=families, curve=curve)
    assert found.columns == [*notes.columns, "engine_id", "engine_family", "cover_positions", "distance_km", "error_km"]
    assert found.select("note_id", "engine_id", "cover_positions", "distance_km", "error_km").rows() == [
        ("N2", "E1", "left;right", 500.0, 500.0),
        ("N1", "E1", "left;right", 100.0, 900.0),
    ]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 900), st.sampled_from(["E1", "E2", "E3"])), max_size=5, unique_by=lambda t: t[0]),
    st.integers(0, 100),
)
def test_periods_follow_each_other_whatever_the_order_of_rows(rows: list[tuple[int, str]], seed: int) -> None:
    start = date(2020, 1, 1).toordinal()
    fitted = fitments(*(("V", engine, date.fromordinal(start + day).isoformat(), None) for day, engine in rows))
    periods = engine_periods(vehicles(("V", "E1", None)), fitted)
    assert engine_periods(vehicles(("V", "E1", None)), fitted.sample(fraction=1, shuffle=True, seed=seed)).equals(
        periods
    )
    assert periods["from_on"][0] == date(2020, 1, 1)
    assert periods["to_on"].to_list() == [*periods["from_on"].to_list()[1:], None]
