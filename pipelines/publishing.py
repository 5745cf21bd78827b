"""Copy the checked tables into a read-only snapshot and put it in place in one step."""

import hashlib
import os
from collections import deque
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from functools import partial
from importlib.metadata import version
from pathlib import Path

import duckdb
import polars as pl

from models.errors import UsageError
from models.settings import Settings
from models.tables import LAYERS, conform
from models.tables.audit import Snapshots
from pipelines.home import Home
from pipelines.warehouse import Warehouse, in_key_order

KEPT_SNAPSHOTS = 3
"""The current one and two to look back at; a reader that still has an older one open keeps it."""


def describe_snapshot(inputs: Sequence[tuple[str, str]], *, settings: Settings, as_of: date) -> pl.DataFrame:
    """Return the one-row `Snapshots` frame of what is about to be published.

    The identifier follows from what went in, so the same files, source maps, settings and version of Releak give the
    same one.

    Args:
        inputs: Each load with the source map it is read by.
        settings: The thresholds.
        as_of: The day the figures are true as of.
    """
    input_digest = hashlib.sha256(repr(sorted(inputs)).encode()).hexdigest()
    settings_json = settings.model_dump_json()
    made_by = f"{version('releak')}{input_digest}{settings_json}{as_of}"
    fingerprint = hashlib.sha256(made_by.encode()).hexdigest()
    row = {
        "snapshot_id": f"{as_of:%Y%m%d}-{fingerprint[:12]}",
        "published_at": datetime.now(UTC),
        "as_of": as_of,
        "settings_json": settings_json,
        "input_digest": input_digest,
    }
    return conform(pl.DataFrame([row]), Snapshots)


def publish(warehouse: Warehouse, home: Home, snapshot: pl.DataFrame) -> Path:
    """Build a snapshot beside the old ones, flush it to disk, and move the pointer to it.

    Readers see the old snapshot or the new one, never half of one. The warehouse's list of snapshots names it only once
    it stands in place.

    Args:
        warehouse: Where the tables are.
        home: Where snapshots are put.
        snapshot: From `describe_snapshot`.

    Returns:
        The snapshot's file.
    """
    target = home.published / f"releak-{snapshot['snapshot_id'].item()}.duckdb"
    building = target.with_suffix(".building")
    leavings = (building, building.with_suffix(".building.wal"))
    _remove(*leavings)
    try:
        _build(warehouse, building, snapshot)
        _flush(building)
        building.replace(target)
    finally:
        _remove(*leavings)
    _point(home.pointer, target)
    _flush(home.published)
    with warehouse.connect() as connection:
        _renew(connection, "audit", snapshot)
    _prune(home, keep=target)
    return target


def _build(warehouse: Warehouse, building: Path, snapshot: pl.DataFrame) -> None:
    """Copy every published table into a file of its own, on all cores: DuckDB stores a sorted table on one."""
    with warehouse.connect() as connection:
        connection.execute(f"ATTACH '{_quoted(building)}' AS snapshot")
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            deque(pool.map(partial(_copy, warehouse), _published_tables()), maxlen=0)
        _renew(connection, "snapshot.main", snapshot)
        connection.execute("DETACH snapshot")


def _copy(warehouse: Warehouse, name: tuple[str, str]) -> None:
    """Copy one table of a layer into the snapshot that is built."""
    layer, table = name
    with warehouse.connect() as connection:
        order = in_key_order(layer, table)
        connection.execute(f"CREATE TABLE snapshot.main.{table} AS FROM {layer}.{table} ORDER BY {order}")


def _renew(connection: duckdb.DuckDBPyConnection, schema: str, snapshot: pl.DataFrame) -> None:
    """Put a snapshot's row in place of its last one in a list of snapshots."""
    connection.register("new_snapshot", snapshot)
    connection.execute(f"DELETE FROM {schema}.snapshots WHERE snapshot_id IN (SELECT snapshot_id FROM new_snapshot)")
    connection.execute(f"INSERT INTO {schema}.snapshots BY NAME FROM new_snapshot")


def _published_tables() -> Iterable[tuple[str, str]]:
    """Every declared table, by layer."""
    return ((layer, table) for layer, tables in LAYERS.items() for table in tables)


def _quoted(path: Path) -> str:
    """A path inside single quotes; ATTACH takes no bound value."""
    return str(path).replace("'", "''")


def _flush(path: Path) -> None:
    """Have the operating system write a file or folder to disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _point(pointer: Path, target: Path) -> None:
    """Replace the pointer in one step."""
    fresh = pointer.with_suffix(".next")
    _remove(fresh)
    fresh.symlink_to(target.name)
    fresh.replace(pointer)


def _prune(home: Home, *, keep: Path) -> None:
    """Delete what a killed run left behind and all but the newest snapshots."""
    _remove(*home.published.glob("*.building*"))
    snapshots = sorted(home.published.glob("releak-*.duckdb"), key=lambda path: path.stat().st_mtime_ns, reverse=True)
    _remove(*(path for path in snapshots[KEPT_SNAPSHOTS:] if path != keep))


def _remove(*paths: Path) -> None:
    """Delete files that may not be there."""
    for path in paths:
        path.unlink(missing_ok=True)


def read_published(home: Home, query: str) -> pl.DataFrame:
    """Run a query on the current snapshot; it can reach no other file.

    Raises:
        NothingPublishedError: No run has published yet.
        UsageError: The query is no question.
        duckdb.Error: The query is wrong.
    """
    with duckdb.connect(home.snapshot(), read_only=True) as connection:
        connection.execute("SET TimeZone = 'UTC'; SET enable_external_access = false")
        if len(connection.extract_statements(query)) > 1:
            raise UsageError("The query holds several statements. Ask one at a time.")
        answer = connection.sql(query)
        if answer is None:
            raise UsageError("The query asks nothing. Write one like 'SELECT * FROM flags'.")
        return answer.pl()


def left_out_of(home: Home) -> list[str]:
    """Say in a sentence each what of the inbox is not in the published records; nothing where all is.

    What was refused of a file that another replaced since under its name is no longer left out.
    """
    loads = read_published(home, "FROM loads")
    unread = loads.filter(pl.col("problem").is_not_null())
    read = loads.filter(pl.col("problem").is_null())
    newest = read.filter(pl.col("loaded_at") == pl.col("loaded_at").max().over("file", "source"))
    refused, rows_read = newest["refused"].sum(), newest["rows_read"].sum()
    where = f"the data page ({home.report / 'data.html'}) says why"
    said = []
    if unread.height:
        count, all_files = unread["file"].n_unique(), loads["file"].n_unique()
        said.append(f"{count} of {all_files} files were not read whole, among them {unread['file'][0]}; {where}.")
    if refused:
        said.append(f"{refused:,} of {rows_read:,} rows were refused or wait for a vehicle; {where}.")
    said += [
        f"{file}: {rows:,} rows do not stand, because a file that was there before says otherwise and its name sorts "
        "later; rename this one if it is right."
        for file, rows in loads.filter(pl.col("overruled") > 0).select("file", "overruled").sort("file").rows()
    ]
    return said
