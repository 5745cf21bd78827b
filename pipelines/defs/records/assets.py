"""Records: typed rows of each kind, the quarantine, and the account of every load."""

from collections.abc import Iterator
from time import perf_counter

import dagster as dg
import polars as pl

from models.errors import ReleakError
from models.tables import LAYERS, layer_of
from models.tables.records import TABLES
from pipelines.fleet_home import FleetHome
from pipelines.landing import source_maps
from pipelines.materializing import describe_stored
from pipelines.recording import account, record
from pipelines.validation.asset_checks import table_checks

ACCOUNT = ("loads", "refused_rows")
FILES_NAMED = 5
REASONS_NAMED = 10


def _specs() -> list[dg.AssetSpec]:
    """One asset a record kind, and the two tables that account for every row."""
    described = {table: LAYERS["records"][table].__doc__ for table in TABLES}
    described |= {table: LAYERS["audit"][table].__doc__ for table in ACCOUNT}
    return [
        dg.AssetSpec(table, deps=["landed_files"], group_name="records", description=doc, kinds={"duckdb"})
        for table, doc in described.items()
    ]


@dg.multi_asset(specs=_specs())
def records(home: FleetHome) -> Iterator[dg.MaterializeResult]:
    """Type, check, reconcile and fold what has landed; what is refused keeps its reason."""
    started = perf_counter()
    record(home.warehouse, source_maps(home.home), as_of=home.day, fleet=home.settings.fleet)
    accounts = account(home.warehouse)
    _need_vehicles(home, accounts)
    for table, frame in accounts.items():
        home.warehouse.write("audit", table, frame)
    seconds, refused = perf_counter() - started, accounts["refused_rows"]
    for table in (*TABLES, *ACCOUNT):
        metadata = describe_stored(home, layer_of(table), table, seconds)
        yield dg.MaterializeResult(asset_key=table, metadata=metadata | {"refused": _refused(refused, table)})


def _need_vehicles(home: FleetHome, accounts: dict[str, pl.DataFrame]) -> None:
    """Stop before an empty snapshot takes the place of a good one; no page can then say what was not taken in.

    Raises:
        ReleakError: No vehicle stands in the records, so every other row waits for one.
    """
    if home.warehouse.read("records", "vehicles").is_empty():
        raise ReleakError(
            f"No vehicle stands in the records, so every other row waits. Put a list of the fleet's vehicles, like "
            f"vehicles.csv, into {home.home.inbox}; nothing new was published."
            + "".join(f"\n  {line}" for line in _not_taken(accounts))
        )


def _not_taken(accounts: dict[str, pl.DataFrame]) -> Iterator[str]:
    """Say why rows of vehicles were refused, then why files were not read: a reason a line, the commonest first.

    A file may break every row in its own way, so only the commonest reasons are told and the rest counted.
    """
    rows = accounts["refused_rows"].filter(pl.col("kind") == "vehicles")
    rows = rows.select("file", why=pl.format("{} {}", "column_name", "reason"))
    files = accounts["loads"].drop_nulls("problem").select("file", why="problem")
    for faults, noun in ((rows, "rows"), (files, "files")):
        alike = faults.group_by("why").agg(pl.len().alias("count"), pl.col("file").unique().sort())
        commonest = alike.sort("count", "why", descending=[True, False])
        for why, count, names in commonest.head(REASONS_NAMED).iter_rows():
            named = ", ".join(names[:FILES_NAMED]) + (" and others" if len(names) > FILES_NAMED else "")
            yield f"{count:,} {noun if count > 1 else noun.removesuffix('s')} ({named}): {why}"
        if untold := commonest["count"].slice(REASONS_NAMED).sum():
            yield f"{untold:,} more {noun}, for {alike.height - REASONS_NAMED:,} other reasons"


def _refused(refused: pl.DataFrame, table: str) -> int:
    """Rows refused of one kind; all of them for the account's own tables."""
    return refused.height if table in ACCOUNT else refused.filter(pl.col("kind") == table).height


checks = table_checks([*TABLES, *ACCOUNT])
