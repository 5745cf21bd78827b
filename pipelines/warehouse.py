"""The working DuckDB: open it, make its schemas, write a layer's table, read it back."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import dataframely as dy
import duckdb
import polars as pl

from models.errors import ReleakError
from models.tables import LAYERS, conform
from pipelines.pieces import adopt_rows
from pipelines.refusals import refusal

SCHEMAS = ("landing", "typed", *LAYERS)
GROWING_TABLES = (("audit", "checks"), ("audit", "check_history"), ("audit", "snapshots"))
"""Tables that a run adds to or renews row by row, where the others are replaced whole."""
CONFIG = {"memory_limit": "8GB"}
"""Every connection of a process must be opened with the same; the memory leaves room for Polars beside it on a 24 GiB
machine."""


@dataclass(frozen=True)
class Warehouse:
    """The working file of a home, with a connection of its own for each read or write.

    DuckDB lets one process write or many read. Connections of one process share the open file, so one that is held
    makes the others cheap.

    Args:
        path: The DuckDB file; made when it is first written.
    """

    path: Path

    @contextmanager
    def connect(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Open the file, with UTC as the session's zone.

        Raises:
            ReleakError: The file cannot be opened: the disk is full, another program holds it, it is no DuckDB file.
        """
        try:
            connection = duckdb.connect(self.path, config=CONFIG)
        except duckdb.Error as error:
            raise refusal(error, self.path) or ReleakError(
                f"{self.path} cannot be opened ({error}). Close the program that holds it, or move the file away: a "
                "run makes it anew from the inbox."
            ) from error
        try:
            connection.execute("SET TimeZone = 'UTC'")
            yield connection
        finally:
            connection.close()

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Open the file and keep what is done to it only if all of it is done.

        Raises:
            ReleakError: The file cannot be opened.
        """
        with self.connect() as connection:
            connection.begin()
            yield connection
            connection.commit()

    def prepare(self) -> None:
        """Make the schemas and the landing tables where they are not there yet."""
        with self.connect() as connection:
            for schema in SCHEMAS:
                connection.execute(f"CREATE SCHEMA IF NOT EXISTS {schema}")
            connection.execute(statement("create_landing"))
            adopt_rows(connection)
            for layer, table in GROWING_TABLES:
                _prepare_growing(connection, f"{layer}.{table}", LAYERS[layer][table].create_empty())

    def write(self, layer: str, table: str, frame: pl.DataFrame) -> int:
        """Replace a declared table whole, in one transaction, its rows in key order.

        Returns:
            The number of rows written.

        Raises:
            KeyError: No such table is declared in that layer.
        """
        schema = LAYERS[layer][table]
        rows = conform(frame, schema).sort(_order(schema))
        with self.connect() as connection:
            connection.register("rows_to_write", rows)
            connection.execute(f"CREATE OR REPLACE TABLE {layer}.{table} AS SELECT * FROM rows_to_write")
        return rows.height

    def replace(self, layer: str, table: str, frame: pl.DataFrame, *, vehicles: pl.Series) -> int:
        """Replace the rows of some vehicles in a declared table, in one transaction.

        Returns:
            The number of rows the table then has.

        Raises:
            KeyError: No such table is declared in that layer.
        """
        with self.transaction() as connection:
            connection.register("replaced", vehicles.to_frame("vehicle_id"))
            connection.register("rows_to_write", conform(frame, LAYERS[layer][table]))
            connection.execute(f"DELETE FROM {layer}.{table} WHERE vehicle_id IN (SELECT vehicle_id FROM replaced)")
            connection.execute(f"INSERT INTO {layer}.{table} BY NAME FROM rows_to_write")
            return int(connection.execute(f"SELECT count(*) FROM {layer}.{table}").fetchall()[0][0])

    def read(self, layer: str, table: str, *, vehicles: pl.Series | None = None) -> pl.DataFrame:
        """Read a declared table in its declared types and the order of its key.

        Args:
            layer: Its layer.
            table: Its name.
            vehicles: Read only their rows; a table without a `vehicle_id` comes whole.

        Raises:
            KeyError: No such table is declared in that layer.
        """
        with self.connect() as connection:
            chosen = ""
            if vehicles is not None and "vehicle_id" in LAYERS[layer][table].columns():
                connection.register("chosen", vehicles.to_frame("vehicle_id"))
                chosen = "WHERE vehicle_id IN (SELECT vehicle_id FROM chosen)"
            rows = connection.sql(f"FROM {layer}.{table} {chosen} ORDER BY {in_key_order(layer, table)}").pl()
        return conform(rows, LAYERS[layer][table])

    def select(self, query: str, **parameters: Any) -> pl.DataFrame:
        """Run one query with bound values."""
        with self.connect() as connection:
            return connection.sql(query, params=parameters or None).pl()


def statement(name: str) -> str:
    """Return the SQL of `pipelines/sql/<name>.sql`."""
    return files("pipelines").joinpath("sql", f"{name}.sql").read_text(encoding="utf-8")


def in_key_order(layer: str, table: str) -> str:
    """Return the columns that a declared table is read and published in the order of, as SQL.

    Rows are stored in the order in which they were replaced, which must not show anywhere.

    Raises:
        KeyError: No such table is declared in that layer.
    """
    return ", ".join(_order(LAYERS[layer][table]))


def _prepare_growing(connection: duckdb.DuckDBPyConnection, name: str, empty: pl.DataFrame) -> None:
    """Make a table that runs add to, or give the one of an earlier version the columns it lacks."""
    connection.register("no_rows", empty)
    connection.execute(f"CREATE TABLE IF NOT EXISTS {name} AS FROM no_rows")
    declared = connection.sql("FROM no_rows")
    for column, kind in zip(declared.columns, declared.types, strict=True):
        connection.execute(f"ALTER TABLE {name} ADD COLUMN IF NOT EXISTS {column} {kind}")


def _order(schema: type[dy.Schema]) -> list[str]:
    """Key columns first, so that the same rows are always stored in the same order."""
    return schema.primary_key() or [name for name, column in schema.columns().items() if column.dtype != pl.List]
