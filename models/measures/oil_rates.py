"""Oil put in over a stretch of each engine's segments, and how evenly people top up: what both oil measures rest on."""

import polars as pl

from models.statistics.rate_ratio import gamma_shape

MIN_TOP_UPS = 2
"""A single top-up shows a habit as much as a rate."""


def summed(segments: pl.DataFrame, *keys: str, prefix: str = "") -> pl.DataFrame:
    """Sum segments by keys.

    Returns:
        The keys with `<prefix>top_ups`, `<prefix>km`, `<prefix>litres`, `<prefix>litres_per_1000km` and
        `<prefix>effective` (the number of equal top-ups that would say as much: sum squared over sum of squares),
        sorted by the keys; summed in the order of the top-ups, so that equal records give equal digits.
    """
    litres, km = pl.col("litres").sum(), pl.col("km").sum()
    columns = {
        "top_ups": pl.len().cast(pl.Int64),
        "km": km,
        "litres": litres,
        "litres_per_1000km": 1000.0 * litres / km,
        "effective": litres**2 / (pl.col("litres") ** 2).sum(),
    }
    ordered = segments.sort(*keys, "top_up_id")
    summed_up = ordered.group_by(*keys, maintain_order=True)
    return summed_up.agg(**{f"{prefix}{name}": value for name, value in columns.items()})


def top_up_shape(segments: pl.DataFrame) -> float:
    """How even the kilometres for a litre are from one top-up of an engine to its next, as the shape of a gamma.

    Args:
        segments: `OilSegments` of the whole fleet.
    """
    gaps = segments.sort("vehicle_id", "engine_id", "ended_at", "top_up_id").select(
        gap=pl.col("km") / pl.col("litres"),
        before=(pl.col("km") / pl.col("litres")).shift().over("vehicle_id", "engine_id"),
    )
    pairs = gaps.drop_nulls()
    return gamma_shape(pairs["before"].to_numpy(), pairs["gap"].to_numpy())
