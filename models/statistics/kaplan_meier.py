"""The share still free of the event: Kaplan-Meier, with limits, and the times it is read off at."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.clustering import Clusters, ended_total, exit_weights, still_watched, summed_product
from models.statistics.intervals import group_reach, log_log_limits
from models.statistics.risk_table import EVENT, Bools, Floats, Ints, RiskTable, running_product, running_sum

TIE_TOLERANCE = float(np.finfo(np.float64).eps ** 0.5)
"""How close a curve must come to a level to count as on it; as R's `survfit`."""


@dataclass(frozen=True)
class SurvivalCurve:
    """Kaplan-Meier curves of all groups, one value for each row of the risk table.

    Attributes:
        survival: Share free of the event just after each time (rows,).
        standard_error: Its standard error (rows,); NaN once the curve is at 0, where it is not defined.
        low: Lower limit (rows,); NaN where the curve is 0 or 1.
        high: Upper limit (rows,); NaN where the curve is 0 or 1.
    """

    survival: Floats
    standard_error: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Quantiles:
    """The time by which a share of each group has had the event; NaN where that is not reached.

    Attributes:
        time: When the curve reaches the share (groups,).
        low: When its lower limit does (groups,).
        high: When its upper limit does (groups,).
    """

    time: Floats
    low: Floats
    high: Floats


def kaplan_meier(
    table: RiskTable,
    *,
    clusters: Clusters | None = None,
    confidence: float = 0.95,
    reach: npt.ArrayLike | None = None,
) -> SurvivalCurve:
    """Estimate each group's curve with log(-log) limits; competing ends count as censored.

    Args:
        table: The risk table.
        clusters: Vehicles, for a variance that allows for several episodes of one; without them Greenwood's.
        confidence: Level of the limits.
        reach: Standard errors between an estimate and its limits (groups,), as `few_clusters.clustered_reach` gives
            them; without it the normal quantile of `confidence`.

    Source: Kaplan & Meier, JASA 53 (1958) 457; agrees with R's `survfit(..., conf.type = "log-log", cluster = )`.
    """
    survival = product_limit(table, table.events)
    variance = greenwood_sum(table, table.events)
    if clusters is not None:
        variance = _clustered_log_variance(table, clusters, variance)
    standard_error = np.where(survival > 0, survival * np.sqrt(np.maximum(variance, 0.0)), np.nan)
    row_reach = group_reach(reach, confidence=confidence, groups=table.groups)[table.row_group]
    return SurvivalCurve(survival, standard_error, *log_log_limits(survival, standard_error, reach=row_reach))


def product_limit(table: RiskTable, failures: Floats) -> Floats:
    """Multiply up the shares that get through each time (rows,), `failures` (rows,) being those who do not."""
    return running_product(1.0 - failures / table.at_risk, table.start)


def greenwood_sum(table: RiskTable, failures: Floats) -> Floats:
    """Sum up d / (n (n - d)), the variance of the curve's logarithm (rows,); the last step to 0 adds nothing."""
    return running_sum(greenwood_terms(table, failures), table.start)


def greenwood_terms(table: RiskTable, failures: Floats) -> Floats:
    """Greenwood's d / (n (n - d)) of each row (rows,); 0 where nobody is left."""
    survivors = table.at_risk - failures
    return np.divide(failures, table.at_risk * survivors, out=np.zeros_like(survivors), where=survivors > 0)


def _clustered_log_variance(table: RiskTable, clusters: Clusters, cumulated: Floats) -> Floats:
    """Variance of the curve's logarithm by vehicle (rows,).

    An observation still watched has influence -A(t) on minus the logarithm, A being Greenwood's sum; one that ended
    keeps its exit weight. The square of a vehicle's sum expands into three sums that change only at its own ends.
    """
    ended = ended_total(clusters, exit_weights(table, table.events, table.observation_cause == EVENT, cumulated))
    watched = still_watched(clusters)
    return (
        summed_product(table, clusters, ended, ended)
        - 2.0 * cumulated * summed_product(table, clusters, ended, watched)
        + cumulated**2 * summed_product(table, clusters, watched, watched)
    )


def event_time_quantiles(table: RiskTable, curve: SurvivalCurve, share: float) -> Quantiles:
    """Time by which `share` of each group has had the event: 0.5 for the median, 0.1 for B10.

    The limits are where the curve's own limits cross the same level (Brookmeyer & Crowley, Biometrics 38 (1982) 29).
    Where the curve runs level exactly at it, the middle of the level stretch counts, as in R's `survfit`.

    Raises:
        ValueError: The share does not lie between 0 and 1.
    """
    if not 0 < share < 1:
        raise ValueError(f"share is {share}; it must lie between 0 and 1")
    level = 1.0 - share
    return Quantiles(*(_first_crossing(table, values, level) for values in (curve.survival, curve.low, curve.high)))


def _first_crossing(table: RiskTable, values: Floats, level: float) -> Floats:
    """First time each group's curve is at or below the level (groups,)."""
    is_below = values < level + TIE_TOLERANCE
    crossing = _first_row(is_below, table.start)
    found = crossing >= 0
    if not found.any():
        return np.full(table.groups, np.nan)
    is_level = found & (np.abs(values[crossing] - level) < TIE_TOLERANCE)
    drop = _first_row(is_below & (values < values[crossing][table.row_group]), table.start)
    end = np.where(is_level & (drop >= 0), drop, crossing)
    return np.where(found, (table.time[crossing] + table.time[end]) / 2, np.nan)


def _first_row(mask: Bools, start: Ints) -> Ints:
    """First row of each group where the mask holds (groups,); -1 where it never does."""
    hits = np.flatnonzero(mask)
    position = np.searchsorted(hits, start[:-1])
    candidate = np.append(hits, len(mask))[position]
    return np.where(candidate < start[1:], candidate, -1)
