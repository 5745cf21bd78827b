"""When repairs were found to leak again, and when they began to: the same leaks by two clocks."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.measures.cube import label_codes
from models.measures.reasons import too_few, too_few_vehicles
from models.settings import MeasureRules
from models.statistics.clustering import Clusters, vehicle_clusters
from models.statistics.few_clusters import MIN_CLUSTERS, clustered_reach, effective_clusters, effective_number
from models.statistics.intervals import Estimates, log_log_limits
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.risk_table import CENSORED, EVENT, Floats, Ints, RiskTable, at_risk_at, risk_table, value_at
from models.statistics.turnbull import bootstrap_survival, survival_bounds, turnbull
from models.statistics.weibull import WeibullFit, contradicted, fit_weibull, weibull_quantile
from models.statistics.weibull_intervals import fit_weibull_intervals
from models.tables import conform
from models.tables.measures import LEAK_CLOCKS, LeakTiming, LeakTimingCurve

DETECTION, LEAK = LEAK_CLOCKS
TENTH = 0.1
"""Share of the life published: B10."""
GRID_STEPS = 52
"""Steps at which the curves are read, beside the horizons: one a fortnight over two years."""
WEEK, FORTNIGHT = 7.0, 14.0
MANY, VERY_MANY = 1_000, 10_000
"""Repairs of a group beyond which drawings of the vehicles have looks rounded outwards to whole fortnights, and beyond
which the estimate has them rounded to whole weeks: it costs days of sharpness, no bias."""
SHORTEST_DAYS = 0.5
"""Half a day, which the records cannot tell from no time at all."""
DRAWS = 50
"""Drawings of the vehicles: they settle a standard error to about a tenth of itself."""
SEED = 20_240_521
"""Of the vehicles drawn anew: the same every run."""


@dataclass(frozen=True)
class _Group:
    """Repairs of one group.

    Attributes:
        engine_family: Its engine family, '' for all.
        repair_method: Its repair method, '' for all.
        days: Days to the finding, or to the end of the watch (n,).
        is_found: Whether a leak was found (n,).
        dry_days: Days to the last dry look before it, or to the end of the watch (n,).
        vehicle: Vehicle code (n,).
    """

    engine_family: str
    repair_method: str
    days: Floats
    is_found: Ints
    dry_days: Floats
    vehicle: Ints


def leak_timing_curve(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Share found to leak, and share that had begun to leak, by days since the repair; by family and by method.

    A leak that was found had begun in (last dry look, first wet look]. A repair not seen to leak is taken as dry to the
    end of its watch by both clocks; other ends are censored. Found: Kaplan-Meier, clustered by vehicle. Begun:
    Turnbull's estimate, which leaves open how a share lies within its interval, so that it has a least and a most; the
    limits of their middle, on log(-log), come from drawing vehicles anew. Groups with too few repairs, re-leaks or
    vehicles are left out.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: The last horizon, level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.LeakTimingCurve`, sorted by its keys.
    """
    grid = np.union1d(np.linspace(0.0, max(rules.horizons_days), GRID_STEPS + 1), rules.horizons_days)
    curves = [
        _curve(group, grid, confidence=rules.confidence)
        for group in _groups(episodes)
        if len(group.days) >= rules.min_episodes
        and group.is_found.sum() >= rules.min_events
        and effective_number(group.vehicle)[0] >= MIN_CLUSTERS
    ]
    found = pl.concat(curves) if curves else LeakTimingCurve.create_empty()
    return conform(found, LeakTimingCurve).sort(LeakTimingCurve.primary_key())


def leak_timing(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Weibull life to the finding of a leak and to its beginning: the time by which one in ten is over.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.LeakTiming`, sorted by its keys. As for `leak_timing_curve`, a repair not seen to
        leak is taken as dry to the end of its watch.
    """
    groups = list(_groups(episodes))
    table, clusters = _observations(groups)
    vehicles = effective_clusters(clusters, table.groups)
    reach = clustered_reach(vehicles, confidence=rules.confidence)
    detection = fit_weibull(table, clusters=clusters, shortest=SHORTEST_DAYS)
    is_contradicted = contradicted(detection, table, kaplan_meier(table, clusters=clusters, reach=reach))
    rows = [
        _lives(groups, clock, weibull_quantile(fit, TENTH, reach=reach), fit).with_columns(
            is_contradicted=pl.Series(is_contradicted), vehicles=pl.Series(vehicles)
        )
        for clock, fit in ((DETECTION, detection), (LEAK, _leak_fit(groups)))
    ]
    few = too_few(rules=rules)
    leaves = pl.when("is_contradicted").then(pl.lit("Weibull: the fitted curve leaves the observed one"))
    found = pl.concat(rows).with_columns(reason=pl.coalesce(few, too_few_vehicles(), "reason", leaves))
    figures = [name for name, column in LeakTiming.columns().items() if column.nullable and name != "reason"]
    return (
        found.with_columns(pl.when(pl.col("reason").is_null()).then(name).alias(name) for name in figures)
        .pipe(conform, LeakTiming)
        .sort(LeakTiming.primary_key())
    )


def _groups(episodes: pl.DataFrame) -> Iterator[_Group]:
    """All repairs, those of each engine family, and those of each method."""
    ordered = episodes.sort("days", "vehicle_id", "episode_id")
    ordered = ordered.with_columns(vehicle=label_codes(ordered["vehicle_id"]))
    yield _group(ordered)
    for column in ("engine_family", "repair_method"):
        for (value,), members in ordered.group_by(column, maintain_order=True):
            yield _group(members, **{column: str(value)})


def _group(members: pl.DataFrame, *, engine_family: str = "", repair_method: str = "") -> _Group:
    """The times of one group by both clocks."""
    is_found = (members["status"] == "re-leak").to_numpy()
    days = members["days"].to_numpy()
    looked = (members["last_dry_at"] - members["repaired_at"]).dt.total_hours().to_numpy() / 24.0
    dry = np.where(is_found, np.clip(np.round(looked), 0.0, np.maximum(days - 1.0, 0.0)), days)
    return _Group(engine_family, repair_method, days, is_found.astype(np.int64), dry, members["vehicle"].to_numpy())


def _ends(group: _Group, *, to_days: float) -> tuple[Floats, Floats]:
    """Last day each repair was known dry, and the day it was found leaking, infinite where it was not (n,).

    They are rounded outwards to whole stretches of `to_days`; as they are where that is 0.
    """
    left, right = group.dry_days, np.where(group.is_found, group.days, np.inf)
    return (np.floor(left / to_days) * to_days, np.ceil(right / to_days) * to_days) if to_days else (left, right)


def _curve(group: _Group, grid: Floats, *, confidence: float) -> pl.DataFrame:
    """Both curves of one group at the grid's days, up to the longest watched."""
    at = grid[grid <= group.days.max()]
    table = risk_table(group.days, np.where(group.is_found, EVENT, CENSORED), groups=1)
    clusters = vehicle_clusters(table, group.vehicle)
    reach = clustered_reach(effective_clusters(clusters, 1), confidence=confidence)
    curve = kaplan_meier(table, clusters=clusters, reach=reach)
    size = len(group.days)
    estimated = turnbull(*_ends(group, to_days=WEEK if size > VERY_MANY else 0.0))
    lowest, highest = survival_bounds(estimated, at)
    redrawn = _ends(group, to_days=FORTNIGHT if size > MANY else 0.0)
    drawn = bootstrap_survival(*redrawn, at, cluster=group.vehicle, seed=SEED, draws=DRAWS)
    low, high = log_log_limits((lowest + highest) / 2.0, drawn.standard_error, reach=reach)

    def detected(survival: Floats) -> Floats:
        return np.asarray(1.0 - value_at(table, survival, at, initial=1.0)[0])

    columns = {
        "time": at,
        "detected": detected(curve.survival),
        "detected_low": detected(curve.high),
        "detected_high": detected(curve.low),
        "begun_least": 1.0 - highest,
        "begun_most": 1.0 - lowest,
        "begun_low": 1.0 - high,
        "begun_high": 1.0 - low,
        "at_risk": at_risk_at(table, at)[0],
    }
    return pl.DataFrame(columns).select(
        pl.lit(group.engine_family).alias("engine_family"),
        pl.lit(group.repair_method).alias("repair_method"),
        pl.col(list(columns)).fill_nan(None),
    )


def _observations(groups: list[_Group]) -> tuple[RiskTable, Clusters]:
    """The times to detection of all groups, and their vehicles."""
    code = np.repeat(np.arange(len(groups)), [len(group.days) for group in groups])
    days = np.concatenate([group.days for group in groups])
    is_found = np.concatenate([group.is_found for group in groups])
    table = risk_table(days, np.where(is_found, EVENT, CENSORED), group=code, groups=len(groups))
    return table, vehicle_clusters(table, np.concatenate([group.vehicle for group in groups]))


def _leak_fit(groups: list[_Group]) -> WeibullFit:
    """The Weibull lives to the beginning of the leak."""
    days = [np.where(group.is_found, np.maximum(group.days, SHORTEST_DAYS), np.inf) for group in groups]
    return fit_weibull_intervals(
        np.concatenate([group.dry_days for group in groups]),
        np.concatenate(days),
        group=np.repeat(np.arange(len(groups)), [len(group.days) for group in groups]),
        groups=len(groups),
        cluster=np.concatenate([group.vehicle for group in groups]),
    )


def _lives(groups: list[_Group], clock: str, tenth: Estimates, fit: WeibullFit) -> pl.DataFrame:
    """The figures of every group by one clock."""
    columns = {
        "b10": tenth.estimate,
        "b10_low": tenth.low,
        "b10_high": tenth.high,
        "weibull_shape": fit.shape,
        "weibull_scale": fit.scale,
        "n": [len(group.days) for group in groups],
        "events": [int(group.is_found.sum()) for group in groups],
    }
    reason = pl.Series([words and f"Weibull: {words}" for words in fit.reason], dtype=pl.String)
    return pl.DataFrame(columns).select(
        pl.Series("engine_family", [group.engine_family for group in groups], dtype=pl.String),
        pl.Series("repair_method", [group.repair_method for group in groups], dtype=pl.String),
        pl.lit(clock).alias("clock"),
        pl.all().fill_nan(None),
        pl.when(reason != "").then(reason).alias("reason"),
    )
