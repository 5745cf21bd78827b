"""Landing: the inbox's files, row by row, as they were written."""

from time import perf_counter

import dagster as dg

from pipelines.fleet_home import FleetHome
from pipelines.landing import land_inbox


@dg.asset(group_name="landing", kinds={"duckdb"})
def landed_files(home: FleetHome) -> dg.MaterializeResult:
    """Every row of every export as text, each file's content once."""
    started = perf_counter()
    loads = land_inbox(home.warehouse, home.home)
    rows = home.warehouse.select("SELECT coalesce(sum(row_count), 0)::BIGINT AS n FROM landing.pieces")["n"].item()
    return dg.MaterializeResult(
        metadata={
            "files": loads.height,
            "unreadable": loads["problem"].drop_nulls().len(),
            "rows": rows,
            "seconds": round(perf_counter() - started, 3),
        }
    )
