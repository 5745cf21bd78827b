"""What has changed since a table was built, so that a run builds only that anew.

Every run numbers the vehicles whose records it replaced with its own change number, in the transaction that replaces
them. A table of the ledger remembers up to which number it is built, and by which code and thresholds. So a table that
a killed run left behind catches up in the next one, and a table made by other code or thresholds is built anew whole.
"""

import hashlib
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path

import duckdb
import polars as pl

import models

CODE_SUFFIXES = (".py", ".toml")


@dataclass(frozen=True)
class Build:
    """How far a table is built.

    Args:
        made_by: Fingerprint of the code and the thresholds that made it.
        change: The last change number it holds.
        as_of: The day it is true as of.
    """

    made_by: str
    change: int
    as_of: date


NEVER = Build("", 0, date.min)
"""The build of a table that has not been built yet."""


def fingerprint(*parts: str) -> str:
    """Name what a table follows from besides its rows: the code of `models`, the library it computes with, the rest."""
    return hashlib.sha256("\n".join((_code(), pl.__version__, *parts)).encode()).hexdigest()


@lru_cache(maxsize=1)
def _code() -> str:
    """Digest every source file of `models`."""
    room = Path(models.__file__).parent
    files = sorted(path for path in room.rglob("*") if path.suffix in CODE_SUFFIXES)
    told = [f"{path.relative_to(room)} {hashlib.sha256(path.read_bytes()).hexdigest()}" for path in files]
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


def last_build(connection: duckdb.DuckDBPyConnection, table: str) -> Build:
    """Return how far a table is built."""
    query = "SELECT made_by, change, as_of FROM landing.built_tables WHERE table_name = ?"
    found = connection.execute(query, [table]).fetchall()
    return Build(*found[0]) if found else NEVER


def record_build(connection: duckdb.DuckDBPyConnection, table: str, build: Build) -> None:
    """Remember how far a table is built."""
    connection.execute("DELETE FROM landing.built_tables WHERE table_name = ?", [table])
    row = [table, build.made_by, build.change, build.as_of]
    connection.execute("INSERT INTO landing.built_tables VALUES (?, ?, ?, ?)", row)


def changed_since(connection: duckdb.DuckDBPyConnection, change: int) -> pl.Series:
    """Return the vehicles whose records were replaced after a change number, sorted."""
    query = "SELECT vehicle_id FROM landing.vehicle_changes WHERE change > $change ORDER BY vehicle_id"
    return connection.sql(query, params={"change": change}).pl()["vehicle_id"]
