"""Why a figure is missing, in words."""

import polars as pl

from models.settings import MeasureRules


def counted(count: pl.Expr, thing: str) -> pl.Expr:
    """Say how many: "1 re-leak", "2 re-leaks"."""
    return pl.format(
        "{} {}{}", count.cast(pl.Int64), pl.lit(thing), pl.when(count == 1).then(pl.lit("")).otherwise(pl.lit("s"))
    )


def too_few(*, rules: MeasureRules) -> pl.Expr:
    """Say that `n` or `events` is too small for a figure; null where it is not."""
    few = (pl.col("n") < rules.min_episodes) | (pl.col("events") < rules.min_events)
    counts = pl.format("too few to say: {}, {}", counted(pl.col("n"), "episode"), counted(pl.col("events"), "re-leak"))
    return pl.when(pl.col("n") == 0).then(pl.lit("no episodes")).when(few).then(counts)


def not_watched(*, rules: MeasureRules) -> pl.Expr:
    """Say that too few were still watched at `horizon`; null where enough were.

    Reads the columns `at_risk`, `longest`, `horizon` and `time_scale`.
    """
    unit = pl.col("time_scale")
    longest = pl.format("not watched that long: {} {} at most", pl.col("longest").floor().cast(pl.Int64), unit)
    still = pl.format(
        "too few to say: {} still watched at {} {}",
        counted(pl.col("at_risk"), "episode"),
        pl.col("horizon").round().cast(pl.Int64),
        unit,
    )
    return pl.when(pl.col("at_risk") == 0).then(longest).when(pl.col("at_risk") < rules.min_episodes).then(still)
