"""The measures: each asset reads the episodes and calls the one function that computes its table."""

from collections.abc import Callable
from inspect import signature
from typing import Any

import dagster as dg
import polars as pl

from models import measures
from models.settings import Settings
from models.tables.measures import TABLES
from pipelines.fleet_home import FleetHome
from pipelines.materializing import materialize
from pipelines.validation.asset_checks import table_checks


def _measure(compute: Callable[..., pl.DataFrame]) -> dg.AssetsDefinition:
    """Make the asset of one measure; its table has the function's name."""

    @dg.asset(
        name=compute.__name__, group_name="measures", deps=["episodes"], description=compute.__doc__, kinds={"duckdb"}
    )
    def measure(home: FleetHome) -> dg.MaterializeResult:
        rules = _rules_for(compute, home.settings)
        return materialize(
            home, "measures", compute.__name__, lambda: compute(home.warehouse.read("ledger", "episodes"), **rules)
        )

    return measure


def _rules_for(compute: Callable[..., pl.DataFrame], settings: Settings) -> dict[str, Any]:
    """The settings that one measure asks for: `rules` of all measures, `window` of a comeback."""
    known = {"rules": settings.measures, "window": settings.episodes}
    return {name: known[name] for name in signature(compute).parameters if name in known}


assets = [_measure(getattr(measures, table)) for table in TABLES]
checks = table_checks(TABLES)
