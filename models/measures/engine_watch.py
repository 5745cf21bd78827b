"""Since when each engine was watched, until when, and at which ages a leak of its covers was repaired."""

import polars as pl

ENGINE = ("vehicle_id", "engine_id")


def watched_engines(engine_periods: pl.DataFrame, last_records: pl.DataFrame) -> pl.DataFrame:
    """List the engines by the ages, in days since they were fitted to their vehicle, between which they were watched.

    An engine is watched from its vehicle's first record, which most vehicles have long after they entered service, to
    its last, and only from its first fitting to its last removal.

    Args:
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        last_records: As `models.tables.ledger.LastRecords`.

    Returns:
        vehicle_id, engine_id, engine_family, fitted_on, begin_days, end_days; sorted, those never watched left out.
    """
    last_out = pl.when(pl.col("to_on").null_count() == 0).then(pl.col("to_on").max())
    fitted = (
        engine_periods.sort("from_on")
        .group_by(ENGINE)
        .agg(pl.col("engine_family").first(), fitted_on=pl.col("from_on").first(), out_on=last_out)
    )
    begin = pl.max_horizontal("fitted_on", "first_on") - pl.col("fitted_on")
    end = pl.min_horizontal("out_on", "last_on") - pl.col("fitted_on")
    return (
        fitted.join(last_records.select("vehicle_id", "first_on", "last_on"), on="vehicle_id")
        .with_columns(begin_days=begin.dt.total_days(), end_days=end.dt.total_days())
        .filter(pl.col("end_days") > pl.col("begin_days"))
        .select(*ENGINE, "engine_family", "fitted_on", "begin_days", "end_days")
        .sort(ENGINE)
    )


def leak_repairs(episodes: pl.DataFrame, engines: pl.DataFrame) -> pl.DataFrame:
    """Find the repairs made for a leak while their engine was watched.

    What is dated on the day the watch began is left out: that record may be why it began.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engines: From `watched_engines`.

    Returns:
        The episodes with `age_days`, the engine's age at the repair, in order of it.
    """
    made = episodes.filter(pl.col("occasion") == "leak").drop("engine_family")
    return (
        made.join(engines, on=ENGINE)
        .with_columns(age_days=(pl.col("repaired_on") - pl.col("fitted_on")).dt.total_days())
        .filter(pl.col("age_days") > pl.col("begin_days"), pl.col("age_days") <= pl.col("end_days"))
        .sort("age_days", "vehicle_id", "episode_id")
    )


def repair_days(repairs: pl.DataFrame) -> pl.DataFrame:
    """Leave one row for each day on which an engine was repaired: both covers done together count once."""
    return repairs.unique([*ENGINE, "age_days"], keep="first", maintain_order=True)
