"""Landed rows as the warehouse keeps them: each file's rows in pieces, a piece being one or two small Parquet files.

Packed by column they take a third of the room that a table of cells takes, and a quarter of the time (2026-11, a
million rows), and a run reads back only the loads that it must type.
"""

import io
from collections.abc import Iterator, Mapping
from types import MappingProxyType

import duckdb
import polars as pl

from models.records.landed import LISTED_SCHEMA, LandedRows, joined, laid_out

ROWS_PER_PIECE = 50_000


def store_piece(connection: duckdb.DuckDBPyConnection, load_id: str, rows: LandedRows) -> None:
    """Add rows to a load."""
    connection.execute(
        "INSERT INTO landing.pieces VALUES ($load_id, $row_count, $whole, $ragged)",
        {
            "load_id": load_id,
            "row_count": rows.height,
            "whole": _packed(rows.whole.select(column for column in rows.whole if not _is_blank(column))),
            "ragged": _packed(rows.ragged),
        },
    )


def stored_rows(
    connection: duckdb.DuckDBPyConnection, load_ids: list[str], *, only: Mapping[str, pl.Series] = MappingProxyType({})
) -> dict[str, LandedRows]:
    """Read loads back; loads without rows are left out.

    Args:
        connection: To the warehouse.
        load_ids: The loads.
        only: Load to the numbers of the rows that are wanted of it; of a load it does not name, all are.
    """
    query = "SELECT load_id, whole, ragged FROM landing.pieces WHERE load_id IN (SELECT unnest($load_ids))"
    found: dict[str, list[LandedRows]] = {}
    for load_id, whole, ragged in connection.execute(query, {"load_ids": load_ids}).fetchall():
        rows = LandedRows(**{name: _unpacked(pack) for name, pack in (("whole", whole), ("ragged", ragged)) if pack})
        found.setdefault(load_id, []).append(rows.only(only[load_id]) if load_id in only else rows)
    return {load_id: joined(pieces) for load_id, pieces in found.items()}


def adopt_rows(connection: duckdb.DuckDBPyConnection) -> None:
    """Move the rows of a warehouse that an earlier version made, a list of cells each, into pieces."""
    tables = connection.execute("SELECT table_name FROM duckdb_tables() WHERE schema_name = 'landing'").fetchall()
    if ("rows",) not in tables:
        return
    connection.begin()
    loads = "SELECT DISTINCT load_id, header FROM landing.rows LEFT JOIN landing.loads USING (load_id)"
    for load_id, header in connection.execute(loads).fetchall():
        for listed in _listed(connection, load_id):
            store_piece(connection, load_id, laid_out(listed, width=len(header or ())))
    connection.execute("DROP TABLE landing.rows")
    connection.commit()


def _listed(connection: duckdb.DuckDBPyConnection, load_id: str) -> Iterator[pl.DataFrame]:
    """Yield a load's rows from the table of an earlier version."""
    query = "SELECT row_number, cells FROM landing.rows WHERE load_id = $load_id ORDER BY row_number"
    listed = connection.sql(query, params={"load_id": load_id}).pl()
    yield from listed.cast(LISTED_SCHEMA).iter_slices(ROWS_PER_PIECE)  # type: ignore[arg-type]


def _is_blank(column: pl.Series) -> bool:
    return column.null_count() == len(column)


def _packed(rows: pl.DataFrame) -> bytes | None:
    """Write rows as a Parquet file; None where there are none."""
    if rows.is_empty():
        return None
    file = io.BytesIO()
    rows.write_parquet(file, compression="zstd", compression_level=1, statistics=False)
    return file.getvalue()


def _unpacked(pack: bytes) -> pl.DataFrame:
    return pl.read_parquet(io.BytesIO(pack))
