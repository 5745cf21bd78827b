"""How many repairs for a leak an engine has had by each age."""

import numpy as np
import polars as pl

from models.measures.cube import label_codes, with_all_families
from models.measures.engine_watch import ENGINE, leak_repairs, repair_days, watched_engines
from models.measures.leak_rates import DAYS_PER_YEAR
from models.measures.thinning import evenly_kept
from models.settings import MeasureRules
from models.statistics.few_clusters import MIN_CLUSTERS
from models.statistics.mean_cumulative import mean_cumulative, mean_cumulative_limits
from models.statistics.risk_table import group_sum, running_sum
from models.tables import conform
from models.tables.measures import RepairsByAge


def repairs_by_age(
    episodes: pl.DataFrame, engine_periods: pl.DataFrame, last_records: pl.DataFrame, *, rules: MeasureRules
) -> pl.DataFrame:
    """Mean cumulative number of repairs for a leak of an engine, by its age, for every family.

    Engines are watched as `models.measures.engine_watch` says, most of them since a later age: counting starts at the
    lowest age of the longest stretch over which at least `min_episodes` engines were watched, two at least. The limits
    are on the log scale, by the variance that lets engines differ and repairs of one depend on each other, as far out
    as Student's t for few engines. Families with fewer than `min_events` repairs in the stretch are left out. Of many
    steps an even choice is kept.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        last_records: As `models.tables.ledger.LastRecords`.
        rules: Level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.RepairsByAge`, sorted by its keys.
    """
    engines, entries = counted_entries(episodes, engine_periods, last_records, rules=rules)
    if entries.is_empty():
        return conform(RepairsByAge.create_empty(), RepairsByAge)
    points = _points(entries, confidence=rules.confidence)
    sized = engines.group_by("engine_family").agg(n=pl.len().cast(pl.Int64), since_days=pl.col("since_days").first())
    since = pl.col("since_days") / DAYS_PER_YEAR
    found = points.join(sized, on="engine_family").with_columns(since_years=since)
    enough = found.filter(pl.col("events").max().over("engine_family") >= rules.min_events)
    none = pl.lit(0.0)
    origin = enough.unique("engine_family", keep="first").with_columns(
        age_years=pl.col("since_years"), repairs=none, low=none, high=none, standard_error=none, events=none
    )
    return conform(pl.concat([origin, enough]).sort("engine_family", "age_years"), RepairsByAge)


def counted_entries(
    episodes: pl.DataFrame, engine_periods: pl.DataFrame, last_records: pl.DataFrame, *, rules: MeasureRules
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Engines of every family and of all, and their repairs and ends of watch as `mean_cumulative` takes them.

    Returns:
        The engines, their watch cut to the stretch over which enough were watched, with its start, `since_days`; and
        the entries: engine_family, vehicle_id, engine_id, begin_days, age_days, is_event.
    """
    watched = watched_engines(engine_periods, last_records)
    engines = with_all_families(watched).pipe(_within_stretch, at_least=max(rules.min_episodes, round(MIN_CLUSTERS)))
    columns = ["engine_family", *ENGINE, "begin_days", "age_days", "is_event"]
    days = with_all_families(repair_days(leak_repairs(episodes, watched))).select("engine_family", *ENGINE, "age_days")
    repairs = (
        days.join(engines, on=["engine_family", *ENGINE])
        .filter(pl.col("age_days") > pl.col("begin_days"), pl.col("age_days") <= pl.col("end_days"))
        .with_columns(is_event=pl.lit(True))
    )
    ends = engines.with_columns(age_days=pl.col("end_days"), is_event=pl.lit(False))
    return engines, pl.concat([repairs.select(columns), ends.select(columns)]).sort(columns)


def _within_stretch(engines: pl.DataFrame, *, at_least: int) -> pl.DataFrame:
    """Cut each engine's watch to the longest stretch of ages over which enough engines of its family were watched."""
    steps = pl.concat(
        [
            engines.select("engine_family", age="begin_days", step=pl.lit(1)),
            engines.select("engine_family", age="end_days", step=pl.lit(-1)),
        ]
    )
    ages = (
        steps.group_by("engine_family", "age")
        .agg(pl.col("step").sum())
        .sort("engine_family", "age")
        .with_columns(
            is_enough=pl.col("step").cum_sum().over("engine_family") >= at_least,
            next_age=pl.col("age").shift(-1).over("engine_family"),
        )
        .with_columns(run=pl.struct("engine_family", "is_enough").rle_id())
        .filter("is_enough")
    )
    runs = ages.group_by("engine_family", "run").agg(
        since_days=pl.col("age").min(), until_days=pl.col("next_age").max()
    )
    longest = runs.sort(pl.col("until_days") - pl.col("since_days"), "run").unique(
        "engine_family", keep="last", maintain_order=True
    )
    return (
        engines.join(longest.drop("run"), on="engine_family")
        .with_columns(
            begin_days=pl.max_horizontal("begin_days", "since_days"),
            end_days=pl.min_horizontal("end_days", "until_days"),
        )
        .filter(pl.col("end_days") > pl.col("begin_days"))
        .sort("engine_family", *ENGINE)
    )


def _points(entries: pl.DataFrame, *, confidence: float) -> pl.DataFrame:
    """Steps of every family's curve, thinned, and its last age."""
    families = entries["engine_family"].unique().sort()
    curve = mean_cumulative(
        entries["age_days"].to_numpy(),
        entries["is_event"].to_numpy(),
        entries.select(pl.struct("engine_family", *ENGINE).rle_id()).to_series().to_numpy(),
        group=label_codes(entries["engine_family"]),
        entry=entries["begin_days"].to_numpy(),
    )
    table = curve.table
    events = running_sum(table.events, table.start)
    is_last = np.isin(np.arange(len(table.time)), table.start[1:] - 1)
    kept = np.flatnonzero(
        (group_sum(table, table.events) > 0)[table.row_group] & (evenly_kept(table.events > 0, table.start) | is_last)
    )
    mean = curve.mean[kept]
    low, high = mean_cumulative_limits(curve, confidence=confidence)
    return pl.DataFrame(
        {
            "engine_family": families.gather(table.row_group[kept]),
            "age_years": table.time[kept] / DAYS_PER_YEAR,
            "repairs": mean,
            "low": low[kept],
            "high": high[kept],
            "standard_error": curve.robust_error[kept],
            "watched": curve.watched[kept],
            "events": events[kept],
        }
    )
