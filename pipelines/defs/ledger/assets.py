"""The ledger: each asset takes the vehicles that changed through the one function that fills its table."""

from time import perf_counter

import dagster as dg

from models.tables.ledger import TABLES
from pipelines.fleet_home import FleetHome
from pipelines.ledger import bring_up_to_date, tables_read
from pipelines.materializing import describe_stored
from pipelines.validation.asset_checks import table_checks


def _step(table: str) -> dg.AssetsDefinition:
    """Make the asset of one step."""

    @dg.asset(
        name=table, group_name="ledger", deps=tables_read(table), description=TABLES[table].__doc__, kinds={"duckdb"}
    )
    def step(home: FleetHome) -> dg.MaterializeResult:
        started = perf_counter()
        bring_up_to_date(home.warehouse, table, settings=home.settings, as_of=home.day)
        return dg.MaterializeResult(metadata=describe_stored(home, "ledger", table, perf_counter() - started))

    return step


assets = [_step(table) for table in TABLES]
checks = table_checks(TABLES)
