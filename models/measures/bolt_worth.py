"""Whether a new bolt set pays for itself on like engines: what its re-leaks spared are worth against what it costs."""

from statistics import NormalDist

import numpy as np
import polars as pl

from models.measures.bolt_comparison import METHODS, SIDES
from models.measures.contrasts import FIGURES, contrasts
from models.measures.cube import label_codes
from models.measures.pooled_model import with_age
from models.measures.reasons import too_few_failed
from models.settings import MeasureRules, PlanRules
from models.statistics.intervals import normal_quantile
from models.statistics.mean_difference import mean_difference
from models.tables import conform
from models.tables.measures import BoltWorth

MOST_REPAIRS = 1_000_000
"""More than any fleet makes: nothing to aim at."""


def bolt_worth(
    episodes: pl.DataFrame,
    engine_periods: pl.DataFrame,
    work_orders: pl.DataFrame,
    *,
    rules: MeasureRules,
    costs: PlanRules,
) -> pl.DataFrame:
    """Re-leaks that new bolts spare by each horizon in days, with engine family, site and age allowed for, in money.

    Gasket and seals with new bolts against gasket and seals alone, as `models.measures.contrasts` compares methods. A
    set costs how much more the parts of such repairs cost, a cover, on engines of the same family. What is left is the
    worth less that cost; the two are taken as independent, and its limits reach as far as those of the worth. Nobody
    drew lots over which repair got new bolts.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        work_orders: As `models.tables.records.WorkOrders`.
        rules: Horizons, level and the least a figure may rest on.
        costs: What an unplanned leak costs.

    Returns:
        As `models.tables.measures.BoltWorth`, one row a horizon.
    """
    pairs = _repairs_of_both(episodes, engine_periods)
    return (
        _compared(pairs, rules=rules)
        .pipe(_with_cost, pairs, work_orders, rules=rules)
        .pipe(_with_worth, leak_cost=costs.unplanned_leak_cost, rules=rules)
        .pipe(conform, BoltWorth)
    )


def _repairs_of_both(episodes: pl.DataFrame, engine_periods: pl.DataFrame) -> pl.DataFrame:
    """The repairs of the two kinds, with `age_years`, sorted."""
    kept = episodes.filter(pl.col("repair_method").is_in(list(METHODS)))
    return with_age(kept, engine_periods).sort("days", "vehicle_id", "episode_id")


def _compared(pairs: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """The comparison by each horizon; nothing where too few had leaked again by then."""
    compared = contrasts(
        pairs,
        "repair_method",
        tuple(METHODS),
        others=np.zeros((len(pairs), 0)),
        time_scale="days",
        horizons=sorted(rules.horizons_days),
        rules=rules,
    )
    leaks = pairs.filter(pl.col("status") == "re-leak")["days"]
    by_then = np.searchsorted(leaks.to_numpy(), compared["horizon"].to_numpy(), side="right")
    reason = pl.coalesce("reason", too_few_failed(rules=rules))
    return (
        compared.with_columns(events_by_horizon=pl.Series(by_then))
        .with_columns(reason=reason)
        .with_columns(pl.when(pl.col("reason").is_null()).then(pl.col(FIGURES)))
        .rename(
            {f"{name}_reference": f"{name}_without" for name in ("n", "events")}
            | {"n": "n_with", "events": "events_with"}
        )
    )


def _with_cost(
    compared: pl.DataFrame, pairs: pl.DataFrame, work_orders: pl.DataFrame, *, rules: MeasureRules
) -> pl.DataFrame:
    """Add how much more the parts of a repair with new bolts cost, a cover, and why that is not known."""
    orders = (
        pairs.group_by("order_id", "vehicle_id", "engine_family")
        .agg(covers=pl.len(), has_bolts=(pl.col("repair_method") != next(iter(METHODS))).any())
        .join(work_orders.select("order_id", "parts_cost"), on="order_id")
        .filter(pl.col("parts_cost") > 0)
        .sort("order_id")
    )
    sides = {side: int((orders["has_bolts"] == (side == SIDES[1])).sum()) for side in SIDES}
    found = mean_difference(
        (orders["parts_cost"] / orders["covers"]).to_numpy(),
        orders["has_bolts"].to_numpy(),
        stratum=label_codes(orders["engine_family"]),
        cluster=label_codes(orders["vehicle_id"]),
        confidence=rules.confidence,
    )
    is_known = min(sides.values()) >= rules.min_episodes and bool(np.isfinite(found.estimate))
    figures = {
        "cost": found.estimate,
        "cost_low": found.low,
        "cost_high": found.high,
        "cost_error": found.standard_error,
    }
    few = "; ".join(f"{side} new bolts {n}" for side, n in sides.items())
    return compared.with_columns(
        **{name: pl.lit(float(value) if is_known else None, dtype=pl.Float64) for name, value in figures.items()},
        cost_reason=pl.lit(
            None if is_known else f"too few orders with the cost of their parts: {few}", dtype=pl.String
        ),
    )


def _with_worth(compared: pl.DataFrame, *, leak_cost: float, rules: MeasureRules) -> pl.DataFrame:
    """Add what is spared and worth, what of it the set leaves over, and how many repairs would settle that."""
    reach, error = pl.col("difference_reach"), _error_of_left_over(leak_cost)
    spared = {"spared": "difference", "spared_low": "difference_high", "spared_high": "difference_low"}
    return (
        compared.with_columns((0.0 - pl.col(name)).alias(new) for new, name in spared.items())
        .with_columns((leak_cost * pl.col(name)).alias(name.replace("spared", "worth")) for name in spared)
        .with_columns(left_over=pl.col("worth") - pl.col("cost"))
        .with_columns(
            left_over_low=pl.col("left_over") - reach * error,
            left_over_high=pl.col("left_over") + reach * error,
            repairs_needed=_repairs_needed(pl.col("left_over") / error, rules=rules),
        )
    )


def _error_of_left_over(leak_cost: float) -> pl.Expr:
    return ((leak_cost * pl.col("difference_error")).pow(2) + pl.col("cost_error").pow(2)).sqrt()


def _repairs_needed(distance: pl.Expr, *, rules: MeasureRules) -> pl.Expr:
    """Repairs of both kinds that tell what is left over, if it stays as it is, from 0 as often as `power` says.

    The standard error falls with the root of the repairs; `distance` is how many of them what is left over is from 0.
    """
    wanted = normal_quantile(rules.confidence) + NormalDist().inv_cdf(rules.power)
    needed = ((pl.col("n_with") + pl.col("n_without")) * (wanted / distance).pow(2)).ceil()
    return pl.when(needed <= MOST_REPAIRS).then(needed).cast(pl.Int64)
