"""How long repairs stay dry."""

import numpy as np
import polars as pl

from models.measures.cube import GROUP_COLUMNS, Cube, cubes
from models.measures.reasons import not_watched_that_long, too_few, too_few_failed, too_few_vehicles
from models.settings import MeasureRules
from models.statistics.kaplan_meier import event_time_quantiles, kaplan_meier
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_table import Floats, Ints, count_up_to, group_sum, known_until
from models.statistics.weibull import contradicted, fit_weibull, weibull_mean
from models.tables import conform
from models.tables.measures import TimeToReleak

SHORTEST = {"days": 0.5, "km": 25.0, "hours": 1.0}
"""Times the records cannot tell from zero: half a day, half the distance that counts as one visit by default, an hour.
A Weibull life has no place for zero, so shorter times are read as these."""

ONE_KIND = 0.95
"""Share of a group's repairs that must be of one engine family and method for a Weibull mean. Lives of several kinds
together follow no Weibull law, however well one fits as far as was watched, and its mean lies mostly beyond: over 1,000
simulated fleets of 100 vehicles 95% limits held 11% of the truth of three families by three methods that differed in
shape and scale."""


def time_to_releak(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Restricted mean, Weibull mean, median and B10 of the time to re-leak, for every group.

    Competing ends are censored. The restricted mean is null where no episode was watched to its horizon or under
    `min_events` had leaked again by then; the Weibull mean where under `min_failed_share` have leaked again, the fitted
    life leaves the Kaplan-Meier curve or under `ONE_KIND` of the repairs are of one engine family and method; the
    median and B10 where the curve does not come down to them. `plain_mean_of_failed` leaves out all that still hold: it
    is biased low.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Horizons, level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.TimeToReleak`, sorted by its keys.
    """
    figures = pl.concat(_figures(cube, rules=rules) for cube in cubes(episodes))
    return conform(
        figures.pipe(_with_largest_kind)
        .with_columns(
            few=pl.coalesce(too_few(rules=rules), too_few_vehicles()),
            mean_unknown=pl.coalesce(not_watched_that_long(), too_few_failed(rules=rules)),
        )
        .pipe(_null_what_is_not_known, rules=rules)
        .sort(*GROUP_COLUMNS, "time_scale", "horizon"),
        TimeToReleak,
    )


def _with_largest_kind(figures: pl.DataFrame) -> pl.DataFrame:
    """Add the share of each group's repairs that are of its most frequent engine family and method, `largest_kind`."""
    family, method, *others = *GROUP_COLUMNS, "time_scale"
    kinds = figures.filter(pl.col(family) != "", pl.col(method) != "").select(family, method, *others, "n")
    counted = pl.concat(
        kinds.with_columns(pl.lit("").alias(name) for name in pooled)
        for pooled in ((), (family,), (method,), (family, method))
    )
    share = counted.group_by(family, method, *others).agg(largest_kind=pl.col("n").max() / pl.col("n").sum())
    return figures.join(share, on=[family, method, *others], how="left")


def _figures(cube: Cube, *, rules: MeasureRules) -> pl.DataFrame:
    """All figures of one time scale, shown or not."""
    table, clusters = cube.table, cube.clusters
    horizon = rules.restricted_mean(cube.time_scale)
    mean = restricted_mean(table, horizon, clusters=clusters, reach=cube.reach(confidence=rules.confidence))
    events = group_sum(table, table.events)
    failed_time = group_sum(table, table.events * table.time)
    columns: dict[str, Floats | Ints] = {
        "horizon": np.full(table.groups, horizon),
        "restricted_mean": mean.estimate,
        "low": mean.low,
        "high": mean.high,
        "plain_mean_of_failed": np.divide(failed_time, events, out=np.full(table.groups, np.nan), where=events > 0),
        "n": table.sizes,
        "events": events,
        "events_by_horizon": count_up_to(table, table.events, horizon)[:, 0],
        "exposure": group_sum(table, table.exits * table.time),
        "vehicles": cube.vehicles,
    }
    return cube.rows(1, columns | _curve_figures(cube, rules=rules))


def _curve_figures(cube: Cube, *, rules: MeasureRules) -> dict[str, Floats | Ints]:
    """Median and B10 of the Kaplan-Meier curve, and the Weibull life held against it."""
    reach = cube.reach(confidence=rules.confidence)
    curve = kaplan_meier(cube.table, clusters=cube.clusters, reach=reach)
    median = event_time_quantiles(cube.table, curve, 0.5)
    b10 = event_time_quantiles(cube.table, curve, 0.1)
    fit = fit_weibull(cube.table, clusters=cube.clusters, shortest=SHORTEST[cube.time_scale])
    mean = weibull_mean(fit, reach=reach)
    return {
        "known_until": known_until(cube.table, cube.table.events),
        "median": median.time,
        "median_low": median.low,
        "median_high": median.high,
        "b10": b10.time,
        "b10_low": b10.low,
        "b10_high": b10.high,
        "weibull_mean": mean.estimate,
        "weibull_low": mean.low,
        "weibull_high": mean.high,
        "weibull_shape": fit.shape,
        "weibull_scale": fit.scale,
        "is_contradicted": contradicted(fit, cube.table, curve).astype(np.int64),
    }


_RESTRICTED = ("restricted_mean", "low", "high")
_WEIBULL = ("weibull_mean", "weibull_low", "weibull_high", "weibull_shape", "weibull_scale")
_CURVE = ("plain_mean_of_failed", "median", "median_low", "median_high", "b10", "b10_low", "b10_high")


def _null_what_is_not_known(figures: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Null the figures that cannot be given, and say why."""
    enough = pl.col("few").is_null()
    weibull = _why_no_weibull(rules=rules)
    reason = pl.concat_str(
        pl.format("mean: {}", pl.col("mean_unknown")),
        pl.format("Weibull: {}", weibull),
        pl.when(pl.col("median").is_null()).then(pl.lit("median not reached")),
        pl.when(pl.col("b10").is_null()).then(pl.lit("B10 not reached")),
        separator="; ",
        ignore_nulls=True,
    )
    return figures.with_columns(
        *(pl.when(enough & pl.col("mean_unknown").is_null()).then(pl.col(name)).alias(name) for name in _RESTRICTED),
        *(pl.when(enough & weibull.is_null()).then(pl.col(name)).alias(name) for name in _WEIBULL),
        *(pl.when(enough).then(pl.col(name)).alias(name) for name in _CURVE),
        reason=pl.when(enough).then(pl.when(reason != "").then(reason)).otherwise(pl.col("few")),
    )


def _why_no_weibull(*, rules: MeasureRules) -> pl.Expr:
    """Say why the Weibull figures are not given; null where they are."""
    failed_share = pl.col("events") / pl.col("n")
    least = f"under {rules.min_failed_share:.0%} have leaked again"
    return (
        pl.when(failed_share < rules.min_failed_share)
        .then(pl.lit(least))
        .when(pl.col("weibull_mean").is_null())
        .then(pl.lit("no fit"))
        .when(pl.col("is_contradicted") == 1)
        .then(pl.lit("the fitted curve leaves the observed one"))
        .when(pl.col("largest_kind") < ONE_KIND)
        .then(pl.lit("several families or methods"))
    )
