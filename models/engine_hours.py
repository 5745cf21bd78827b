"""Engine-hour readings of a vehicle to one rising curve of hours, as `models.odometer` makes one of kilometres."""

import polars as pl

from models.odometer import distance_at, judged
from models.settings import OdometerRules
from models.tables import conform
from models.tables.ledger import EngineHoursCurve

HOURS_PER_DAY = 24.0
"""No engine runs longer."""


def engine_hours_curve(odometer_readings: pl.DataFrame, *, rules: OdometerRules) -> pl.DataFrame:
    """Judge every engine-hour reading of a bucket of vehicles, by the rules for odometers with hours for kilometres.

    An hour meter that starts again, as with another engine, is a step in the curve.

    Args:
        odometer_readings: As `models.tables.records.OdometerReadings`.
        rules: How many low readings make a new instrument.

    Returns:
        `EngineHoursCurve`, sorted by vehicle, moment and reading; `hours` never fall within a vehicle.
    """
    mentions = odometer_readings.select(
        "vehicle_id",
        "read_at",
        "read_on",
        odometer_km=pl.col("engine_hours").cast(pl.Float64),
        origin_kind=pl.lit("odometer_readings"),
        origin_id="reading_id",
    )
    found = judged(mentions, rules.model_copy(update={"max_km_per_day": HOURS_PER_DAY}))
    return found.rename({"odometer_km": "engine_hours", "distance_km": "hours"}).pipe(conform, EngineHoursCurve)


def hours_at(curve: pl.DataFrame, queries: pl.DataFrame) -> pl.DataFrame:
    """Read the curve at given moments: `hours` and `error_hours`, as `models.odometer.distance_at` reads kilometres.

    Args:
        curve: `EngineHoursCurve`.
        queries: Any frame with `vehicle_id` and `at` (UTC).
    """
    found = distance_at(curve.rename({"hours": "distance_km"}), queries)
    return found.rename({"distance_km": "hours", "error_km": "error_hours"})
