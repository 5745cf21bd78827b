"""Kilometres and engine hours from a repair to what ended its episode."""

import polars as pl

from models.engine_hours import hours_at
from models.odometer import METRES, distance_at


def km_to_end(episodes: pl.DataFrame, curve: pl.DataFrame) -> pl.Series:
    """Kilometres from time zero to the end of each episode.

    Args:
        episodes: vehicle_id, odometer_km (at time zero), repaired_at and ended_at.
        curve: `OdometerCurve`; the end is read from it.

    Returns:
        In the order of `episodes`, to the metre, never below zero; null where the curve or time zero does not say.
    """
    end = distance_at(curve, episodes.select("vehicle_id", at=pl.col("ended_at").cast(pl.Datetime("us", "UTC"))))
    start_km = pl.col("odometer_km").cast(pl.Float64)
    end_km = pl.when(pl.col("ended_at") == pl.col("repaired_at")).then(start_km).otherwise(end["distance_km"])
    return episodes.select(km=(end_km - start_km).clip(lower_bound=0.0).round(METRES))["km"]


def hours_to_end(episodes: pl.DataFrame, curve: pl.DataFrame) -> pl.DataFrame:
    """Engine hours from time zero to the end of each episode, and how far off they may be.

    Args:
        episodes: vehicle_id, repaired_at and ended_at.
        curve: `EngineHoursCurve`.

    Returns:
        `hours`, never below zero, and `hours_error`, in the order of `episodes`; null where no engine hours of the
        vehicle were read, or too few to tell its pace.
    """
    start, end = (
        hours_at(curve, episodes.select("vehicle_id", at=pl.col(moment).cast(pl.Datetime("us", "UTC"))))
        for moment in ("repaired_at", "ended_at")
    )
    is_at_once = episodes["ended_at"] == episodes["repaired_at"]
    spans = pl.DataFrame({"start": start["hours"], "end": end["hours"], "is_at_once": is_at_once})
    errors = start["error_hours"] + end["error_hours"]
    return spans.with_columns(errors=errors).select(
        hours=(pl.col("end") - pl.col("start")).clip(lower_bound=0.0).round(METRES),
        hours_error=pl.when("is_at_once").then(pl.col("errors") * 0.0).otherwise("errors").round(METRES),
    )
