"""The measures: each asset reads its tables and calls the one function that computes its own."""

from collections.abc import Callable
from inspect import signature
from typing import Any

import dagster as dg
import polars as pl

from models import measures
from models.settings import Settings
from models.tables import LAYERS, layer_of
from pipelines.fleet_home import FleetHome
from pipelines.materializing import materialize
from pipelines.validation.asset_checks import table_checks


def _measure(compute: Callable[..., pl.DataFrame]) -> dg.AssetsDefinition:
    """Make the asset of one measure; its table has the function's name."""

    @dg.asset(
        name=compute.__name__,
        group_name="measures",
        deps=measures.inputs_of(compute),
        description=compute.__doc__,
        kinds={"duckdb"},
    )
    def measure(home: FleetHome) -> dg.MaterializeResult:
        rules = _rules_for(compute, home.settings)
        return materialize(home, "measures", compute.__name__, lambda: compute(**_frames_for(compute, home), **rules))

    return measure


def _frames_for(compute: Callable[..., pl.DataFrame], home: FleetHome) -> dict[str, pl.DataFrame]:
    """The tables that one measure asks for."""
    return {table: home.warehouse.read(layer_of(table), table) for table in measures.inputs_of(compute)}


def _rules_for(compute: Callable[..., pl.DataFrame], settings: Settings) -> dict[str, Any]:
    """The settings that one measure asks for: `rules` of all measures, `window` of a comeback, `people`
    for whom it shows, `oil_rules` for when an oil rate has moved, `costs` of a leak."""
    known = {
        "rules": settings.measures,
        "window": settings.episodes,
        "people": settings.fleet,
        "oil_rules": settings.oil,
        "costs": settings.plan,
    }
    return {name: known[name] for name in signature(compute).parameters if name in known}


assets = [_measure(getattr(measures, table)) for table in LAYERS["measures"]]
checks = table_checks(LAYERS["measures"])
