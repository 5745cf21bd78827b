"""Keep the records in line with what has landed; a new file touches only what it mentions.

Landed rows are typed once and kept as typed rows. A load that is new, or reads otherwise than when it was typed (its
source map was mended), is typed anew; so are rows that were refused for lying after the extract's day when that day has
moved on. What those rows mention is touched, and so is whatever shares a vehicle, an order or a note number with it.
Only touched records are judged again, from all the rows that ever landed for them, and replaced. A changed engine
family touches everything. All of it is one transaction, so a killed run leaves the records as they were.
"""

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import duckdb
import polars as pl

from models.records import (
    ADDED_UP,
    LATE,
    LandedLoad,
    in_load_order,
    judge_records,
    ranked,
    type_landed,
    with_pseudonyms,
)
from models.settings import FleetSettings
from models.tables.records import TABLES
from pipelines.changes import NEVER, Build, fingerprint, last_build, record_build
from pipelines.landing import listed_loads
from pipelines.pieces import stored_rows
from pipelines.sources import SourceMap
from pipelines.warehouse import Warehouse, statement

KEYS = ("vehicle_id", "order_id", "note_id")
"""Columns by which rows of any kind belong together."""
LINKS = {"work_orders": "order_id", "inspection_notes": "note_id"}
"""Kinds whose rows tie another key to a vehicle."""
TRACE = ("load_id", "row_number")


def record(warehouse: Warehouse, maps: Sequence[SourceMap], *, as_of: date, fleet: FleetSettings) -> None:
    """Bring the records and the outcome of every landed row up to date.

    Args:
        warehouse: Where files have landed.
        maps: The source maps of today.
        as_of: Day of the extract.
        fleet: The zone of naive times where a source names none, and whether people are shown.
    """
    made_by = fingerprint(fleet.model_dump_json())
    loads = in_load_order(listed_loads(warehouse, maps))
    with warehouse.transaction() as connection:
        connection.execute("CREATE TEMP TABLE touched (key_name VARCHAR, key VARCHAR)")
        last = last_build(connection, "records")
        if made_by != last.made_by or as_of < last.as_of:
            _forget(connection)
        new = _type_anew(connection, loads, as_of=as_of, default_zone=fleet.zone)
        _judge_anew(connection, loads, fleet, new)
        change = last.change + 1
        connection.execute(statement("replace_vehicle_changes"), {"change": change})
        record_build(connection, "records", Build(made_by, change, as_of))


def account(warehouse: Warehouse) -> dict[str, pl.DataFrame]:
    """Return `loads`, every load with what became of its rows, and `refused_rows`."""
    return {table: warehouse.select(statement(f"select_{table}")) for table in ("loads", "refused_rows")}


def _forget(connection: duckdb.DuckDBPyConnection) -> None:
    """Touch every vehicle and drop all that was typed and judged: it was made by other code, or for a later day."""
    connection.execute("INSERT INTO touched SELECT 'vehicle_id', vehicle_id FROM landing.vehicle_changes")
    typed, _ = type_landed({}, as_of=NEVER.as_of)
    for kind, schema in TABLES.items():
        _create(connection, f"typed.{kind}", typed[kind])
        _create(connection, f"records.{kind}", schema.create_empty())
    connection.execute("DELETE FROM landing.outcomes")
    connection.execute("DELETE FROM landing.typed_loads")


def _type_anew(
    connection: duckdb.DuckDBPyConnection, loads: Sequence[LandedLoad], *, as_of: date, default_zone: str
) -> dict[str, pl.DataFrame]:
    """Type the rows that have to be, in place of what they were typed to before, and touch what they mention.

    Returns:
        Record kind to the rows that were typed.
    """
    is_replaced = dict(ranked(loads).select("load_id", pl.col("version") < ADDED_UP).rows())
    readings = pl.DataFrame(
        [(load.load_id, _reading(load, is_replaced=is_replaced[load.load_id])) for load in loads],
        schema=["load_id", "reading"],
        orient="row",
    )
    connection.register("readings", readings)
    connection.execute(statement("create_stale_loads"), {"late": LATE, "as_of": as_of})
    typed, refused = type_landed(_rows_to_type(connection, loads), as_of=as_of, default_zone=default_zone)
    for kind in TABLES:
        stale = f"(FROM typed.{kind} SEMI JOIN stale_loads USING (load_id))"
        _touch(connection, stale, typed[kind].columns)
        connection.execute(f"DELETE FROM typed.{kind} WHERE load_id IN (SELECT load_id FROM stale_loads)")
        _insert(connection, f"typed.{kind}", typed[kind])
        _touch(connection, "new_rows", typed[kind].columns)
    connection.execute(statement("delete_stale_outcomes"))
    _insert(connection, "landing.outcomes", refused)
    connection.execute("DELETE FROM landing.typed_loads WHERE load_id IN (SELECT load_id FROM stale_loads)")
    connection.execute("INSERT INTO landing.typed_loads BY NAME FROM stale_loads WHERE reading IS NOT NULL")
    return typed


def _rows_to_type(connection: duckdb.DuckDBPyConnection, loads: Sequence[LandedLoad]) -> dict[str, list[LandedLoad]]:
    """Read the rows of stale loads and the late rows of others: record kind to its loads that have such rows."""
    by_load = connection.sql("FROM late_rows").pl().group_by("load_id").agg("row_number")
    late = dict(zip(by_load["load_id"], by_load["row_number"], strict=True))
    stale = connection.execute("SELECT load_id FROM stale_loads WHERE reading IS NOT NULL").fetchall()
    found = stored_rows(connection, [*(load_id for (load_id,) in stale), *late], only=late)
    landed: dict[str, list[LandedLoad]] = defaultdict(list)
    for load in loads:
        if rows := found.get(load.load_id):
            landed[load.conversion.kind].append(replace(load, rows=rows))
    return dict(landed)


def _judge_anew(
    connection: duckdb.DuckDBPyConnection,
    order: Sequence[LandedLoad],
    fleet: FleetSettings,
    new: Mapping[str, pl.DataFrame],
) -> None:
    """Judge every touched record again and replace it; where every typed row is new, there are no others."""
    tables, outcomes = judge_records(new if _is_all_new(connection) else _touched_rows(connection, order), order)
    for kind, table in with_pseudonyms(tables, fleet=fleet).items():
        connection.execute(f"DELETE FROM records.{kind} WHERE {_is_touched(table.columns)}")
        _insert(connection, f"records.{kind}", table)
    connection.register("judged", outcomes)
    connection.execute(statement("replace_outcomes"))


def _reading(load: LandedLoad, *, is_replaced: bool) -> str:
    """Digest everything but its rows that a load's records follow from."""
    told = (load.conversion.model_dump_json(), *load.header, load.file, str(is_replaced))
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


def _families_changed(connection: duckdb.DuckDBPyConnection, order: Sequence[LandedLoad]) -> bool:
    """Say whether the engine families read otherwise than they stand in the records."""
    typed: Mapping[str, pl.DataFrame] = {"engine_families": connection.sql("FROM typed.engine_families").pl()}
    tables, _ = judge_records(typed, order)
    before = connection.sql("FROM records.engine_families").pl()
    now, before = (families.drop(TRACE).sort("engine_family") for families in (tables["engine_families"], before))
    return not now.equals(before)


def _is_all_new(connection: duckdb.DuckDBPyConnection) -> bool:
    """Say whether no load is typed but those that were typed now."""
    query = "SELECT 1 FROM landing.typed_loads ANTI JOIN stale_loads USING (load_id) LIMIT 1"
    return not connection.execute(query).fetchall()


def _close(connection: duckdb.DuckDBPyConnection) -> None:
    """Touch what shares a key with something touched, until nothing more does."""
    before, now = -1, 0
    while before != now:
        for kind, key_name in LINKS.items():
            connection.execute(statement("insert_touched_links").format(kind=kind, key_name=key_name))
        before, now = now, connection.execute("SELECT count(*) FROM touched").fetchall()[0][0]


def _touch(connection: duckdb.DuckDBPyConnection, rows: str, columns: Sequence[str]) -> None:
    """Touch the keys that some rows hold."""
    for key in KEYS:
        if key in columns:
            connection.execute(
                f"INSERT INTO touched SELECT DISTINCT '{key}', {key} FROM {rows} WHERE {key} IS NOT NULL"
            )


def _touched_rows(connection: duckdb.DuckDBPyConnection, order: Sequence[LandedLoad]) -> dict[str, pl.DataFrame]:
    """Read every typed row that shares a key with something touched, directly or over others; all without keys."""
    columns = {kind: connection.sql(f"FROM typed.{kind} LIMIT 0").columns for kind in TABLES}
    if _families_changed(connection, order):
        for kind in TABLES:
            _touch(connection, f"typed.{kind}", columns[kind])
    _close(connection)
    return {kind: connection.sql(f"FROM typed.{kind} WHERE {_is_touched(columns[kind])}").pl() for kind in TABLES}


def _is_touched(columns: Sequence[str]) -> str:
    """The condition for a row to be touched, by the first of the keys that it must hold."""
    key = next((key for key in KEYS if key in columns), None)
    return f"{key} IN (SELECT key FROM touched WHERE key_name = '{key}')" if key else "TRUE"


def _create(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Make a table of a frame, in place of the one of that name."""
    connection.register("new_rows", frame)
    connection.execute(f"CREATE OR REPLACE TABLE {table} AS FROM new_rows")


def _insert(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Add a frame's rows to a table; DuckDB takes texts in Arrow's older layout in three quarters of the time."""
    connection.register("new_rows", frame.to_arrow(compat_level=pl.CompatLevel.oldest()))
    connection.execute(f"INSERT INTO {table} BY NAME FROM new_rows")
