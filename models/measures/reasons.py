"""Why a figure is missing, in words."""

import polars as pl

from models.settings import MeasureRules
from models.statistics.few_clusters import MIN_CLUSTERS


def counted(count: pl.Expr, thing: str) -> pl.Expr:
    """Say how many: "1 re-leak", "2 re-leaks"."""
    return pl.format(
        "{} {}{}", count.cast(pl.Int64), pl.lit(thing), pl.when(count == 1).then(pl.lit("")).otherwise(pl.lit("s"))
    )


def too_few(*, rules: MeasureRules, event: str = "re-leak", unit: str = "episode") -> pl.Expr:
    """Say that `n` or `events` is too small for a figure; null where it is not.

    `event` names what is counted, `unit` whom it happened to.
    """
    few = (pl.col("n") < rules.min_episodes) | (pl.col("events") < rules.min_events)
    counts = pl.format("too few to say: {}, {}", counted(pl.col("n"), unit), counted(pl.col("events"), event))
    return pl.when(pl.col("n") == 0).then(pl.lit(f"no {unit}s")).when(few).then(counts)


def too_few_vehicles() -> pl.Expr:
    """Say that the effective number of `vehicles` is too small for limits; null where it is not."""
    return pl.when(pl.col("vehicles") < MIN_CLUSTERS).then(pl.lit("too few to say: too few vehicles"))


def not_watched_that_long() -> pl.Expr:
    """Say that nothing is known at `horizon`; null where something is.

    Reads the columns `known_until`, `horizon` and `time_scale`.
    """
    longest = pl.format("not watched that long: {} {} at most", _whole(pl.col("known_until")), pl.col("time_scale"))
    return pl.when(pl.col("known_until") < pl.col("horizon")).then(longest)


def too_few_failed(*, rules: MeasureRules) -> pl.Expr:
    """Say that too few had leaked again by `horizon`; null where enough had.

    Reads the columns `events_by_horizon`, `horizon` and `time_scale`.
    """
    events = pl.col("events_by_horizon")
    failed = pl.format(
        "too few to say: {} by {} {}", counted(events, "re-leak"), _whole(pl.col("horizon")), pl.col("time_scale")
    )
    return pl.when(events < rules.min_events).then(failed)


def _whole(number: pl.Expr) -> pl.Expr:
    """Leave out the fraction of a number; infinity has no words."""
    return pl.when(number.is_finite()).then(number).floor().cast(pl.Int64)
