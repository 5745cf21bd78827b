"""Each surprise has a fleet it is found in, and an ordinary fleet it must not be found in."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import polars as pl
import pytest

from models.records.references import hold_unknown
from models.settings import ChecksRules, Settings
from models.tables import LAYERS, conform, layer_of
from pipelines.validation.surprises import SURPRISES, look

FIRST_DAY = date(2024, 1, 1)
DAYS = 800
TEXTS = ("rocker cover gasket dry", "cover gasket weeping at rear", "no oil leak seen")
DUTCH = "olielekkage bij kleppendeksel pakking vernieuwd"


def _moment(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 9, tzinfo=UTC)


def _day(number: int) -> date:
    return FIRST_DAY + timedelta(days=number)


def _dated(name: str, number: int, **more: Any) -> dict[str, Any]:
    """What rows of a kind have in common: four loads after each other, 40 vehicles in turn."""
    day = number % DAYS
    return {
        "vehicle_id": f"V{number % 40:02d}",
        "load_id": f"{name}-{day * 4 // DAYS}",
        "row_number": number + 2,
        "odometer_km": 1_000.0 + number,
        **more,
    }


def _loads() -> list[dict[str, Any]]:
    loads = []
    for kind, rows in (("work_orders", 200), ("inspection_notes", 1_000), ("oil_top_ups", 200), ("vehicles", 40)):
        for number in range(1 if kind == "vehicles" else 4):
            load = {"load_id": f"{kind}-{number}", "source": f"{kind} export", "file": f"{kind}_{number}.csv"}
            counts = {
                "rows_read": rows,
                "accepted": rows - 1,
                "refused": 1,
                "duplicate": 0,
                "superseded": 0,
                "overruled": 0,
            }
            when = _moment(_day(DAYS * (number + 1) // 4))
            loads.append(load | counts | {"kind": kind, "loaded_at": when, "content_digest": load["load_id"]})
    return loads


def _ordinary_fleet() -> dict[str, list[dict[str, Any]]]:
    orders = [
        _dated("work_orders", number, order_id=f"O{number}", site="Quay" if number % 2 else "Moor", work_done="renewed")
        | {"opened_at": _moment(_day(number)), "opened_on": _day(number), "completed_on": _day(number + 1)}
        | {"job_code": "ENG", "status": "closed", "line_count": 1}
        for number in range(DAYS)
    ]
    notes = [
        _dated("inspection_notes", number, note_id=f"N{number}", text=TEXTS[number % 3])
        | {"noted_at": _moment(_day(number % DAYS)), "noted_on": _day(number % DAYS)}
        for number in range(5 * DAYS)
    ]
    top_ups = [
        _dated("oil_top_ups", number, top_up_id=f"T{number}", volume_litres=0.5)
        | {"topped_up_at": _moment(_day(number)), "topped_up_on": _day(number)}
        for number in range(DAYS)
    ]
    vehicles = [
        {"vehicle_id": f"V{number:02d}", "engine_family": "KT-4", "site": "Quay" if number % 2 else "Moor"}
        | {"in_service_on": date(2020, 1, 1), "load_id": "vehicles-0", "row_number": number + 2}
        for number in range(40)
    ]
    families = [
        {"engine_family": "KT-4", "cover_positions": "only", "fuel": "diesel", "plug_tubes": False, "bolts": 8}
        | {"layout": "0,0;1,1", "stage1_nm": 5.0, "settle_min": 1.0, "final_angle_deg": 90.0}
        | {"load_id": "families", "row_number": 2}
    ]
    curve = [
        {"vehicle_id": order["vehicle_id"], "read_at": order["opened_at"], "read_on": order["opened_on"]}
        | {"odometer_km": 1.0, "distance_km": 1.0, "is_used": True, "use": "used"}
        | {"origin_kind": "work_orders", "origin_id": order["order_id"]}
        for order in orders
    ]
    work = [
        {
            "order_id": f"O{number}",
            "vehicle_id": "V00",
            "cover_position": "only",
            "work": "repair",
            "done_on": _day(number),
        }
        | {"repair_method": "gasket", "occasion": "leak", "has_new_bolts": False, "is_ventilation_serviced": False}
        | {"is_faces_machined": False, "has_oil_complaint": True, "deciding_words": "renewed", "confidence": 0.9}
        for number in range(100)
    ]
    return {
        "loads": _loads(),
        "refused_rows": [],
        "work_orders": orders,
        "inspection_notes": notes,
        "oil_top_ups": top_ups,
        "odometer_readings": [],
        "vehicles": vehicles,
        "engine_families": families,
        "odometer_curve": curve,
        "cover_work": work,
    }


def _held_reason() -> str:
    """The reason as the reader of records writes it."""
    row = {"load_id": "x", "file": "x", "row_number": 2, "vehicle_id": "V99"}
    nobody = {"vehicles": pl.DataFrame(schema={"vehicle_id": pl.String})}
    _, held = hold_unknown(pl.DataFrame([row]), "work_orders", nobody)
    return str(held["reason"].item())


HELD = (
    "INSERT INTO audit.refused_rows SELECT '{load}', 'f.csv', range + 2, 'work_orders', 'vehicle_id', 'V99', "
    f"'{_held_reason()}' FROM range({{rows}})"
)
REFUSE = "UPDATE audit.loads SET refused = {refused}, accepted = rows_read - {refused} WHERE load_id = '{load}'"
LATEST = "SELECT max(opened_on) - 60 FROM records.work_orders"
UNREADABLE = (
    "INSERT INTO audit.loads BY NAME SELECT * REPLACE ('broken' AS load_id, 'broken.xlsx' AS file, 0 AS rows_read, "
    "0 AS accepted, 0 AS refused, 'is not a workbook' AS problem) FROM audit.loads WHERE load_id = 'vehicles-0'"
)

SURPRISING: dict[str, tuple[str, str]] = {
    "load_volume": ("UPDATE audit.loads SET rows_read = 20 WHERE load_id = 'work_orders-3'", "work_orders_3.csv"),
    "rows_refused": (REFUSE.format(refused=20, load="work_orders-1"), "10.0% of 200 rows: work_orders_1.csv"),
    "most_rows_refused": (REFUSE.format(refused=150, load="work_orders-3"), "75.0% of 200 rows: work_orders_3.csv"),
    "late_corrections": (
        "UPDATE audit.loads SET overruled = 4, superseded = 4, accepted = accepted - 4 WHERE load_id = 'work_orders-2'",
        "work_orders_2.csv (4 rows)",
    ),
    "files_unreadable": (UNREADABLE, "broken.xlsx"),
    "early_months": (
        "UPDATE records.work_orders SET opened_on = date_trunc('month', opened_on)::DATE + day(opened_on)::INT % 12",
        "work_orders_0.csv",
    ),
    "one_day": (
        "UPDATE records.inspection_notes SET noted_on = DATE '2024-02-01' "
        "WHERE load_id = 'inspection_notes-0' AND row_number % 3 = 0",
        "inspection_notes_0.csv (2024-02-01)",
    ),
    "rows_held": (HELD.format(load="work_orders-2", rows=30), "work_orders (V99)"),
    "families_unknown": ("UPDATE records.vehicles SET engine_family = 'VX-6' WHERE vehicle_id = 'V07'", "VX-6"),
    "before_service": ("UPDATE records.vehicles SET in_service_on = DATE '2025-01-01'", "notes"),
    "new_codes": (
        f"UPDATE records.work_orders SET job_code = 'E-NEW' WHERE opened_on > ({LATEST})",
        "job_code (E-NEW)",
    ),
    "quiet_site": (f"DELETE FROM records.work_orders WHERE site = 'Moor' AND opened_on > ({LATEST})", "Moor"),
    "completed_early": (
        "UPDATE records.work_orders SET completed_on = opened_on - 3 WHERE row_number % 30 = 1 AND site = 'Quay'",
        "Quay",
    ),
    "unwatched_vehicles": (
        "DELETE FROM records.inspection_notes WHERE vehicle_id[3]::INT % 2 = 0; "
        "DELETE FROM records.oil_top_ups WHERE vehicle_id[3]::INT % 2 = 0",
        "Moor",
    ),
    "new_words": (
        f"UPDATE records.inspection_notes SET text = '{DUTCH}' WHERE noted_on > DATE '2026-01-01'",
        "kleppendeksel",
    ),
    "unknown_words": (f"UPDATE records.inspection_notes SET text = '{DUTCH}'", "inspection_notes export"),
    "odometer_missing": (
        "UPDATE records.oil_top_ups SET odometer_km = NULL WHERE row_number % 2 = 0",
        "oil_top_ups export",
    ),
    "readings_set_aside": ("UPDATE ledger.odometer_curve SET is_used = false WHERE origin_id LIKE '%7'", "work orders"),
    "unstated_methods": (
        "UPDATE ledger.cover_work SET repair_method = 'unstated' WHERE order_id IN "
        "(SELECT order_id FROM records.work_orders WHERE site = 'Quay')",
        "Quay",
    ),
}
"""Surprise to what is done to the ordinary fleet, and the words the finding must name."""

HARMLESS: dict[str, str] = {
    "rows that wait for their vehicle are not misread": HELD.format(load="work_orders-3", rows=150)
    + "; "
    + REFUSE.format(refused=150, load="work_orders-3"),
    "a file that a newer one of its source has mended": REFUSE.format(refused=150, load="work_orders-2"),
    "a share of very few rows": "UPDATE audit.loads SET rows_read = 3, refused = 3, accepted = 0 "
    "WHERE load_id = 'work_orders-3'",
}
"""What must not stop a run."""


@pytest.fixture(scope="module")
def ordinary() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as connection:
        for layer in LAYERS:
            connection.execute(f"CREATE SCHEMA {layer}")
        for table, rows in _ordinary_fleet().items():
            schema = LAYERS[layer_of(table)][table]
            frame = conform(pl.DataFrame(rows, infer_schema_length=None), schema) if rows else schema.create_empty()
            connection.register("rows_to_write", schema.validate(frame))
            connection.execute(f"CREATE TABLE {layer_of(table)}.{table} AS FROM rows_to_write")
        yield connection


@pytest.fixture
def fleet(ordinary: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
    """The ordinary fleet; what a test does to it is undone."""
    ordinary.begin()
    yield ordinary
    ordinary.rollback()


def _looked(fleet: duckdb.DuckDBPyConnection, **rules: Any) -> dict[str, dict[str, Any]]:
    found = look(fleet, list(SURPRISES), settings=Settings(checks=ChecksRules(**{"refused_share_blocks": 0.5} | rules)))
    return {row["check_name"]: row for row in found.iter_rows(named=True)}


def test_an_ordinary_fleet_has_no_surprise_and_every_one_was_looked_for(fleet: duckdb.DuckDBPyConnection) -> None:
    found = _looked(fleet)
    assert {name: row["detail"] for name, row in found.items() if not row["passed"]} == {}
    assert [name for name, row in found.items() if row["figure"] is None or not row["rows_checked"]] == []


@pytest.mark.parametrize("name", SURPRISING)
def test_each_surprise_is_found_and_says_where(fleet: duckdb.DuckDBPyConnection, name: str) -> None:
    done, named = SURPRISING[name]
    fleet.execute(done)
    row = _looked(fleet)[name]
    assert not row["passed"]
    assert named in row["detail"]
    assert row["figure"] > row["threshold"]
    assert row["is_blocking"] == (name == "most_rows_refused")
    assert row["rows_failed"] > 0


@pytest.mark.parametrize("case", HARMLESS)
def test_what_must_not_stop_a_run_does_not(fleet: duckdb.DuckDBPyConnection, case: str) -> None:
    fleet.execute(HARMLESS[case])
    assert [name for name, row in _looked(fleet).items() if row["is_blocking"] and not row["passed"]] == []


def test_every_surprise_has_its_example_its_threshold_and_its_words() -> None:
    assert set(SURPRISING) == {surprise.name for surprise in SURPRISES}
    shares = {name for name in ChecksRules.model_fields if "share" in name}
    assert {surprise.threshold for surprise in SURPRISES} == shares
    for surprise in SURPRISES:
        assert surprise.column in LAYERS[layer_of(surprise.table)][surprise.table].columns(), surprise.name
        assert surprise.means.endswith("."), surprise.name
        assert surprise.remedy.endswith("."), surprise.name


def test_a_threshold_in_the_settings_decides_and_the_remedy_names_it(fleet: duckdb.DuckDBPyConnection) -> None:
    fleet.execute(SURPRISING["rows_refused"][0])
    row = _looked(fleet, refused_share_warns=0.1)["rows_refused"]
    assert row["passed"]
    assert row["detail"].endswith("(up to 10% is usual)")
    assert "checks.refused_share_warns" in row["remedy"]


def test_an_empty_warehouse_has_nothing_to_judge_and_so_no_surprise(fleet: duckdb.DuckDBPyConnection) -> None:
    for table in _ordinary_fleet():
        fleet.execute(f"DELETE FROM {layer_of(table)}.{table}")
    found = _looked(fleet)
    assert all(row["passed"] for row in found.values())
    assert {row["figure"] for row in found.values()} == {None}
    assert found["load_volume"]["detail"] == "nothing to judge yet: it takes 20 rows"
