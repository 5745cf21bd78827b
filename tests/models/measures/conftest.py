"""Episodes for the measures: a fleet from a seed, and single ones by hand."""

from datetime import UTC, date, datetime, time, timedelta
from inspect import signature

import numpy as np
import polars as pl
import pytest

from models import measures
from models.measures.step_effects import MEASURED, TICKED
from models.settings import EpisodeRules, FleetSettings, MeasureRules, PlanRules

FAMILIES, SITES = ("F1", "F2", "F3"), ("east", "north", "west")
METHODS = ("gasket", "gasket_and_seals", "retightened", "gasket_seals_bolts")


@pytest.fixture(scope="session")
def rules():
    return MeasureRules()


@pytest.fixture(scope="session")
def make():
    """Build an episodes frame from (status, days) pairs or fuller dicts; the rest has one value for all."""

    def build(*rows, **same):
        filled = [dict(row) if isinstance(row, dict) else {"status": row[0], "days": row[1]} for row in rows]
        defaults = {"engine_family": "F1", "repair_method": "gasket", "site": "east", "occasion": "leak"}
        defaults |= {"has_new_bolts": False, "is_ventilation_serviced": False}
        defaults |= {
            "cover_position": "only",
            "technician": None,
            "repaired_on": date(2024, 1, 1),
            "ended_on": date(2026, 1, 1),
        }
        for i, row in enumerate(filled):
            values = defaults | {"episode_id": f"e{i:04}", "vehicle_id": f"v{i:04}"} | same
            values |= {"km": row["days"] * 50.0, "hours": row["days"] * 1.5} | row
            repaired_at = datetime.combine(values["repaired_on"], time(9), tzinfo=UTC)
            looked_at = {"repaired_at": repaired_at, "last_dry_at": repaired_at + timedelta(days=row["days"] // 2)}
            values = looked_at | values
            filled[i] = {"engine_id": values["vehicle_id"], "order_id": values["episode_id"]} | values
        schema = {
            "episode_id": pl.String,
            "order_id": pl.String,
            "technician": pl.String,
            "cover_position": pl.String,
            "vehicle_id": pl.String,
            "engine_id": pl.String,
            "engine_family": pl.String,
            "repair_method": pl.String,
            "site": pl.String,
            "occasion": pl.String,
            "has_new_bolts": pl.Boolean,
            "is_ventilation_serviced": pl.Boolean,
            "status": pl.String,
            "days": pl.Float64,
            "km": pl.Float64,
            "hours": pl.Float64,
            "repaired_on": pl.Date,
            "ended_on": pl.Date,
            "repaired_at": pl.Datetime("us", "UTC"),
            "last_dry_at": pl.Datetime("us", "UTC"),
        }
        return pl.DataFrame([{name: row[name] for name in schema} for row in filled], schema=schema)

    return build


@pytest.fixture(scope="session")
def fitted():
    """Engine periods of the episodes' engines, all fitted on one day unless told by vehicle."""

    def build(episodes, **days):
        engines = episodes.select("vehicle_id", "engine_id", "engine_family").unique().sort("vehicle_id", "engine_id")
        fitted_on = [days.get(vehicle, date(2020, 1, 1)) for vehicle in engines["vehicle_id"]]
        return engines.with_columns(from_on=pl.Series(fitted_on, dtype=pl.Date), to_on=pl.lit(None, pl.Date))

    return build


@pytest.fixture(scope="session")
def seen():
    """First and last records of the episodes' vehicles: the first in June 2023, the last at their last end."""

    def build(episodes):
        last = episodes.group_by("vehicle_id").agg(last_on=pl.col("ended_on").max()).sort("vehicle_id")
        return last.with_columns(first_on=pl.lit(date(2023, 6, 1)))

    return build


@pytest.fixture(scope="session")
def cards():
    """Job cards from dicts that name an order and what was ticked or filled in; and families that ask for all steps."""

    def build(*rows, **asked):
        boxes = dict.fromkeys(TICKED.values(), pl.Boolean) | dict.fromkeys(MEASURED.values(), pl.Float64)
        schema = {"order_id": pl.String, "cover_position": pl.String} | boxes
        filled = [{"cover_position": "only"} | row for row in rows]
        families = [
            {"engine_family": family, "settle_min": 20.0, "final_angle_deg": 60.0} | asked.get(family, {})
            for family in FAMILIES
        ]
        return pl.DataFrame(filled, schema=schema), pl.DataFrame(families)

    return build


@pytest.fixture(scope="session")
def compute(rules, fitted, seen, cards):
    """Compute a measure by name from episodes, with default settings and the other tables made to fit."""
    settings = {"rules": rules, "window": EpisodeRules(), "people": FleetSettings(), "costs": PlanRules()}

    def build(name, episodes):
        measure = getattr(measures, name)
        ticked = [
            {"order_id": order, "bolts_renewed": i % 3 == 0} for i, order in enumerate(sorted(episodes["order_id"]))
        ]
        repair_records, engine_families = cards(*ticked)
        others = {"engine_periods": fitted(episodes), "repair_records": repair_records}
        others |= {"work_orders": episodes.select("order_id").unique().with_columns(parts_cost=pl.lit(70.0))}
        others |= {"engine_families": engine_families, "last_records": seen(episodes)}
        frames = {table: others.get(table, episodes) for table in measures.inputs_of(measure)}
        options = {option: settings[option] for option in signature(measure).parameters if option in settings}
        return measure(**frames, **options)

    return build


@pytest.fixture(scope="session")
def fleet(make):
    """Seven hundred whole-day episodes of 250 vehicles, a few without a distance, one site with few of them."""
    random = np.random.default_rng(11)
    rows = []
    for _ in range(700):
        vehicle = int(random.integers(250))
        leak, other, watched = random.exponential([500, 2500, 900])
        days = float(np.floor(min(leak, other, watched)))
        status = "re-leak" if leak < min(other, watched) else "competing" if other < watched else "censored"
        rows.append(
            {
                "vehicle_id": f"v{vehicle}",
                "engine_family": FAMILIES[vehicle % 3],
                "site": SITES[0 if vehicle % 7 else 1 if vehicle % 2 else 2] if vehicle > 2 else "yard",
                "repair_method": METHODS[int(random.choice(4, p=[0.45, 0.3, 0.05, 0.2]))],
                "status": status,
                "days": days,
                "km": None if random.uniform() < 0.05 else days * float(random.choice([40, 60])),
            }
        )
    return make(*rows)
