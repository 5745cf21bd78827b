"""The measures: each asset reads the episodes and calls the one function that computes its table."""

from collections.abc import Callable

import dagster as dg
import polars as pl

from models import measures
from models.settings import MeasureRules
from models.tables.measures import TABLES
from pipelines.fleet_home import FleetHome
from pipelines.materializing import materialize
from pipelines.validation.asset_checks import contract_checks


def _measure(compute: Callable[..., pl.DataFrame]) -> dg.AssetsDefinition:
    """Make the asset of one measure; its table has the function's name."""

    @dg.asset(
        name=compute.__name__, group_name="measures", deps=["episodes"], description=compute.__doc__, kinds={"duckdb"}
    )
    def measure(home: FleetHome) -> dg.MaterializeResult:
        rules: MeasureRules = home.settings.measures
        return materialize(
            home, "measures", compute.__name__, lambda: compute(home.warehouse.read("ledger", "episodes"), rules=rules)
        )

    return measure


assets = [_measure(getattr(measures, table)) for table in TABLES]
checks = contract_checks(TABLES)
