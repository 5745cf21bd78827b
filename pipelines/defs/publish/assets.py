"""Publishing: a snapshot once every check of every table has passed, then the pages made from it."""

from time import perf_counter

import dagster as dg

from models.tables import LAYERS
from pipelines.fleet_home import FleetHome
from pipelines.publishing import describe_snapshot, publish, record_snapshot

UPSTREAM = [table for tables in LAYERS.values() for table in tables if table not in ("snapshots", "checks")]


@dg.asset(group_name="publish", deps=UPSTREAM, kinds={"duckdb"})
def snapshots(home: FleetHome) -> dg.MaterializeResult:
    """The read-only snapshot that pages and queries read, put in place in one step."""
    started = perf_counter()
    loads = home.warehouse.read("audit", "loads")
    snapshot = describe_snapshot(loads, settings=home.settings, as_of=home.day)
    published = record_snapshot(home.warehouse, snapshot)
    file = publish(home.warehouse, home.home, snapshot_id=snapshot["snapshot_id"].item())
    return dg.MaterializeResult(
        metadata={
            "rows": published.height,
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
