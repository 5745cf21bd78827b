"""The ledger: each asset hands its tables, a bucket of vehicles at a time, to the one function that fills it."""

import inspect
from functools import partial

import dagster as dg
import polars as pl

from models.tables import LAYERS
from models.tables.ledger import TABLES
from pipelines.engine import over_vehicles
from pipelines.fleet_home import FleetHome
from pipelines.ledger import STEPS
from pipelines.materializing import materialize
from pipelines.validation.asset_checks import table_checks

LAYER_OF = {table: layer for layer, tables in LAYERS.items() for table in tables}


def _options(table: str, home: FleetHome) -> dict[str, object]:
    """What a step takes beside its tables."""
    settings = home.settings
    rules = {"odometer_curve": settings.odometer, "episodes": settings.episodes, "oil_segments": settings.oil}
    options: dict[str, object] = {"rules": rules[table]} if table in rules else {}
    return options | ({"as_of": home.day} if table in ("last_records", "episodes") else {})


def _step(table: str) -> dg.AssetsDefinition:
    """Make the asset of one step."""
    function = STEPS[table]
    parameters = inspect.signature(function).parameters.values()
    reads = [parameter.name for parameter in parameters if parameter.annotation is pl.DataFrame]

    @dg.asset(name=table, group_name="ledger", deps=reads, description=TABLES[table].__doc__, kinds={"duckdb"})
    def step(home: FleetHome) -> dg.MaterializeResult:
        tables = [(LAYER_OF[name], name) for name in reads]
        fill = partial(function, **_options(table, home))
        return materialize(home, "ledger", table, lambda: over_vehicles(home.warehouse, fill, tables=tables))

    return step


assets = [_step(table) for table in TABLES]
checks = table_checks(TABLES)
