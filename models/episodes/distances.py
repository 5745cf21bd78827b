"""Kilometres from a repair to what ended its episode."""

import polars as pl

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
