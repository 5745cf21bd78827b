"""Episodes for the measures: a fleet from a seed, and single ones by hand."""

import numpy as np
import polars as pl
import pytest

from models.settings import MeasureRules

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
        for i, row in enumerate(filled):
            values = defaults | {"episode_id": f"e{i:04}", "vehicle_id": f"v{i:04}"} | same
            filled[i] = values | {"km": row["days"] * 50.0} | row
        schema = {
            "episode_id": pl.String,
            "vehicle_id": pl.String,
            "engine_family": pl.String,
            "repair_method": pl.String,
            "site": pl.String,
            "occasion": pl.String,
            "has_new_bolts": pl.Boolean,
            "is_ventilation_serviced": pl.Boolean,
            "status": pl.String,
            "days": pl.Float64,
            "km": pl.Float64,
        }
        return pl.DataFrame([{name: row[name] for name in schema} for row in filled], schema=schema)

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
