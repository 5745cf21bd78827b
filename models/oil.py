"""Oil put in between fills, as a rate with its uncertainty, and a test of whether the rate moved.

A top-up measures what was burnt and what leaked together; it makes a cover suspect and never proves a leak.
"""

import polars as pl

from models.engines import engine_at
from models.odometer import distance_at
from models.settings import OilRules
from models.tables import conform
from models.tables.ledger import OilSegments

CHANGE_WORDS = (
    r"(?i)\boil\s*(and|&|\+)\s*filter|\boil\s+change|\bchange\s+oil|\bchanged?\s+(the\s+)?oil|\boil\s+service|"
    r"\bfull\s+service|\bdrain|\brefill|\bafter\s+(engine|head|sump)"
)
"""Reasons that mean the sump was filled anew (common practice)."""
TOP_UP_WORDS = r"(?i)\btop(ped|ping)?[\s-]?up\b|\bbetween\s+services\b"
"""Reasons that mean oil was added to what was there, whatever else they say; the volume still decides."""

MIN_SHAPE = 1.0 / 32.0
"""Gamma shape of a fill of a quarter of the level error. Below it the distribution piles up at zero and its upper limit
falls again, though less oil never says more."""
MIN_SEGMENTS_A_SIDE = 3
"""Fewer segments before or after a change cannot show their own spread."""
SHIFT_STATISTIC = 16.0
"""Likelihood-ratio statistic above which a rate is taken to have moved. The largest of many splits is compared, so it
lies far above the 6.6 of a single test. On simulated steady histories (6 to 60 gamma-distributed segments, coefficient
of variation 0.3 to 0.8, 27,000 in all) no more than 2 in 100 passed it, and no more than 1 in 100 with a doubled rate.
"""


def oil_segments(
    oil_top_ups: pl.DataFrame,
    curve: pl.DataFrame,
    periods: pl.DataFrame,
    families: pl.DataFrame,
    *,
    rules: OilRules,
) -> pl.DataFrame:
    """Litres per 1,000 km between consecutive fills of each engine.

    The fills of a local day are one fill. An oil change (by its words, or by a volume of `full_fill_share` of the sump)
    resets the level and opens a segment; a top-up closes one and opens the next. A segment without a distance is left
    out.

    The 95% limits are those of a gamma distribution with the rate as its mean. Its relative variance adds the unknown
    levels after the two fills (each off by `level_error_litres`, one standard deviation) and the curve's error at both
    ends (taken as uniform within its bounds).

    Returns:
        `OilSegments`, sorted by vehicle and end.
    """
    fills = _fills(oil_top_ups, periods, families, rules)
    located = distance_at(curve, fills.with_columns(at="topped_up_at"))
    previous = ["topped_up_at", "topped_up_on", "distance_km", "error_km"]
    engine = ["vehicle_id", "engine_id"]
    return (
        located.sort(*engine, "topped_up_at", "top_up_id")
        .with_columns(pl.col(name).shift().over(engine).alias(f"previous_{name}") for name in previous)
        .with_columns(km=pl.col("distance_km") - pl.col("previous_distance_km"))
        .filter(~pl.col("is_change") & (pl.col("km") > 0.0))
        .rename({f"previous_topped_up_{moment}": f"started_{moment}" for moment in ("at", "on")})
        .rename({f"topped_up_{moment}": f"ended_{moment}" for moment in ("at", "on")})
        .with_columns(litres_per_1000km=1000.0 * pl.col("litres") / pl.col("km"))
        .pipe(_with_limits, rules)
        .sort("vehicle_id", "ended_at", "top_up_id")
        .pipe(conform, OilSegments)
    )


def oil_rate_shift(segments: pl.DataFrame, *, rules: OilRules) -> pl.DataFrame:
    """Say whether the oil rate of each vehicle's present engine moved up, by how much, and since when.

    Rates are taken as gamma-distributed with a variance that falls with the segment's distance. Every split that leaves
    `MIN_SEGMENTS_A_SIDE` segments on either side is compared with no split by the likelihood ratio, scaled by the
    spread within the two sides, or by what the unknown levels at the ends of the shorter side cause if that is more.
    The split with the largest ratio is the change point. The rate moved if that ratio passes `SHIFT_STATISTIC` and the
    rate rose by `shift_ratio` or more.

    Returns:
        vehicle_id, engine_id, shifted, ratio (after over before, at the likeliest split), since_on (local day
        the first segment after it started), statistic, segments; ratio, since_on and statistic null where there are
        too few segments.
    """
    latest = segments.sort("vehicle_id", "ended_at", "top_up_id").with_columns(
        present_engine=pl.col("engine_id").last().over("vehicle_id")
    )
    engine = latest.filter(pl.col("engine_id") == pl.col("present_engine"))
    best = (
        engine.pipe(_splits, rules)
        .sort("vehicle_id", "statistic", "since_on", descending=[False, True, False])
        .unique("vehicle_id", keep="first", maintain_order=True)
        .select("vehicle_id", "ratio", "since_on", "statistic")
    )
    is_shift = (pl.col("statistic") >= SHIFT_STATISTIC) & (pl.col("ratio") >= rules.shift_ratio)
    return (
        engine.group_by("vehicle_id", "engine_id")
        .agg(segments=pl.len().cast(pl.Int64))
        .join(best, on="vehicle_id", how="left")
        .with_columns(shifted=is_shift.fill_null(False))
        .select("vehicle_id", "engine_id", "shifted", "ratio", "since_on", "statistic", "segments")
        .sort("vehicle_id")
    )


def _fills(oil_top_ups: pl.DataFrame, periods: pl.DataFrame, families: pl.DataFrame, rules: OilRules) -> pl.DataFrame:
    """One row per engine and local day with the oil put in and whether it was a change."""
    says_change = pl.col("reason").fill_null("").str.contains(CHANGE_WORDS)
    says_top_up = pl.col("reason").fill_null("").str.contains(TOP_UP_WORDS)
    return (
        engine_at(periods, oil_top_ups.with_columns(on="topped_up_on"))
        .join(families.select("engine_family", "sump_litres"), on="engine_family", how="left")
        .with_columns(says_change=says_change & ~says_top_up)
        .sort("vehicle_id", "topped_up_at", "top_up_id")
        .group_by("vehicle_id", "engine_id", "topped_up_on", maintain_order=True)
        .agg(
            pl.col("topped_up_at", "top_up_id").last(),
            pl.col("sump_litres").first(),
            litres=pl.col("volume_litres").sum(),
            says_change=pl.col("says_change").any(),
        )
        .with_columns(
            is_change=pl.col("says_change")
            | (pl.col("litres") >= rules.full_fill_share * pl.col("sump_litres")).fill_null(False)
        )
    )


def _with_limits(segments: pl.DataFrame, rules: OilRules) -> pl.DataFrame:
    """Add the 95% limits of the rate."""
    from scipy.special import gammaincinv  # noqa: PLC0415

    level_variance = 2.0 * (rules.level_error_litres / pl.col("litres")) ** 2
    km_variance = (pl.col("error_km") ** 2 + pl.col("previous_error_km") ** 2) / 3.0 / pl.col("km") ** 2
    shape = segments.select(shape=(1.0 / (level_variance + km_variance)).clip(MIN_SHAPE))["shape"].to_numpy()
    limits = {
        name: pl.Series(name, gammaincinv(shape, level) / shape) for name, level in (("low", 0.025), ("high", 0.975))
    }
    return segments.with_columns(**limits).with_columns(pl.col(*limits) * pl.col("litres_per_1000km"))


def _splits(segments: pl.DataFrame, rules: OilRules) -> pl.DataFrame:
    """Every allowed split of each vehicle's segments with its rate ratio and scaled likelihood ratio."""
    vehicle = "vehicle_id"
    log_rate = (pl.col("litres") / pl.col("km")).log()
    weight = pl.col("km") / pl.col("km").mean().over(vehicle)
    sums = segments.with_columns(
        before_n=pl.int_range(1, pl.len() + 1).over(vehicle),
        n=pl.len().over(vehicle),
        weight=weight,
        before_km=pl.col("km").cum_sum().over(vehicle),
        before_litres=pl.col("litres").cum_sum().over(vehicle),
        km_all=pl.col("km").sum().over(vehicle),
        litres_all=pl.col("litres").sum().over(vehicle),
        weighted_logs=(weight * log_rate).sum().over(vehicle),
        before_weight=weight.cum_sum().over(vehicle),
        level_variance=2.0 * (rules.level_error_litres / pl.col("litres").mean().over(vehicle)) ** 2,
        since_on=pl.col("started_on").shift(-1).over(vehicle),
    )
    rate_before = pl.col("before_litres") / pl.col("before_km")
    rate_after = (pl.col("litres_all") - pl.col("before_litres")) / (pl.col("km_all") - pl.col("before_km"))
    no_split = pl.col("n") * (pl.col("litres_all") / pl.col("km_all")).log()
    split = pl.col("before_weight") * rate_before.log() + (pl.col("n") - pl.col("before_weight")) * rate_after.log()
    left_over = 2.0 * (split - pl.col("weighted_logs")) / (pl.col("n") - 2)
    return (
        sums.filter(
            (pl.col("before_n") >= MIN_SEGMENTS_A_SIDE) & (pl.col("n") - pl.col("before_n") >= MIN_SEGMENTS_A_SIDE)
        )
        .with_columns(shorter_side=pl.min_horizontal("before_n", pl.col("n") - pl.col("before_n")))
        .with_columns(
            ratio=rate_after / rate_before,
            spread=pl.max_horizontal(left_over, pl.col("level_variance") / pl.col("shorter_side")),
        )
        .with_columns(statistic=2.0 * (no_split - split) / pl.col("spread"))
    )
