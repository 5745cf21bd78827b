"""The only reader of a published snapshot."""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from pydantic import ValidationError

from models.errors import NothingPublishedError, ReleakError, UnreadableFileError
from models.settings import Settings
from models.tables import LAYERS, conform, schema_of

PUBLISHED_TABLES = tuple(table for tables in LAYERS.values() for table in tables)
"""Every table a snapshot holds, in the order they were built."""

FORMULA = r"^([=+@\t\r]|-[^0-9. ])"
"""How a cell begins that spreadsheet programs take for a formula (common practice)."""
MAX_TOLD_VEHICLES = 3_000
"""Vehicles with a page of their own, some 20 KB each; `releak story` tells every vehicle's story."""
LIST_SEPARATOR = ";"
"""Between the identifiers of a list, in a CSV cell."""


@dataclass(frozen=True)
class Snapshot:
    """An open snapshot; nothing in it can change while it is read.

    Args:
        connection: A read-only connection to the snapshot's file.
        path: That file.
    """

    connection: duckdb.DuckDBPyConnection
    path: Path

    def table(self, name: str, *, vehicles: Sequence[str] | None = None) -> pl.DataFrame:
        """Read a published table, whole or the rows of some vehicles, in its declared types."""
        if vehicles is None:
            return self._frame(f"FROM {name}", {}).pipe(conform, schema_of(name))
        rows = self._frame(
            f"FROM {name} WHERE vehicle_id IN (SELECT unnest($vehicles::VARCHAR[]))", {"vehicles": list(vehicles)}
        )
        return rows.pipe(conform, schema_of(name))

    def select(self, query: str, **parameters: Any) -> pl.DataFrame:
        """Run `dashboards/sql/<query>.sql` with its bound values."""
        statement = files("dashboards").joinpath("sql", f"{query}.sql").read_text(encoding="utf-8")
        return self._frame(statement, parameters)

    def row_count(self, table: str) -> int:
        """Count the rows of a published table."""
        return int(self._frame(f"SELECT count(*) AS row_count FROM {table}", {}).item())

    def write_csv(self, table: str, file: Path) -> None:
        """Write a published table as UTF-8 CSV, streamed; another thread may read meanwhile.

        A list becomes one cell with `;` between its items. Words that a spreadsheet would run as a formula get an
        apostrophe before them.
        """
        types = {name: column.dtype for name, column in schema_of(table).columns().items()}
        written = [
            f"array_to_string({name}, '{LIST_SEPARATOR}') AS {name}"
            for name, dtype in types.items()
            if dtype == pl.List
        ]
        written += [
            f"CASE WHEN regexp_matches({name}, '{FORMULA}') THEN '''' || {name} ELSE {name} END AS {name}"
            for name, dtype in types.items()
            if dtype == pl.String
        ]
        columns = f"* REPLACE ({', '.join(written)})" if written else "*"
        target = str(file).replace("'", "''")
        with self._same_version():
            self.connection.cursor().execute(f"COPY (SELECT {columns} FROM {table}) TO '{target}' (FORMAT csv, HEADER)")

    @cached_property
    def settings(self) -> Settings:
        """The thresholds that made the snapshot.

        Raises:
            ReleakError: They are not those of this version.
        """
        try:
            return Settings.model_validate(json.loads(self._current["settings_json"]))
        except ValidationError as error:
            raise ReleakError(
                f"{self.path} was published by another version of Releak ({error.error_count()} of its settings are "
                "unknown here). Publish again with 'releak run'."
            ) from error

    @cached_property
    def told_vehicles(self) -> frozenset[str]:
        """The vehicles whose story has a page of its own: those with a cover due first, then the newest repairs."""
        return frozenset(self.select("select_told_vehicles", limit=MAX_TOLD_VEHICLES)["vehicle_id"])

    @property
    def snapshot_id(self) -> str:
        """The name of what was published."""
        return str(self._current["snapshot_id"])

    @property
    def as_of(self) -> date:
        """The day the figures are true as of."""
        day: date = self._current["as_of"]
        return day

    @property
    def published_at(self) -> datetime:
        """When it was published, UTC."""
        moment: datetime = self._current["published_at"]
        return moment

    @property
    def input_digest(self) -> str:
        """SHA-256 over what it was made from."""
        return str(self._current["input_digest"])

    @cached_property
    def _current(self) -> dict[str, Any]:
        """The row that describes this snapshot: the newest of those it lists."""
        listed = self.table("snapshots").sort("published_at", "snapshot_id")
        if listed.is_empty():
            raise ReleakError(f"{self.path} does not say what it is. Publish again with 'releak run'.")
        return listed.row(-1, named=True)

    def _frame(self, statement: str, parameters: dict[str, Any]) -> pl.DataFrame:
        """Run a statement with its bound values."""
        with self._same_version():
            return self.connection.sql(statement, params=parameters or None).pl()

    @contextmanager
    def _same_version(self) -> Iterator[None]:
        """A table or column that is not there means another version made the file."""
        try:
            yield
        except (duckdb.CatalogException, duckdb.BinderException) as error:
            raise ReleakError(
                f"{self.path} was published by another version of Releak ({str(error).splitlines()[0]}). Publish again "
                "with 'releak run'."
            ) from error


@contextmanager
def opened(path: Path) -> Iterator[Snapshot]:
    """Open a snapshot's file read-only, with UTC as the session's zone.

    Raises:
        NothingPublishedError: There is no such file.
        UnreadableFileError: It is not a DuckDB file, or another program is writing it.
    """
    if not path.exists():
        raise NothingPublishedError(f"{path} is not there: nothing has been published yet. Start 'releak run'.")
    try:
        connection = duckdb.connect(path, read_only=True)
    except duckdb.Error as error:
        raise UnreadableFileError(
            path, f"cannot be opened as a snapshot ({str(error).splitlines()[0]})", "Publish again with 'releak run'."
        ) from error
    try:
        connection.execute("SET TimeZone = 'UTC'")
        yield Snapshot(connection, path)
    finally:
        connection.close()
