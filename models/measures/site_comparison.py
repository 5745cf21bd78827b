"""Sites compared fairly: re-leaks seen against those to be expected of their engines, methods and time watched."""

import polars as pl

from models.measures.cube import cause_codes, label_codes
from models.measures.leak_rates import DAYS_PER_YEAR
from models.measures.reasons import counted
from models.settings import MeasureRules
from models.statistics.funnel import funnel_limits
from models.statistics.multiplicity import benjamini_hochberg
from models.statistics.poisson import poisson_p_value, poisson_ratio
from models.statistics.shrinkage import shrink_ratios
from models.statistics.standardisation import expected_events, pooled_strata
from models.tables import conform
from models.tables.measures import SiteComparison

FUNNEL_LEVELS = {"95": 0.95, "998": 0.998}
"""Two and three standard deviations, the customary pair (Spiegelhalter, Statistics in Medicine 24 (2005) 1185)."""


def site_comparison(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Observed against expected re-leaks of each site.

    A re-leak belongs to the site of the repair. What is expected of an episode is the cumulative hazard of re-leak over
    the days it was watched, from the whole fleet's repairs of the same engine family by the same method; a family's
    thinly seen methods are pooled (`models.statistics.standardisation`). Expected and observed agree over the fleet. A
    site under `min_episodes` episodes, or with both observed and expected under `min_events`, shows its counts only and
    is left out of the shrinkage and of the false-discovery control.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.SiteComparison`, sorted by site.
    """
    sites = _totals(episodes).with_columns(reason=_why_counts_only(rules=rules))
    counts_only = sites.filter(pl.col("reason").is_not_null())
    compared = sites.filter(pl.col("reason").is_null()).drop("reason").pipe(_compare, rules=rules)
    return conform(pl.concat([compared, counts_only], how="diagonal_relaxed").sort("site"), SiteComparison)


def with_expected(episodes: pl.DataFrame) -> pl.DataFrame:
    """Add the re-leaks to be expected of each episode, `expected`, from the whole fleet's; sorted by time."""
    ordered = episodes.sort("days", "vehicle_id", "episode_id")
    cause = cause_codes(ordered)
    strata = pooled_strata(label_codes(ordered["engine_family"]), label_codes(ordered["repair_method"]), cause)
    expected = expected_events(ordered["days"].to_numpy(), cause, strata)
    return ordered.with_columns(expected=pl.Series(expected, dtype=pl.Float64))


def _totals(episodes: pl.DataFrame) -> pl.DataFrame:
    """Episodes, observed, expected and watched time of each site."""
    return (
        with_expected(episodes)
        .group_by("site", maintain_order=True)
        .agg(
            n=pl.len().cast(pl.Int64),
            observed=(pl.col("status") == "re-leak").sum().cast(pl.Int64),
            expected=pl.col("expected").sum(),
            years=pl.col("days").sum() / DAYS_PER_YEAR,
        )
        .sort("site")
    )


def _why_counts_only(*, rules: MeasureRules) -> pl.Expr:
    """Say that a site is too small to compare; null where it is not."""
    few = (pl.col("n") < rules.min_episodes) | (pl.max_horizontal("observed", "expected") < rules.min_events)
    counts = pl.format(
        "too few to say: {}, {}", counted(pl.col("n"), "episode"), counted(pl.col("observed"), "re-leak")
    )
    return pl.when(few).then(counts)


def _compare(sites: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Set ratios, limits and false-discovery-adjusted p values beside each site's counts."""
    observed, expected = sites["observed"].to_numpy(), sites["expected"].to_numpy()
    ratio = poisson_ratio(observed, expected, confidence=rules.confidence)
    shrunk = shrink_ratios(observed, expected, confidence=rules.confidence)
    columns = {
        "ratio": ratio.estimate,
        "low": ratio.low,
        "high": ratio.high,
        "shrunk_ratio": shrunk.ratio,
        "shrunk_low": shrunk.low,
        "shrunk_high": shrunk.high,
        "q_value": benjamini_hochberg(poisson_p_value(observed, expected)),
    }
    for name, level in FUNNEL_LEVELS.items():
        columns[f"funnel_low_{name}"], columns[f"funnel_high_{name}"] = funnel_limits(expected, confidence=level)
    return sites.with_columns(
        *(pl.Series(name, values, dtype=pl.Float64, nan_to_null=True) for name, values in columns.items()),
        crude_rate=pl.when(pl.col("years") > 0).then(pl.col("observed") / pl.col("years")),
        reason=pl.lit(f"no shrinkage: {shrunk.reason}" if shrunk.reason else None, dtype=pl.String),
    )
