"""Each vehicle's oil rate against the others of its engine family, and whether and when it moved."""

from datetime import timedelta

import polars as pl

from models.measures.oil_rates import MIN_TOP_UPS, summed, top_up_shape
from models.measures.reasons import counted
from models.oil import oil_rate_shift
from models.settings import MeasureRules, OilRules
from models.statistics.rate_ratio import rate_ratio
from models.tables import conform
from models.tables.measures import OilTrends

MIN_OTHERS = 5
"""Fewer other vehicles of a family are a few engines, not what the family takes."""


def oil_trends(
    oil_segments: pl.DataFrame, engine_periods: pl.DataFrame, *, rules: MeasureRules, oil_rules: OilRules
) -> pl.DataFrame:
    """Litres per 1,000 km of each vehicle's present engine over those of its family, with an interval.

    The present engine is that of the last segment. Its rate is that of the segments that end within `oil_window_days`
    up to its last; the family's is that of the other vehicles with the same family, each over its own such stretch,
    litres and kilometres summed. Whether the vehicle's own rate moved up, by how much and since when, is as
    `models.oil.oil_rate_shift` finds it over all its segments.

    Args:
        oil_segments: `models.tables.ledger.OilSegments`.
        engine_periods: `models.tables.ledger.EnginePeriods`.
        rules: Level and window.
        oil_rules: When a rate has moved.

    Returns:
        As `models.tables.measures.OilTrends`, one row a vehicle that has a segment, sorted by vehicle.
    """
    recent = _recent(oil_segments, timedelta(days=rules.oil_window_days))
    engine = ["vehicle_id", "engine_id"]
    families = engine_periods.sort(*engine, "from_on").unique(engine, keep="last").select(*engine, "engine_family")
    own = summed(recent, *engine).join(families, on=engine).sort(*engine).pipe(_with_others)
    found = rate_ratio(
        own["litres_per_1000km"].to_numpy(),
        own["family_litres_per_1000km"].to_numpy(),
        own["effective"].to_numpy(),
        own["others_effective"].to_numpy(),
        shape=top_up_shape(oil_segments),
        confidence=rules.confidence,
    )
    figures = {"ratio": found.estimate, "low": found.low, "high": found.high}
    shifts = oil_rate_shift(oil_segments, rules=oil_rules).select(
        "vehicle_id", is_shifted="shifted", shift_ratio="ratio", shifted_on="since_on", shift_statistic="statistic"
    )
    compared = own.with_columns(
        **{name: pl.Series(values, nan_to_null=True) for name, values in figures.items()}, reason=_too_few()
    ).with_columns(pl.when(pl.col("reason").is_null()).then(pl.col(*figures)))
    return conform(compared.join(shifts, on="vehicle_id", how="left").sort("vehicle_id"), OilTrends)


def _recent(segments: pl.DataFrame, window: timedelta) -> pl.DataFrame:
    """The segments of each vehicle's present engine within a time up to its last."""
    ordered = segments.sort("vehicle_id", "ended_at", "top_up_id")
    last = ordered.with_columns(pl.col("engine_id", "ended_on").last().over("vehicle_id").name.prefix("last_"))
    is_recent = pl.col("ended_on") > pl.col("last_ended_on") - window
    return last.filter((pl.col("engine_id") == pl.col("last_engine_id")) & is_recent)


def _with_others(own: pl.DataFrame) -> pl.DataFrame:
    """Beside each vehicle the sums of the others of its family."""
    squares = pl.col("litres") ** 2 / pl.col("effective")
    others = {
        "others": pl.len() - 1,
        "others_km": pl.col("km").sum() - pl.col("km"),
        "others_litres": pl.col("litres").sum() - pl.col("litres"),
        "others_squares": squares.sum() - squares,
    }
    return own.with_columns(**{name: sums.over("engine_family") for name, sums in others.items()}).with_columns(
        pl.col("others").cast(pl.Int64),
        family_litres_per_1000km=pl.when(pl.col("others") > 0).then(
            1000.0 * pl.col("others_litres") / pl.col("others_km")
        ),
        others_effective=pl.when(pl.col("others") > 0).then(pl.col("others_litres") ** 2 / pl.col("others_squares")),
    )


def _too_few() -> pl.Expr:
    """Say that there is too little to compare; null where there is enough."""
    own, others = counted(pl.col("top_ups"), "top-up"), counted(pl.col("others"), "other vehicle")
    is_few = (pl.col("top_ups") < MIN_TOP_UPS) | (pl.col("others") < MIN_OTHERS)
    return pl.when(is_few).then(pl.format("too few to say: {}, {} of the family", own, others))
