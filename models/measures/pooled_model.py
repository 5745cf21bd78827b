"""What a repair is judged by beside its site: engine family, method and the engine's age."""

import numpy as np
import polars as pl

from models.measures.cube import cause_codes, label_codes
from models.measures.leak_rates import DAYS_PER_YEAR
from models.statistics.risk_table import Floats, Ints
from models.statistics.standardisation import PooledModel, pooled_levels, pooled_model


def with_age(episodes: pl.DataFrame, engine_periods: pl.DataFrame) -> pl.DataFrame:
    """Add the years since the engine was fitted, `age_years`; null where that is not known or lies after the repair.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
    """
    fitted = engine_periods.group_by("vehicle_id", "engine_id").agg(fitted_on=pl.col("from_on").min())
    years = (pl.col("repaired_on") - pl.col("fitted_on")).dt.total_days() / DAYS_PER_YEAR
    return (
        episodes.join(fitted, on=["vehicle_id", "engine_id"], how="left", maintain_order="left")
        .with_columns(age_years=pl.when(years >= 0).then(years))
        .drop("fitted_on")
    )


def aged_in_order(episodes: pl.DataFrame, engine_periods: pl.DataFrame, *, time_scale: str) -> pl.DataFrame:
    """The episodes with a time on a scale, with `age_years`, sorted by that time."""
    return with_age(episodes, engine_periods).drop_nulls(time_scale).sort(time_scale, "vehicle_id", "episode_id")


def with_expected(episodes: pl.DataFrame, engine_periods: pl.DataFrame, *, time_scale: str) -> pl.DataFrame:
    """Add the re-leaks to be expected of each episode, `expected`, had its site worked like the whole fleet.

    Families, and methods, with fewer than `models.statistics.standardisation.MIN_LEVEL_EVENTS` re-leaks are pooled.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        time_scale: What it was watched in.

    Returns:
        The episodes with a time on that scale, sorted by it.
    """
    ordered = aged_in_order(episodes, engine_periods, time_scale=time_scale)
    expected = fleet_model(ordered, time_scale).expected(ordered[time_scale].to_numpy())
    return ordered.with_columns(expected=pl.Series(expected, dtype=pl.Float64))


def fleet_model(episodes: pl.DataFrame, time: str) -> PooledModel:
    """Fit what is to be expected of a repair by engine family, method and age.

    Args:
        episodes: With `age_years`; sorted.
        time: Column of the watched time.
    """
    cause = cause_codes(episodes)
    method = pooled_levels(label_codes(episodes["repair_method"]), cause)
    return pooled_model(
        episodes[time].to_numpy(),
        cause,
        stratum=pooled_levels(label_codes(episodes["engine_family"]), cause),
        covariates=np.column_stack([indicators(method), age_columns(episodes["age_years"])]),
        unit=label_codes(episodes["site"]),
    )


def indicators(levels: Ints) -> Floats:
    """One column for each level but the first, 1 where it is the level (n, levels - 1)."""
    return np.asarray(levels[:, None] == np.arange(1, int(levels.max(initial=0)) + 1), dtype=np.float64)


def age_columns(age_years: pl.Series) -> Floats:
    """The age, at its mean where it is not known, and where that is the case, for some but not all, a 1 (n, 1 or 2)."""
    unknown = age_years.is_null().to_numpy()
    mean = age_years.mean()
    age = age_years.fill_null(mean if isinstance(mean, float) else 0.0).to_numpy()
    return np.column_stack([age, unknown.astype(np.float64)]) if unknown.any() and not unknown.all() else age[:, None]
