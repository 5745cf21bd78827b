"""Bring the inbox's files into the landing layer as text, each content once, each file whole or not at all."""

import hashlib
import os
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from models.errors import ReleakError, UnreadableFileError
from models.records import LandedLoad, header_fault
from pipelines.home import Home
from pipelines.pieces import store_piece
from pipelines.sources import (
    FileRows,
    SourceMap,
    content_digest,
    inbox_files,
    load_source_maps,
    match,
    read_rows,
    sheets_like,
)
from pipelines.warehouse import Warehouse, statement

NO_MAP = (
    "no source map matches its name, and it is not named after a record kind. Add a [[source]] to the source maps "
    "(releak map drafts one), or rename it, like work_orders.csv"
)


def land_inbox(warehouse: Warehouse, home: Home) -> pl.DataFrame:
    """Load every file of the inbox that is not loaded yet.

    A file that cannot be read is listed with its problem and tried again by the next run; the others are loaded.

    Returns:
        The landing layer's list of loads.

    Raises:
        SourceMapError: A source map is wrong.
        ReleakError: There is nothing to load and nothing loaded yet.
    """
    maps = source_maps(home)
    now = datetime.now(UTC)
    with warehouse.connect() as connection:
        connection.execute("DELETE FROM landing.loads WHERE problem IS NOT NULL")
        connection.execute("UPDATE landing.loads SET also_named = NULL WHERE also_named IS NOT NULL")
        named: set[str] = set()
        for name in inbox_files(home.inbox):
            _land_file(connection, home.inbox, name, maps, now, named=named)
        loads = connection.sql("FROM landing.loads ORDER BY loaded_at, file, load_id").pl()
    if loads.is_empty():
        raise ReleakError(
            f"{home.inbox} is empty. Put the fleet's exports there, like vehicles.csv and work_orders.csv."
        )
    return loads


def source_maps(home: Home) -> tuple[SourceMap, ...]:
    """Read the home's source maps; none are needed for files named after their kind.

    Raises:
        SourceMapError: The file is wrong, or the one named with --sources is not there.
    """
    if home.sources is None and not os.path.lexists(home.sources_file):
        return ()
    return load_source_maps(home.sources_file)


def listed_loads(warehouse: Warehouse, maps: Sequence[SourceMap]) -> list[LandedLoad]:
    """Read the list of loads without their rows, each with its source map: today's where it still fits the header.

    A content that was loaded by a map which no longer matches its file, and again by one that does, counts once: as the
    maps of today read it.
    """
    today = {source.name: source for source in maps}
    return [
        LandedLoad(
            load_id=load["load_id"],
            source=load["source"],
            file=load["file"],
            loaded_at=load["loaded_at"],
            header=tuple(load["header"]),
            conversion=_map_of(load, today).conversion(),
        )
        for load in _standing_loads(warehouse, maps)
    ]


def applied_maps(warehouse: Warehouse, maps: Sequence[SourceMap]) -> list[tuple[str, str]]:
    """Say by which map each load is read today.

    Returns:
        The identifier of each load that counts, with its map as JSON, sorted.
    """
    today = {source.name: source for source in maps}
    loads = _standing_loads(warehouse, maps)
    return sorted((load["load_id"], _map_of(load, today).model_dump_json()) for load in loads)


def _standing_loads(warehouse: Warehouse, maps: Sequence[SourceMap]) -> list[dict[str, Any]]:
    """The loads that count: of each content those whose map matches the file today, else the newest."""
    loads = warehouse.select("FROM landing.loads WHERE problem IS NULL ORDER BY loaded_at, file, load_id")
    by_content: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for load in loads.iter_rows(named=True):
        by_content[load["content_digest"]].append(load)
    standing = []
    for alike in by_content.values():
        matching = [load for load in alike if load["source"] in {found.name for found in match(load["file"], maps)}]
        standing += matching or alike[-1:]
    return standing


def _map_of(load: dict[str, Any], today: dict[str, SourceMap]) -> SourceMap:
    """The load's map as it reads today; as it read then where it is gone or no longer fits the file's header.

    A map that names no format reads each file by its suffix: that is kept with the load, for cells that a program
    wrote are read otherwise than typed ones.
    """
    then = SourceMap.model_validate_json(load["source_map"])
    now = today.get(load["source"], then)
    fits = now.kind == then.kind and not header_fault(load["header"], now.conversion())
    return now.model_copy(update={"format": now.format or then.format}) if fits else then


def _land_file(
    connection: duckdb.DuckDBPyConnection,
    inbox: Path,
    name: str,
    maps: Sequence[SourceMap],
    now: datetime,
    *,
    named: set[str],
) -> None:
    """Load one file by each map that fits its name; content that stands there twice goes by the first of its names.

    `named` gathers the loads that have their name of today. One that no file holds any more keeps its last name.
    """
    try:
        digest = content_digest(inbox / name)
    except UnreadableFileError as error:
        _list_problem(connection, _load("", name, None, now, digest=""), f"{error.fault}. {error.remedy}")
        return
    fitting = match(name, maps)
    if not fitting:
        _list_problem(connection, _load("", name, None, now, digest=digest), NO_MAP)
    for source in fitting:
        load = _load(source.name, name, source, now, digest=digest)
        if connection.execute("SELECT 1 FROM landing.loads WHERE load_id = ?", [load["load_id"]]).fetchall():
            is_first = load["load_id"] not in named
            names = {"load_id": load["load_id"], "file": load["file"], "is_first": is_first}
            connection.execute(statement("update_landed_name"), names)
        else:
            _land_rows(connection, inbox / name, source, load)
        named.add(load["load_id"])
    if any(source.format == "xlsx" for source in fitting) and (unread := _sheets_left(connection, digest)):
        remedy = "Add a [[source]] of another name for each, with its sheet"
        _list_problem(connection, _load("", name, None, now, digest=digest), f"{unread}. {remedy}")


def _sheets_left(connection: duckdb.DuckDBPyConnection, digest: str) -> str:
    """Name the sheets that have the header of one that is read and that no map reads; '' where there is none."""
    found = connection.execute("SELECT sheets_alike FROM landing.loads WHERE content_digest = ?", [digest]).fetchall()
    alike = [sheets for (sheets,) in found if sheets]
    left = sorted({sheet for sheets in alike for sheet in sheets} - {sheets[0] for sheets in alike})
    return (
        f"no source map reads its sheets {', '.join(left)}, which have the header of one that is read" if left else ""
    )


def _land_rows(connection: duckdb.DuckDBPyConnection, path: Path, source: SourceMap, load: dict[str, Any]) -> None:
    """Store one file's rows in one transaction, or list why they cannot be read."""
    connection.begin()
    try:
        rows = read_rows(path, source)
        for batch in rows.batches:
            store_piece(connection, load["load_id"], batch)
        told = {"header": list(rows.header), "sheets_alike": _sheets_alike(path, source, rows)}
        connection.execute(statement("insert_landed_load"), load | told)
        connection.commit()
    except UnreadableFileError as error:
        connection.rollback()
        _list_problem(connection, load, f"{error.fault}. {error.remedy}")


def _sheets_alike(path: Path, source: SourceMap, rows: FileRows) -> list[str]:
    """Of a workbook of several sheets, the one that is read, then the others with its header."""
    if source.format != "xlsx":
        return []
    sheets = sheets_like(path, header=rows.header, header_row=source.skip_rows)
    own = source.sheet or "".join(sheets[:1])
    return [own, *(sheet for sheet in sheets if sheet != own)] if sheets else []


def _load(name: str, file: str, source: SourceMap | None, now: datetime, *, digest: str) -> dict[str, Any]:
    """A row of the list of loads; its identifier follows from the map's name and the file's content.

    Bytes of a file's name that are no text are shown by a sign, as no table can hold them.
    """
    file = file.encode(errors="surrogateescape").decode(errors="replace")
    told_apart = f"{name}\n{digest}" if digest and source else f"{file}\n{digest}"
    return {
        "load_id": hashlib.sha256(told_apart.encode()).hexdigest()[:16],
        "source": name,
        "file": file,
        "kind": source.kind if source else None,
        "loaded_at": now,
        "content_digest": digest,
        "header": None,
        "source_map": source.model_dump_json() if source else None,
        "problem": None,
        "sheets_alike": None,
    }


def _list_problem(connection: duckdb.DuckDBPyConnection, load: dict[str, Any], problem: str) -> None:
    """List a file that brought no rows, with the reason."""
    connection.execute(statement("insert_landed_load"), load | {"problem": problem})
