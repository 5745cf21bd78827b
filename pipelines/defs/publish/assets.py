"""Publishing: a snapshot once every check of every table has passed, then the pages made from it."""

from time import perf_counter

import dagster as dg

from models.tables import LAYERS
from pipelines.fleet_home import FleetHome
from pipelines.landing import applied_maps, source_maps
from pipelines.publishing import describe_snapshot, publish

KEPT_BY_RUNS = ("checks", "check_history", "snapshots")
"""Tables that no asset builds beforehand."""
UPSTREAM = [table for tables in LAYERS.values() for table in tables if table not in KEPT_BY_RUNS]


@dg.asset(group_name="publish", deps=UPSTREAM, kinds={"duckdb"})
def snapshots(home: FleetHome) -> dg.MaterializeResult:
    """The read-only snapshot that pages and queries read, put in place in one step."""
    started = perf_counter()
    inputs = applied_maps(home.warehouse, source_maps(home.home))
    file = publish(home.warehouse, home.home, describe_snapshot(inputs, settings=home.settings, as_of=home.day))
    return dg.MaterializeResult(
        metadata={
            "rows": home.warehouse.read("audit", "snapshots").height,
            "seconds": round(perf_counter() - started, 3),
            "file": dg.MetadataValue.path(str(file)),
            "bytes": file.stat().st_size,
        }
    )


@dg.asset(group_name="publish", deps=[snapshots], kinds={"plotly"})
def report(home: FleetHome) -> dg.MaterializeResult:
    """The pages, made from the published snapshot."""
    from dashboards.report import write_report

    started = perf_counter()
    index = write_report(home.home.snapshot(), home.home.report)
    return dg.MaterializeResult(
        metadata={"seconds": round(perf_counter() - started, 3), "page": dg.MetadataValue.path(str(index))}
    )
