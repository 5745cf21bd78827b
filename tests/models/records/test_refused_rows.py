"""A bad row of each kind is found among the refused, with file, row, column, value and reason."""

import polars as pl
import pytest

from models.tables.audit import RefusedRows
from models.tables.records import TABLES

NO_VALUE = "holds no value"

BAD_ROWS = [
    ("engine_families", "engine_family", "", NO_VALUE),
    ("engine_families", "cover_positions", "3", "does not name the covers"),
    ("engine_families", "plug_tubes", "some", "neither yes nor no"),
    ("engine_families", "bolts", "3.5", "not a whole number"),
    ("engine_families", "bolts", "1e999", "not a whole number"),
    ("engine_families", "bolts", "1e30", "not a whole number"),
    ("engine_families", "layout", "0,0;40", "not a bolt layout"),
    ("engine_families", "stage1_nm", "0", "must be above 0 and at most 500 N·m"),
    ("engine_families", "settle_min", "-1", "must be at least 0"),
    ("engine_families", "final_angle_deg", "400", "at most 360 deg"),
    ("engine_families", "sump_litres", "900", "at most 500 L"),
    ("vehicles", "vehicle_id", "", NO_VALUE),
    ("vehicles", "engine_family", "", NO_VALUE),
    ("vehicles", "site", "", NO_VALUE),
    ("vehicles", "in_service_on", "2024-02-30", "not a day in the calendar"),
    ("vehicles", "in_service_on", "1905-01-01", "lies before 1950"),
    ("vehicles", "out_of_service_on", "2031-01-01", "lies after the day of the extract, 2024-06-30"),
    ("engine_fitments", "vehicle_id", "V404", "held until it arrives"),
    ("engine_fitments", "engine_id", "", NO_VALUE),
    ("engine_fitments", "engine_family", "", NO_VALUE),
    ("engine_fitments", "fitted_on", "01/02/2024", "not an ISO date"),
    ("engine_fitments", "removed_on", "soon", "not an ISO date"),
    ("work_orders", "order_id", "", NO_VALUE),
    ("work_orders", "vehicle_id", "V404", "held until it arrives"),
    ("work_orders", "site", "", NO_VALUE),
    ("work_orders", "opened_at", "2024-07-01", "lies after the day of the extract"),
    ("work_orders", "opened_at", "04/03/24", "two-digit year"),
    ("work_orders", "opened_at", "unknown", NO_VALUE),
    ("work_orders", "completed_at", "2024-13-01", "not a day in the calendar"),
    ("work_orders", "odometer", "-5", "must be at least 0 and at most 5,000,000 km"),
    ("work_orders", "odometer", "12000000", "at most 5,000,000 km"),
    ("work_orders", "odometer", "12k", "unknown unit"),
    ("work_orders", "labour_hours", "-2", "must be at least 0"),
    ("work_orders", "labour_hours", "two", "is not a number"),
    ("work_orders", "parts_cost", "12,5", "is not a number"),
    ("work_orders", "complaint", "oil leak at caf\ufffd", "bytes that are not text"),
    ("work_orders", "complaint", "oil\u2400leak", "bytes that are not text"),
    ("repair_records", "order_id", "W404", "not among the work orders yet: held"),
    ("repair_records", "cover_position", "nearside", "not a cover position"),
    ("repair_records", "bolts_renewed", "partly", "neither yes nor no"),
    ("repair_records", "cover_flatness_mm", "51", "at most 50 mm"),
    ("oil_top_ups", "vehicle_id", "V404", "held until it arrives"),
    ("oil_top_ups", "topped_up_at", "2024-03-04 24:30", "a time on the clock"),
    ("oil_top_ups", "volume", "0", "must be above 0 and at most 500 L"),
    ("oil_top_ups", "volume", "-1.5", "must be above 0"),
    ("oil_top_ups", "volume", "800", "at most 500 L"),
    ("oil_top_ups", "volume", "1 furlong", "unknown unit"),
    ("oil_top_ups", "volume", "", NO_VALUE),
    ("oil_top_ups", "odometer", "12,00", "is not a number"),
    ("inspection_notes", "vehicle_id", "V404", "held until it arrives"),
    ("inspection_notes", "noted_at", "", NO_VALUE),
    ("inspection_notes", "text", "", NO_VALUE),
    ("inspection_notes", "leak_class", "IV", "not a leak class"),
    ("odometer_readings", "vehicle_id", "V404", "held until it arrives"),
    ("odometer_readings", "read_at", "2025-01-01", "after the day of the extract"),
    ("odometer_readings", "odometer", "n/a", NO_VALUE),
    ("odometer_readings", "engine_hours", "1e9", "at most 500,000 h"),
]


@pytest.mark.parametrize(("kind", "column", "value", "reason"), BAD_ROWS)
def test_a_bad_value_is_refused_by_name(fleet, sound_row, *, kind: str, column: str, value: str, reason: str) -> None:
    load = fleet.add(kind, [sound_row(kind, **{column: value}), sound_row(kind)], name=f"north/{kind}.csv")
    refused = fleet.build().refused
    assert refused.to_dicts() == [
        {
            "load_id": load,
            "file": f"north/{kind}.csv",
            "row_number": 2,
            "kind": kind,
            "column_name": column,
            "value": value or None,
            "reason": refused["reason"][0],
        }
    ]
    assert reason in refused["reason"][0]
    RefusedRows.validate(refused, cast=True)


def test_every_kind_has_a_bad_row_here() -> None:
    assert {kind for kind, *_ in BAD_ROWS} == set(TABLES)


def test_the_sound_rows_are_accepted(landing, sound_row) -> None:
    for kind in TABLES:
        landing.add(kind, [sound_row(kind)])
    result = landing.build()
    assert result.outcomes["outcome"].unique().to_list() == ["accepted"]
    for kind, schema in TABLES.items():
        assert schema.validate(result.tables[kind]).height == 1


def test_missing_kinds_give_empty_tables(landing) -> None:
    result = landing.build()
    assert {kind: table.height for kind, table in result.tables.items()} == dict.fromkeys(TABLES, 0)
    for kind, schema in TABLES.items():
        schema.validate(result.tables[kind])


def test_a_ragged_row_and_a_repeated_header_are_refused_whole(fleet) -> None:
    header = ("vehicle_id", "read_at", "odometer")
    cells = [["V1", "2024-03-04"], list(header), ["V1", "2024-03-04", "5", "x"], ["V1", "2024-03-05", "120000"]]
    load = fleet.add_cells("odometer_readings", header, cells)
    assert fleet.outcomes(load) == ["refused", "refused", "refused", "accepted"]
    refused = fleet.build().refused
    assert refused["column_name"].to_list() == ["(row)"] * 3
    assert refused["value"][0] == "V1 | 2024-03-04"
    assert refused["reason"][0].startswith("has 2 cells, the header has 3")
    assert "header again" in refused["reason"][1]
    assert refused["reason"][2].startswith("has 4 cells, the header has 3")


def test_a_header_that_no_longer_fits_its_map_refuses_every_row_and_suggests_the_name(fleet) -> None:
    load = fleet.add_cells(
        "odometer_readings", ("Vehicle", "Read on", "Odo"), [["V1", "2024-03-04", "5"]] * 2,
        columns={"vehicle_id": "Vehicle", "read_at": "Read", "odometer": "Odo"},
    )  # fmt: skip
    assert fleet.outcomes(load) == ["refused"] * 2
    reason = fleet.build().refused["reason"][0]
    assert "has no column 'Read' for read_at (is it 'Read on'?)" in reason


def test_two_columns_of_one_name_are_told_apart_by_nobody(fleet) -> None:
    load = fleet.add_cells("odometer_readings", ("vehicle_id", "read_at", "odometer", "Odometer"),
                           [["V1", "2024-03-04", "5", "6"]])  # fmt: skip
    assert fleet.outcomes(load) == ["refused"]
    assert "2 columns 'odometer'" in fleet.build().refused["reason"][0]


def test_a_row_with_two_faults_is_refused_once_for_the_first(fleet) -> None:
    load = fleet.add("oil_top_ups", [{"vehicle_id": "V404", "topped_up_at": "never", "volume": "-1"}])
    result = fleet.build()
    assert result.outcomes.filter(pl.col("load_id") == load)["column_name"].to_list() == ["topped_up_at"]


def test_what_folding_adds_up_is_held_to_the_table_too(fleet, sound_row) -> None:
    lines = [sound_row("work_orders", order_id="W9", labour_hours="9000", parts=part) for part in ("a", "b")]
    load = fleet.add("work_orders", lines)
    assert fleet.outcomes(load) == ["refused", "refused"]
    refused = fleet.build().refused
    assert refused["column_name"].to_list() == ["labour_hours"] * 2
    assert refused["value"].to_list() == ["18000.0"] * 2
    assert "at most 10,000 h" in refused["reason"][0]


def test_constants_values_and_columns_of_a_map_are_applied(fleet) -> None:
    fleet.add_cells(
        "work_orders",
        ("Job No", "Fleet  no", "Date in", "Work", "KM", "Depot"),
        [["J7", "V1", "5.3.2024 14:30", "cam cover gasket", "1.200,5", "OLD YARD"]],
        columns={"order_id": "job no", "vehicle_id": "Fleet No", "opened_at": "Date in", "work_done": "Work",
                 "odometer": "KM", "site": "Depot"},
        constants={"status": "closed"},
        values={"site": {"old yard": "South"}},
        dates={"opened_at": "day_first"},
        decimal=",",
        zone="Europe/Berlin",
    )  # fmt: skip
    order = fleet.build().tables["work_orders"].filter(pl.col("order_id") == "J7").row(0, named=True)
    assert (order["site"], order["status"], order["odometer_km"]) == ("South", "closed", 1200.5)
    assert order["opened_at"].isoformat() == "2024-03-05T13:30:00+00:00"


def test_the_fleets_zone_counts_where_a_map_names_none(fleet) -> None:
    table = fleet.build(default_zone="Asia/Kolkata").tables["work_orders"]
    assert table["opened_at"][0].isoformat() == "2024-03-03T18:30:00+00:00"
    assert table["opened_on"][0].isoformat() == "2024-03-04"


def test_an_order_line_may_come_without_words(fleet, sound_row) -> None:
    fleet.add("work_orders", [sound_row("work_orders", order_id="W2", work_done="", parts="gasket")])
    table = fleet.build().tables["work_orders"]
    assert table.filter(pl.col("order_id") == "W2")["work_done"].to_list() == [""]


def test_a_column_left_out_of_a_map_is_found_under_its_own_name_unless_another_claims_it(fleet) -> None:
    fleet.add_cells(
        "work_orders",
        ("No", "vehicle_id", "Site", "opened_at", "complaint", "status"),
        [["J7", "V1", "North", "2024-03-05", "gasket renewed", "x"]],
        columns={"order_id": "No", "work_done": "complaint"},
        constants={"status": "closed"},
    )
    order = fleet.build().tables["work_orders"].row(by_predicate=pl.col("order_id") == "J7", named=True)
    assert (order["work_done"], order["complaint"], order["status"]) == ("gasket renewed", None, "closed")
    assert (order["site"], order["vehicle_id"]) == ("North", "V1")


def test_an_order_number_that_an_export_lacks_is_made_from_other_columns(fleet) -> None:
    load = fleet.add_cells(
        "work_orders",
        ("vehicle_id", "site", "opened_at", "work_done"),
        [["V1", "N", "2024-03-05", "gasket"], ["V1", "N", "2024-03-05", "road test"], ["V1", "N", "2024-03-06", "oil"]],
        made_from={"order_id": ["vehicle_id", "opened_at"]},
    )
    assert fleet.outcomes(load) == ["accepted"] * 3
    table = fleet.build().tables["work_orders"].filter(pl.col("load_id") == load)
    made = [("V1 2024-03-05", "gasket; road test"), ("V1 2024-03-06", "oil")]
    assert table.select("order_id", "work_done").rows() == made
