"""The plan: covers due for a look, the weeks they fit into, and the parts to have ready."""

from dataclasses import fields

import dagster as dg
import polars as pl

from models.planning import FleetLedger, out_of_sight
from models.planning import flags as flags_of
from models.planning import leaks_out_of_sight as leaks_out_of_sight_of
from models.planning import pick_list as pick_list_of
from models.planning import plan as plan_of
from models.tables import layer_of
from models.tables.plan import TABLES
from pipelines.fleet_home import FleetHome
from pipelines.materializing import materialize
from pipelines.validation.asset_checks import table_checks

KNOWN = {field.name: "last_records" if field.name == "last_seen" else field.name for field in fields(FleetLedger)}
"""Field of the fleet's ledger to the table it is read from."""


@dg.asset(group_name="plan", deps=list(KNOWN.values()), kinds={"duckdb"})
def flags(home: FleetHome) -> dg.MaterializeResult:
    """Covers due for an inspection, each with its reasons in words and in numbers."""
    settings = home.settings
    return materialize(
        home,
        "plan",
        "flags",
        lambda: flags_of(
            _ledger(home),
            rules=settings.flags,
            oil_rules=settings.oil,
            episode_rules=settings.episodes,
            as_of=home.day,
        ),
    )


@dg.asset(group_name="plan", deps=list(KNOWN.values()), kinds={"duckdb"})
def leaks_out_of_sight(home: FleetHome) -> dg.MaterializeResult:
    """Covers last seen wet on vehicles without a record for long, to be found before they can be planned."""
    rules = home.settings.flags
    unseen = out_of_sight(home.warehouse.read("ledger", "last_records"), rules=rules, as_of=home.day)
    return materialize(
        home,
        "plan",
        "leaks_out_of_sight",
        lambda: leaks_out_of_sight_of(
            _ledger(home, vehicles=unseen), rules=rules, episode_rules=home.settings.episodes, as_of=home.day
        ),
    )


def _ledger(home: FleetHome, *, vehicles: pl.Series | None = None) -> FleetLedger:
    """Read the tables that say what is known of the fleet, or of some of its vehicles."""
    return FleetLedger(
        **{name: home.warehouse.read(layer_of(table), table, vehicles=vehicles) for name, table in KNOWN.items()}
    )


@dg.asset(group_name="plan", deps=["flags", "engine_families"], kinds={"duckdb"})
def plan(home: FleetHome) -> dg.MaterializeResult:
    """Flags placed in weeks and bays, and those left over with what waiting costs."""
    flagged, families = home.warehouse.read("plan", "flags"), home.warehouse.read("records", "engine_families")
    settings = home.settings
    return materialize(
        home,
        "plan",
        "plan",
        lambda: plan_of(flagged, families, rules=settings.plan, as_of=home.day, currency=settings.fleet.currency),
    )


@dg.asset(group_name="plan", deps=["plan", "engine_families"], kinds={"duckdb"})
def parts(home: FleetHome) -> dg.MaterializeResult:
    """Parts each site should have on the shelf before a week starts."""
    planned, families = home.warehouse.read("plan", "plan"), home.warehouse.read("records", "engine_families")
    return materialize(home, "plan", "parts", lambda: pick_list_of(planned, families))


checks = table_checks(TABLES)
