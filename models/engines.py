"""Which engine was in a vehicle on a day, and where on the engine and on the odometer curve a record lies.

Engine fitments win over the vehicles file. What is dated on the day of a swap belongs to the engine that came out, as
what is dated on the day of a repair belongs before it.
"""

import polars as pl

from models.odometer import distance_at
from models.tables import conform
from models.tables.ledger import EnginePeriods
from models.tables.records import SINGLE_COVER


def engine_periods(vehicles: pl.DataFrame, engine_fitments: pl.DataFrame) -> pl.DataFrame:
    """List the engines of each vehicle with their first and last day.

    A vehicle without fitments has one period from entering to leaving service. Where the first fitment is later than
    that, the vehicles file's engine fills the days before it, unless the file names an engine fitted later. An engine
    without a number is called after its vehicle. Rows that go on with the same engine without a gap are one period.

    Returns:
        `EnginePeriods`, sorted by vehicle and day. A period whose end was written before its start lasts a day.
    """
    fitted = _fitments(vehicles, engine_fitments)
    first = fitted.group_by("vehicle_id").agg(
        first_on=pl.col("from_on").min(),
        first_engine=pl.col("engine_id").sort_by("from_on", "engine_id").first(),
        fitted_engines=pl.col("engine_id"),
    )
    leading = (
        vehicles.join(first, on="vehicle_id", how="left")
        .filter(pl.col("first_on").is_null() | (pl.col("in_service_on") < pl.col("first_on")))
        .with_columns(
            is_fitted_later=pl.col("engine_id").is_in(pl.col("fitted_engines")).fill_null(False)
            & (pl.col("engine_id") != pl.col("first_engine"))
        )
        .select(
            "vehicle_id",
            pl.when(pl.col("engine_id").is_null() | (pl.col("engine_id") == "") | pl.col("is_fitted_later"))
            .then(pl.col("vehicle_id"))
            .otherwise(pl.col("engine_id"))
            .alias("engine_id"),
            "engine_family",
            from_on="in_service_on",
            removed_on=pl.lit(None, pl.Date),
        )
    )
    return _close_periods(pl.concat([fitted, leading]).pipe(_join_unbroken), vehicles)


def engine_at(periods: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """Say which engine each event found in its vehicle.

    Args:
        periods: From `engine_periods`.
        events: Any frame with `vehicle_id` and `on` (local day).

    Returns:
        `events` in its order with `engine_id` and `engine_family`; days before the first period take the first engine.
        Both null where the vehicle is not in `periods`.
    """
    engines = ["engine_id", "engine_family"]
    earlier = [
        pl.col(name).shift().over("vehicle_id", order_by="from_on").alias(f"{name}_earlier_") for name in engines
    ]
    swaps = periods.with_columns(
        *earlier, earlier_to_=pl.col("to_on").shift().over("vehicle_id", order_by="from_on")
    ).sort("from_on", "vehicle_id")
    first = periods.sort("vehicle_id", "from_on").unique("vehicle_id", keep="first", maintain_order=True)
    is_swap_day = (pl.col("on") == pl.col("from_on")) & (pl.col("on") == pl.col("earlier_to_"))
    located = (
        events.drop(engines, strict=False)
        .with_row_index("row_")
        .sort("on")
        .join_asof(
            swaps.drop("to_on"),
            left_on="on",
            right_on="from_on",
            by="vehicle_id",
            check_sortedness=False,
            coalesce=False,
        )
        .join(first.select("vehicle_id", *engines), on="vehicle_id", how="left", suffix="_first_")
        .with_columns(
            pl.when(is_swap_day).then(f"{name}_earlier_").otherwise(pl.coalesce(name, f"{name}_first_")).alias(name)
            for name in engines
        )
        .sort("row_")
    )
    return located.select(*[name for name in events.columns if name not in engines], *engines)


def locate(
    records: pl.DataFrame,
    *,
    at_column: str,
    on_column: str,
    periods: pl.DataFrame,
    families: pl.DataFrame,
    curve: pl.DataFrame,
) -> pl.DataFrame:
    """Place records on their vehicle's engine, cover positions and odometer curve.

    Args:
        records: Any frame with `vehicle_id`, a UTC timestamp column and a local day column.
        at_column: Name of the timestamp column.
        on_column: Name of the day column.
        periods: From `engine_periods`.
        families: `EngineFamilies`.
        curve: `OdometerCurve`.

    Returns:
        `records` in its order with engine_id, engine_family, cover_positions, distance_km and error_km.
    """
    added = ["engine_id", "engine_family", "cover_positions", "distance_km", "error_km"]
    moments = records.select("vehicle_id", at=pl.col(at_column), on=pl.col(on_column)).with_row_index("record_")
    located = (
        engine_at(periods, moments)
        .pipe(lambda frame: distance_at(curve, frame))
        .join(families.select("engine_family", "cover_positions"), on="engine_family", how="left")
        .with_columns(pl.col("cover_positions").fill_null(SINGLE_COVER))
        .sort("record_")
    )
    return records.drop(added, strict=False).hstack(located.select(added))


def _fitments(vehicles: pl.DataFrame, engine_fitments: pl.DataFrame) -> pl.DataFrame:
    """Fitments of the vehicles at hand."""
    return engine_fitments.join(vehicles.select("vehicle_id"), on="vehicle_id", how="semi").select(
        "vehicle_id", "engine_id", "engine_family", pl.col("fitted_on").alias("from_on"), "removed_on"
    )


def _join_unbroken(periods: pl.DataFrame) -> pl.DataFrame:
    """Make one period of rows that go on with the same engine without a gap of more than a day."""
    ordered = periods.sort("vehicle_id", "from_on", "engine_id")
    gap_days = (pl.col("from_on") - pl.col("removed_on").shift()).dt.total_days()
    goes_on = (
        (pl.col("vehicle_id") == pl.col("vehicle_id").shift())
        & (pl.col("engine_id") == pl.col("engine_id").shift())
        & (gap_days <= 1).fill_null(True)
    ).fill_null(False)
    return (
        ordered.with_columns(run_=(~goes_on).cum_sum())
        .group_by("run_", maintain_order=True)
        .agg(
            pl.col("vehicle_id", "engine_id", "engine_family", "from_on").first(),
            pl.col("removed_on").last(),
        )
        .drop("run_")
    )


def _close_periods(periods: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """End a period when its engine came out, at the latest when the next went in or the vehicle left service."""
    return (
        periods.join(vehicles.select("vehicle_id", "out_of_service_on"), on="vehicle_id", how="left")
        .sort("vehicle_id", "from_on", "engine_id")
        .with_columns(next_on=pl.col("from_on").shift(-1).over("vehicle_id"))
        .with_columns(ends_on=pl.min_horizontal("removed_on", "next_on", "out_of_service_on"))
        .with_columns(to_on=pl.when(pl.col("ends_on").is_not_null()).then(pl.max_horizontal("from_on", "ends_on")))
        .pipe(conform, EnginePeriods)
    )
