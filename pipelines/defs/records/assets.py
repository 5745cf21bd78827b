"""Records: typed rows of each kind, the quarantine, and the account of every load."""

from collections.abc import Iterator
from time import perf_counter

import dagster as dg
import polars as pl

from models.errors import ReleakError
from models.records import build_records, tally, with_pseudonyms
from models.tables import LAYERS
from models.tables.records import TABLES
from pipelines.fleet_home import FleetHome
from pipelines.landing import landed_loads, source_maps
from pipelines.materializing import describe
from pipelines.validation.asset_checks import table_checks
from pipelines.warehouse import statement

ACCOUNT = ("loads", "refused_rows")


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
    """Type, check, reconcile and fold everything that landed; what is refused keeps its reason."""
    started = perf_counter()
    landed = landed_loads(home.warehouse, source_maps(home.home))
    built = build_records(landed, as_of=home.day, default_zone=home.settings.fleet.zone)
    _need_vehicles(home, built.tables["vehicles"])
    people = with_pseudonyms(built.tables, fleet=home.settings.fleet)
    tables = {("records", kind): frame for kind, frame in people.items()}
    tables["audit", "loads"] = _account(home, built.outcomes)
    tables["audit", "refused_rows"] = built.refused
    seconds = perf_counter() - started
    for (layer, table), frame in tables.items():
        rows = home.warehouse.write(layer, table, frame)
        yield dg.MaterializeResult(
            asset_key=table, metadata=describe(frame, rows, seconds) | {"refused": _refused(built.refused, table)}
        )


def _need_vehicles(home: FleetHome, vehicles: pl.DataFrame) -> None:
    """Stop before an empty snapshot takes the place of a good one.

    Raises:
        ReleakError: No vehicle stands in the records, so every other row waits for one.
    """
    if vehicles.is_empty():
        raise ReleakError(
            f"No vehicle stands in the records, so every other row waits. Put a list of the fleet's vehicles, like "
            f"vehicles.csv, into {home.home.inbox}; nothing new was published."
        )


def _account(home: FleetHome, outcomes: pl.DataFrame) -> pl.DataFrame:
    """Every load with the count of what became of its rows.

    A file that brought none counts zero; the rows of a load that another map reads today count as superseded.
    """
    loads = home.warehouse.select(statement("select_landed_loads"))
    counted = loads.join(tally(outcomes), on="load_id", how="left", suffix="_counted")
    return counted.with_columns(superseded=pl.coalesce("superseded", "rows_read")).with_columns(
        pl.col("accepted", "refused", "duplicate").fill_null(0)
    )


def _refused(refused: pl.DataFrame, table: str) -> int:
    """Rows refused of one kind; all of them for the account's own tables."""
    return refused.height if table in ACCOUNT else refused.filter(pl.col("kind") == table).height


checks = table_checks([*TABLES, *ACCOUNT])
