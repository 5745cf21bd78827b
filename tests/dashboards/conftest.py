"""A small published snapshot, written by hand: three sites, three families (one two-bank), awkward words and nulls."""

import random
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from inspect import signature
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from dashboards.report import write_report
from models import measures
from models.settings import Settings
from models.tables import LAYERS, conform, schema_of
from models.tables.ledger import REPAIR_METHODS

AS_OF = date(2026, 6, 30)
FIRST_MONDAY = date(2026, 7, 6)
HOSTILE = '<script>window.wasRun = true</script><img src=x onerror="window.wasRun = true">'
SITES = ("Quay", "Hill & <b>Moor</b>", "Ødegård")
FAMILIES = {"KT-4": ("only",), "VX-6": ("left", "right"), "DL-22": ("only",)}
METHOD_RATES = {
    "retightened": 0.38,
    "external_sealant": 0.44,
    "gasket": 0.22,
    "gasket_and_seals": 0.15,
    "gasket_seals_bolts": 0.06,
    "cover_replaced": None,
    "unstated": None,
}
NOTE = "Driver says smell of oil again 🛢; rocker cover gasket weeping at rear, no drops. Sump dry. {tail}"
WET_WORDS = "rocker cover gasket weeping at rear"


def moment(day: date, hour: int = 9) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=UTC)


def records_tables(episodes: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    families = [
        {
            "engine_family": name,
            "cover_positions": ";".join(positions),
            "fuel": "diesel",
            "plug_tubes": name != "DL-22",
            "bolts": 22 if name == "DL-22" else 10,
            "layout": "0,0;40,0;80,0",
            "stage1_nm": 8.0,
            "settle_min": 10.0,
            "final_angle_deg": 90.0,
        }
        for name, positions in FAMILIES.items()
    ]
    vehicles = [
        {
            "vehicle_id": f"V{number:03d}",
            "engine_family": list(FAMILIES)[number % 3],
            "site": SITES[number % 3],
            "in_service_on": date(2020, 1, 1),
        }
        for number in range(60)
    ]
    orders = [
        {
            "order_id": episode["order_id"],
            "vehicle_id": episode["vehicle_id"],
            "site": episode["site"],
            "opened_at": episode["repaired_at"],
            "opened_on": episode["repaired_on"],
            "work_done": f"Renewed cover gasket & cleaned faces {HOSTILE}",
            "complaint": "oil on the outside of the engine",
            "line_count": 1,
        }
        for episode in episodes
    ]
    notes = [
        {
            "note_id": f"N-{episode['order_id']}",
            "vehicle_id": episode["vehicle_id"],
            "noted_at": episode["ended_at"],
            "noted_on": episode["ended_on"],
            "text": NOTE.format(tail=HOSTILE),
        }
        for episode in episodes
        if episode["status"] == "re-leak"
    ]
    cards = [
        {
            "order_id": episode["order_id"],
            "cover_position": episode["cover_position"],
            "bolts_renewed": episode["has_new_bolts"],
            "faces_cleaned": None if number % 5 == 0 else number % 3 > 0,
            "settle_min": float(number % 2 * 10),
        }
        for number, episode in enumerate(episodes)
        if number % 2
    ]
    traced = {
        "engine_families": families,
        "vehicles": vehicles,
        "work_orders": orders,
        "repair_records": cards,
        "inspection_notes": notes,
    }
    for rows in traced.values():
        for number, row in enumerate(rows):
            row |= {"load_id": "load-1", "row_number": number + 2}
    return traced


def episode_rows() -> list[dict[str, Any]]:
    chance = random.Random(4)
    rows = []
    for number in range(420):
        vehicle, family = number % 60, list(FAMILIES)[number % 60 % 3]
        method = list(METHOD_RATES)[number % 7 if number < 140 else number % 5]
        repaired_on = date(2024, 1, 1) + timedelta(days=number * 2 % 900)
        leaks = chance.random() < (METHOD_RATES[method] or 0.02) and (AS_OF - repaired_on).days > 60
        days = float(chance.randint(10, 200) if leaks else (AS_OF - repaired_on).days)
        days = min(days, float((AS_OF - repaired_on).days - 1)) if leaks else days
        ended_on = repaired_on + timedelta(days=int(days))
        order_id = f"WO-{number:04d}"
        position = FAMILIES[family][number // 60 % len(FAMILIES[family])]
        rows.append(
            {
                "episode_id": f"{order_id}:{position}",
                "vehicle_id": f"V{vehicle:03d}",
                "engine_id": f"E{vehicle:03d}",
                "engine_family": family,
                "cover_position": position,
                "site": SITES[vehicle % 3],
                "order_id": order_id,
                "technician": f"tech-{number % 5}",
                "repair_method": method,
                "occasion": ("leak", "routine", "other_work")[number % 3],
                "has_new_bolts": method == "gasket_seals_bolts",
                "is_ventilation_serviced": number % 4 == 0,
                "is_faces_machined": False,
                "repaired_at": moment(repaired_on),
                "repaired_on": repaired_on,
                "odometer_km": 50_000.0 + number,
                "status": "re-leak" if leaks else "censored",
                "end_reason": "wet look" if leaks else "last record",
                "ended_at": moment(ended_on),
                "ended_on": ended_on,
                "days": days,
                "km": None if number % 11 == 0 else days * 40,
                "hours": days * 1.5 if vehicle % 2 else None,
                "hours_error": 20.0 if vehicle % 2 else None,
                "last_dry_at": moment(repaired_on),
                "first_wet_at": moment(ended_on) if leaks else None,
                "is_suspect": False,
                "comeback": leaks and days <= 90,
                "evidence_ids": [f"N-{order_id}:text:{start}" for start in (12, 31)] if leaks else [],
                "story": f"Wet again after {days:.0f} days." if leaks else "Dry when last seen.",
            }
        )
    return rows


def evidence_rows(episodes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    text = NOTE.format(tail=HOSTILE)
    spans = {12: ("smell of oil again", "uncertain", "none"), 31: (WET_WORDS, "present", "cover_gasket")}
    rows = []
    for episode in episodes:
        for evidence_id in episode["evidence_ids"]:
            words, polarity, component = spans[int(evidence_id.rpartition(":")[2])]
            start = text.index(words)
            rows.append(
                {
                    "evidence_id": evidence_id,
                    "vehicle_id": episode["vehicle_id"],
                    "engine_id": episode["engine_id"],
                    "cover_position": episode["cover_position"],
                    "noted_at": episode["ended_at"],
                    "noted_on": episode["ended_on"],
                    "component": component,
                    "polarity": polarity,
                    "location": "",
                    "leak_class": "I" if polarity == "present" else None,
                    "symptoms": "",
                    "hot_part": "",
                    "origin_kind": "inspection_notes",
                    "origin_id": f"N-{episode['order_id']}",
                    "origin_field": "text",
                    "span_start": start,
                    "span_end": start + len(words),
                    "span_text": words,
                    "confidence": 0.9,
                    "is_class_contradicted": False,
                }
            )
    return rows


def engine_periods(episodes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    engines = {(row["vehicle_id"], row["engine_id"], row["engine_family"]) for row in episodes}
    return [
        {"vehicle_id": vehicle, "engine_id": engine, "engine_family": family, "from_on": date(2016 + i % 6, 1, 1)}
        for i, (vehicle, engine, family) in enumerate(sorted(engines))
    ]


def last_records(episodes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    seen = {"first_on": date(2023, 6, 1), "last_on": AS_OF, "last_at": moment(AS_OF)}
    return [{"vehicle_id": vehicle} | seen for vehicle in sorted({row["vehicle_id"] for row in episodes})]


def measure_rows(ledger: dict[str, list[dict[str, Any]]]) -> dict[str, list[dict[str, Any]]]:
    known = {
        "rules": Settings().measures,
        "window": Settings().episodes,
        "people": Settings().fleet,
        "oil_rules": Settings().oil,
        "costs": Settings().plan,
    }
    made = {}
    for name in LAYERS["measures"]:
        compute = getattr(measures, name)
        frames = {
            table: conform(pl.DataFrame(ledger[table], infer_schema_length=None), schema_of(table))
            if ledger.get(table)
            else schema_of(table).create_empty()
            for table in measures.inputs_of(compute)
        }
        options = {option: known[option] for option in signature(compute).parameters if option in known}
        made[name] = compute(**frames, **options).to_dicts()
    return made


def plan_tables() -> dict[str, list[dict[str, Any]]]:
    flags, plan, parts = [], [], []
    for number in range(48):
        vehicle, site = f"V{number:03d}", SITES[number % 3]
        family = list(FAMILIES)[number % 3]
        position = FAMILIES[family][0]
        rules = ["smell_or_drops"] if number < 3 else ["post_repair_check", "high_probability"]
        reasons = (
            "Burning-oil smell noted 12 Jun, nothing done since" if number < 3 else "30 days after the repair of 1 Jun"
        )
        due_by = AS_OF + timedelta(days=1 if number < 3 else 7 + number)
        placed = number < 42
        week = FIRST_MONDAY + timedelta(weeks=number // 7) if placed else None
        flags.append(
            {
                "vehicle_id": vehicle,
                "engine_id": f"E{number:03d}",
                "engine_family": family,
                "cover_position": position,
                "site": site,
                "as_of": AS_OF,
                "probability": None if number == 5 else 0.6 - number / 100,
                "horizon_days": 60,
                "priority": number + 1,
                "due_by": due_by,
                "rules": rules,
                "reasons": reasons + (HOSTILE if number == 4 else ""),
                "evidence_ids": [],
            }
        )
        plan.append(
            {
                "week_start": week,
                "site": site,
                "vehicle_id": vehicle,
                "cover_position": position,
                "engine_family": family,
                "chance_of_repair": 0.4,
                "hours": 1.0 + number % 3 / 2,
                "parts": "CG-4;PT-4" if number % 2 else "",
                "days_off_road": 0.5,
                "loss_avoided": 400.0 - number,
                "due_by": due_by,
                "placed": placed,
                "reason": "fits before the due day" if placed else "the bays are full through the planned weeks",
            }
        )
    for week in range(6):
        for site in SITES:
            start = FIRST_MONDAY + timedelta(weeks=week)
            parts.append(
                {"site": site, "week_start": start, "part": "CG-4", "description": "cover gasket KT-4", "quantity": 2}
            )
    out_of_sight = [
        {
            "vehicle_id": f"V{number:03d}",
            "engine_id": f"E{number:03d}",
            "engine_family": "KT-4",
            "cover_position": "only",
            "site": SITES[0],
            "as_of": AS_OF,
            "last_record_on": AS_OF - timedelta(days=200 + number),
            "days_without_record": 200 + number,
            "wet_on": AS_OF - timedelta(days=210 + number),
            "is_urgent": number == 57,
            "reasons": f"No record for long. Wet{HOSTILE}: find out where the vehicle is",
            "evidence_ids": ["n1"],
        }
        for number in (54, 57)
    ]
    return {"flags": flags, "leaks_out_of_sight": out_of_sight, "plan": plan, "parts": parts}


def audit_tables() -> dict[str, list[dict[str, Any]]]:
    loads = [
        {
            "load_id": f"load-{number}",
            "source": "quay orders",
            "file": file,
            "kind": kind,
            "loaded_at": moment(AS_OF, 6),
            "content_digest": "0" * 64,
            "rows_read": read,
            "accepted": read - refused - 5,
            "refused": refused,
            "duplicate": 3,
            "superseded": 2,
            "overruled": 0,
            "problem": None,
        }
        for number, (file, kind, read, refused) in enumerate(
            [("orders_2026.csv", "work_orders", 4210, 37), ("notes <x>.xlsx", "inspection_notes", 2100, 4)], start=1
        )
    ]
    refused = [
        {
            "load_id": "load-1",
            "file": "orders_2026.csv",
            "row_number": number * 7 + 2,
            "kind": "work_orders",
            "column_name": "opened_at" if number % 2 else "vehicle_id",
            "value": HOSTILE if number == 0 else None if number == 1 else f"31/02/20{number:02d}",
            "reason": "not in the calendar; correct the date"
            if number % 2
            else "unknown vehicle; add it to the vehicles file",
        }
        for number in range(41)
    ]
    checks = [
        {
            "layer": "ledger",
            "table_name": "episodes",
            "check_name": f"{column}_in_bounds",
            "column_name": column,
            "passed": column != "km",
            "is_blocking": column != "km",
            "rows_checked": 240,
            "rows_failed": int(column == "km"),
            "detail": "one value below zero" if column == "km" else "",
            "means": f"{column} lies within its bounds.",
            "remedy": "Mend the source.",
        }
        for column in ("days", "km", "status", "site")
    ]
    return {"loads": loads, "refused_rows": refused, "checks": checks}


def snapshot_row() -> dict[str, Any]:
    return {
        "snapshot_id": "20260630-0123456789ab",
        "published_at": moment(AS_OF, 7),
        "as_of": AS_OF,
        "settings_json": Settings.model_validate(
            {"plan": {"bay_hours_per_week": 9.0}, "as_of": AS_OF}
        ).model_dump_json(),
        "input_digest": "a" * 64,
    }


def full_tables() -> dict[str, list[dict[str, Any]]]:
    episodes = episode_rows()
    facts = {
        **records_tables(episodes),
        "episodes": episodes,
        "engine_periods": engine_periods(episodes),
        "last_records": last_records(episodes),
        "evidence": evidence_rows(episodes),
    }
    return {
        **facts,
        **measure_rows(facts),
        **plan_tables(),
        **audit_tables(),
        "snapshots": [snapshot_row()],
    }


def publish(path: Path, tables: dict[str, list[dict[str, Any]]]) -> Path:
    with duckdb.connect(path) as connection:
        for declared in LAYERS.values():
            for name, schema in declared.items():
                rows = tables.get(name, [])
                frame = pl.DataFrame(rows, infer_schema_length=None) if rows else schema.create_empty()
                valid = schema.validate(conform(frame, schema))
                connection.register("rows_to_write", valid)
                connection.execute(f"CREATE TABLE {name} AS FROM rows_to_write")
    return path


@pytest.fixture(scope="session")
def tables() -> dict[str, list[dict[str, Any]]]:
    assert set(METHOD_RATES) == set(REPAIR_METHODS)
    return full_tables()


@pytest.fixture(scope="session")
def full_snapshot(tmp_path_factory: pytest.TempPathFactory, tables: dict[str, list[dict[str, Any]]]) -> Path:
    return publish(tmp_path_factory.mktemp("published") / "full.duckdb", tables)


@pytest.fixture(scope="session")
def empty_snapshot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return publish(tmp_path_factory.mktemp("published") / "empty.duckdb", {"snapshots": [snapshot_row()]})


@pytest.fixture(scope="session")
def full_report(full_snapshot: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(full_snapshot, tmp_path_factory.mktemp("full") / "report").parent


@pytest.fixture(scope="session")
def empty_report(empty_snapshot: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(empty_snapshot, tmp_path_factory.mktemp("empty") / "report").parent


@pytest.fixture
def published_with(tmp_path: Path, tables: dict[str, list[dict[str, Any]]]) -> Callable[..., Path]:
    """Publish the full snapshot with some tables replaced."""

    def publish_with(**replaced: list[dict[str, Any]]) -> Path:
        return publish(tmp_path / "changed.duckdb", tables | replaced)

    return publish_with
