"""The only place that opens the working DuckDB: write a layer's table, read it back, copy it into a snapshot."""

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

SCHEMAS = ("landing", *LAYERS)
GROWING_TABLES = (("audit", "checks"), ("audit", "check_history"), ("audit", "snapshots"))
"""Tables that a run adds to or renews row by row, where the others are replaced whole."""
MEMORY_LIMIT = "8GB"
"""Leaves room for Polars beside it on a 24 GiB machine."""


@dataclass(frozen=True)
class Warehouse:
    """The working file of a home, opened for the length of one read or write.

    DuckDB lets one process write or many read; opening it only while it is needed lets the checks read the file
    between two writes of the same run.

    Args:
        path: The DuckDB file; made when it is first written.
    """

    path: Path

    @contextmanager
    def connect(self, *, read_only: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
        """Open the file, with UTC as the session's zone.

        Raises:
            ReleakError: The file cannot be opened: another program holds it, or it is not a DuckDB file.
        """
        try:
            connection = duckdb.connect(self.path, read_only=read_only, config={"memory_limit": MEMORY_LIMIT})
        except duckdb.Error as error:
            raise ReleakError(
                f"{self.path} cannot be opened ({error}). Close the program that holds it, or move the file away: a "
                "run makes it anew from the inbox."
            ) from error
        try:
            connection.execute("SET TimeZone = 'UTC'")
            yield connection
        finally:
            connection.close()

    def prepare(self) -> None:
        """Make the schemas and the landing tables where they are not there yet."""
        with self.connect() as connection:
            for schema in SCHEMAS:
                connection.execute(f"CREATE SCHEMA IF NOT EXISTS {schema}")
            connection.execute(statement("create_landing"))
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

    def read(self, layer: str, table: str) -> pl.DataFrame:
        """Read a declared table whole, in its declared types."""
        return self.select(f"SELECT * FROM {layer}.{table}").pipe(conform, LAYERS[layer][table])

    def select(self, query: str, **parameters: Any) -> pl.DataFrame:
        """Run one query with bound values."""
        with self.connect() as connection:
            return connection.sql(query, params=parameters or None).pl()


def statement(name: str) -> str:
    """Return the SQL of `pipelines/sql/<name>.sql`."""
    return files("pipelines").joinpath("sql", f"{name}.sql").read_text(encoding="utf-8")


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
