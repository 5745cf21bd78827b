"""Whether each repair cut the oil put in: the rate after it over the rate before."""

from datetime import timedelta

import polars as pl

from models.measures.oil_rates import MIN_TOP_UPS, summed, top_up_shape
from models.measures.reasons import counted
from models.settings import MeasureRules
from models.statistics.rate_ratio import rate_ratio
from models.tables import conform
from models.tables.measures import OilRatios

_KEYS = ("episode_id", "vehicle_id", "engine_id")


def oil_ratios(episodes: pl.DataFrame, oil_segments: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Litres per 1,000 km after each repair over those before it, with an interval.

    Before is from the engine's repair before, at most `oil_window_days`, to this one; after is from it, at most as
    long, to the engine's next repair or the end of the episode. Segments that a repair lies within are left out. What
    is burnt is in both, so the ratio understates what was cut of the leak; the two covers of an engine share its oil.
    It shows what a repair did and decides nothing: an episode ends by what was seen.

    Args:
        episodes: `models.tables.ledger.Episodes`.
        oil_segments: `models.tables.ledger.OilSegments`.
        rules: Level and window.

    Returns:
        As `models.tables.measures.OilRatios`, one row an episode, sorted by episode.
    """
    window = timedelta(days=rules.oil_window_days)
    repairs = _with_repairs_beside(episodes)
    both = repairs.join(oil_segments, on=["vehicle_id", "engine_id"])
    is_before = (
        (pl.col("segment_ended_at") <= pl.col("repaired_at"))
        & (pl.col("started_at") >= pl.col("repaired_before_at").fill_null(pl.col("started_at")))
        & (pl.col("started_at") >= pl.col("repaired_at") - window)
    )
    is_after = (
        (pl.col("started_at") >= pl.col("repaired_at"))
        & (pl.col("segment_ended_at") <= pl.min_horizontal("ended_at", "repaired_after_at"))
        & (pl.col("segment_ended_at") <= pl.col("repaired_at") + window)
    )
    both = both.rename({"ended_at_right": "segment_ended_at"})
    sides = repairs.select(*_KEYS, "repaired_on")
    for prefix, is_side in (("before_", is_before), ("after_", is_after)):
        sums = summed(both.filter(is_side), "episode_id", prefix=prefix)
        sides = sides.join(sums, on="episode_id", how="left").with_columns(pl.col(f"{prefix}top_ups").fill_null(0))
    compared = _compared(sides, shape=top_up_shape(oil_segments), confidence=rules.confidence)
    return conform(compared.sort("episode_id"), OilRatios)


def _with_repairs_beside(episodes: pl.DataFrame) -> pl.DataFrame:
    """Each episode with the moments of the engine's repairs before and after it, of either cover."""
    engine = ["vehicle_id", "engine_id"]
    moments = episodes.select(*engine, "repaired_at").unique().sort(*engine, "repaired_at")
    moment = pl.col("repaired_at")
    beside = moments.with_columns(
        repaired_before_at=moment.shift().over(engine), repaired_after_at=moment.shift(-1).over(engine)
    )
    return episodes.select(*_KEYS, "repaired_at", "repaired_on", "ended_at").join(beside, on=[*engine, "repaired_at"])


def _compared(sides: pl.DataFrame, *, shape: float, confidence: float) -> pl.DataFrame:
    """The ratio of either side, or why there is none."""
    found = rate_ratio(
        sides["after_litres_per_1000km"].to_numpy(),
        sides["before_litres_per_1000km"].to_numpy(),
        sides["after_effective"].to_numpy(),
        sides["before_effective"].to_numpy(),
        shape=shape,
        confidence=confidence,
    )
    before, after = (counted(pl.col(f"{side}_top_ups"), "top-up") for side in ("before", "after"))
    is_few = pl.min_horizontal("before_top_ups", "after_top_ups") < MIN_TOP_UPS
    figures = {"ratio": found.estimate, "low": found.low, "high": found.high}
    return sides.with_columns(
        **{name: pl.Series(values, nan_to_null=True) for name, values in figures.items()},
        reason=pl.when(is_few).then(pl.format("too few to say: {} before, {} after", before, after)),
    ).with_columns(pl.when(pl.col("reason").is_null()).then(pl.col(*figures)))
