"""One way of doing a repair against another, with engine family, site and the engine's age allowed for."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from models.measures.cube import cause_codes, label_codes
from models.measures.pooled_model import age_columns, indicators
from models.measures.reasons import too_few, too_few_vehicles
from models.settings import MeasureRules
from models.statistics.adjusted_incidence import adjusted_incidence, incidence_difference
from models.statistics.cox import CoxFit, fit_cox, hazard_ratios, wald_p_values
from models.statistics.few_clusters import clustered_reach, effective_number
from models.statistics.multiplicity import benjamini_hochberg
from models.statistics.power import design_effect, required_repairs
from models.statistics.proportionality import proportionality
from models.statistics.risk_sets import risk_sets
from models.statistics.risk_table import COMPETING, EVENT, Floats, Ints
from models.statistics.standardisation import pooled_levels

FIGURES = (
    "hazard_ratio",
    "low",
    "high",
    "p_value",
    "proportional_p",
    "difference",
    "difference_low",
    "difference_high",
    "difference_error",
    "difference_reach",
    "repairs_needed",
)
"""What is null where a contrast rests on too little."""


@dataclass(frozen=True)
class Fitted:
    """Both models of one factor.

    Attributes:
        event: Re-leak, competing ends censored.
        competing: The competing end, re-leaks censored.
        vehicle: Vehicle code of each episode (n,).
        vehicles: Effective number of vehicles that each level but the first is compared on, the less of its own and the
            first's (levels - 1,).
        levels: The factor's levels, the reference first; their columns come first in both models.
    """

    event: CoxFit
    competing: CoxFit
    vehicle: Ints
    vehicles: Floats
    levels: tuple[str, ...]


def contrasts(
    episodes: pl.DataFrame,
    factor: str,
    levels: tuple[str, ...],
    *,
    others: Floats,
    time_scale: str,
    horizons: Sequence[float],
    rules: MeasureRules,
) -> pl.DataFrame:
    """Hazard ratio of every level of a factor against the first, and the difference in recurrence it makes.

    Cox's model with a baseline for each engine family, the site and the engine's age as covariates, competing ends
    censored, standard errors by vehicle. The difference sets the whole fleet's repairs to one level and then to the
    other.

    Args:
        episodes: With `age_years`, a time on the scale and the factor's column; sorted.
        factor: That column.
        levels: Its levels, the one to compare with first.
        others: What else is allowed for (n, terms).
        time_scale: What time is counted in.
        horizons: By when the recurrence is compared, one or more.
        rules: Level and the least a figure may rest on.

    Returns:
        One row a horizon and level but the first: `level`, `reference`, `time_scale`, `horizon`, counts of both,
        `FIGURES` and `reason`.
    """
    counts = _counts(episodes, factor, levels, rules=rules)
    reference = counts.row(0, named=True)
    shown = counts[1:].with_columns(
        reference=pl.lit(levels[0]),
        n_reference=pl.lit(reference["n"]),
        events_reference=pl.lit(reference["events"]),
        time_scale=pl.lit(time_scale),
        reason=pl.coalesce(pl.format(f"{levels[0]}: {{}}", pl.lit(reference["reason"])), "reason"),
    )
    if shown["reason"].null_count() == 0:
        unknown = shown.with_columns(pl.lit(None, pl.Float64).alias(name) for name in FIGURES)
        return pl.concat(unknown.with_columns(horizon=pl.lit(horizon)) for horizon in horizons)
    fitted = _fit(episodes, factor, levels, others=others, time_scale=time_scale)
    compared = shown.pipe(_with_ratios, fitted, rules=rules).pipe(_with_repairs_needed, fitted, rules=rules)
    return pl.concat(_with_differences(compared, fitted, horizon=horizon, rules=rules) for horizon in horizons)


def with_q_values(effects: pl.DataFrame) -> pl.DataFrame:
    """Add the p values adjusted for how many contrasts of the time scale have one: the false-discovery rate."""
    return effects.with_columns(q_value=adjusted_p_values("p_value").over("time_scale"))


def adjusted_p_values(column: str) -> pl.Expr:
    """Adjust the p values of a column for how many there are; null where there is none."""
    return pl.col(column).map_batches(_adjusted, return_dtype=pl.Float64)


def _adjusted(p_values: pl.Series) -> pl.Series:
    return pl.Series(benjamini_hochberg(p_values.fill_null(np.nan).to_numpy()), nan_to_null=True)


def _counts(episodes: pl.DataFrame, factor: str, levels: tuple[str, ...], *, rules: MeasureRules) -> pl.DataFrame:
    """Episodes and re-leaks of every level, in the levels' order, and why there is no figure."""
    found = episodes.group_by(pl.col(factor).alias("level")).agg(
        n=pl.len().cast(pl.Int64), events=(pl.col("status") == "re-leak").sum().cast(pl.Int64)
    )
    order = pl.DataFrame({"level": levels}, schema={"level": pl.String})
    return (
        order.join(found, on="level", how="left", maintain_order="left")
        .with_columns(pl.col("n", "events").fill_null(0))
        .with_columns(reason=too_few(rules=rules))
    )


def _fit(episodes: pl.DataFrame, factor: str, levels: tuple[str, ...], *, others: Floats, time_scale: str) -> Fitted:
    """Fit both models."""
    cause, time = cause_codes(episodes), episodes[time_scale].to_numpy()
    code = episodes[factor].replace_strict(levels, range(len(levels)), return_dtype=pl.Int64).to_numpy()
    site = pooled_levels(label_codes(episodes["site"]), cause)
    covariates = np.column_stack([
        code[:, None] == np.arange(1, len(levels)), indicators(site), age_columns(episodes["age_years"]), others
    ]).astype(np.float64)  # fmt: skip
    stratum = pooled_levels(label_codes(episodes["engine_family"]), cause)
    vehicle = label_codes(episodes["vehicle_id"])
    event, competing = (
        fit_cox(risk_sets(time, cause == which, covariates, stratum=stratum), cluster=vehicle)
        for which in (EVENT, COMPETING)
    )
    own = effective_number(vehicle, group=code, groups=len(levels))
    return Fitted(event, competing, vehicle, np.minimum(own[1:], own[0]), levels)


def _with_ratios(shown: pl.DataFrame, fitted: Fitted, *, rules: MeasureRules) -> pl.DataFrame:
    """Add hazard ratios with their limits and p values, and why a level has none."""
    terms = len(fitted.levels) - 1
    vehicles = np.full(fitted.event.sets.terms, fitted.vehicles.max(initial=0.0))
    vehicles[:terms] = fitted.vehicles
    ratios = hazard_ratios(fitted.event, reach=clustered_reach(vehicles, confidence=rules.confidence))
    columns = {
        "hazard_ratio": ratios.estimate,
        "low": ratios.low,
        "high": ratios.high,
        "p_value": wald_p_values(fitted.event, effective=vehicles),
        "proportional_p": proportionality(fitted.event).p,
    }
    unbounded = pl.Series(fitted.event.reason[:terms], dtype=pl.String)
    return (
        shown.with_columns(
            *(pl.Series(name, values[:terms], nan_to_null=True) for name, values in columns.items()),
            vehicles=pl.Series(fitted.vehicles),
        )
        .with_columns(reason=pl.coalesce("reason", pl.when(unbounded != "").then(unbounded), too_few_vehicles()))
        .drop("vehicles")
        .with_columns(_where_shown(name) for name in columns)
    )


def _where_shown(name: str) -> pl.Expr:
    return pl.when(pl.col("reason").is_null()).then(name).alias(name)


def _with_differences(shown: pl.DataFrame, fitted: Fitted, *, horizon: float, rules: MeasureRules) -> pl.DataFrame:
    """Add the difference in recurrence by a horizon, the whole fleet set to either level."""
    terms = len(fitted.levels) - 1
    scenarios = np.full((terms + 1, fitted.event.sets.terms), np.nan)
    scenarios[:, :terms] = 0.0
    scenarios[np.arange(1, terms + 1), np.arange(terms)] = 1.0
    adjusted = adjusted_incidence(fitted.event, fitted.competing, scenarios, horizon=horizon, cluster=fitted.vehicle)
    reach = clustered_reach(fitted.vehicles, confidence=rules.confidence)
    found = [incidence_difference(adjusted, level, 0, reach=reach[level - 1]) for level in range(1, terms + 1)]
    columns = {
        "difference": [float(each.estimate) for each in found],
        "difference_low": [float(each.low) for each in found],
        "difference_high": [float(each.high) for each in found],
        "difference_error": [float(each.standard_error) for each in found],
        "difference_reach": reach.tolist(),
    }
    return shown.with_columns(
        pl.lit(horizon).alias("horizon"),
        *(pl.Series(name, values, dtype=pl.Float64).fill_nan(None) for name, values in columns.items()),
    ).with_columns(_where_shown(name) for name in columns)


def _with_repairs_needed(shown: pl.DataFrame, fitted: Fitted, *, rules: MeasureRules) -> pl.DataFrame:
    """Add how many repairs of both levels, in their mix and follow-up of today, show the worthwhile ratio."""
    variances = np.diagonal(fitted.event.covariance)
    needed = [
        _repairs_needed(row, float(variance), rules=rules)
        for row, variance in zip(shown.iter_rows(named=True), variances, strict=False)
    ]
    return shown.with_columns(repairs_needed=pl.Series(needed, dtype=pl.Int64)).with_columns(
        _where_shown("repairs_needed")
    )


def _repairs_needed(row: dict[str, Any], variance: float, *, rules: MeasureRules) -> int | None:
    """The repairs needed for one contrast; None where they cannot be said."""
    repairs, events = row["n"] + row["n_reference"], row["events"] + row["events_reference"]
    share = row["n"] / repairs
    effect = design_effect(variance, events=events, share=share)
    if not effect > 0:
        return None
    needed = required_repairs(
        rules.worthwhile_ratio,
        share=share,
        event_share=events / repairs,
        design_effect=effect,
        power=rules.power,
        confidence=rules.confidence,
    )
    return int(needed.repairs) if np.isfinite(needed.repairs) else None
