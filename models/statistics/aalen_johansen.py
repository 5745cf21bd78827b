"""Cumulative incidence of one kind of end while the others compete: Aalen-Johansen."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.clustering import Clusters, ended_total, exit_weights, still_watched, summed_product
from models.statistics.intervals import Estimates, group_reach, log_log_limits, lower_limit_of_all
from models.statistics.kaplan_meier import greenwood_terms, product_limit
from models.statistics.risk_table import (
    CENSORED,
    EVENT,
    Floats,
    RiskTable,
    just_before,
    running_sum,
    value_at,
    weighted_count,
)


@dataclass(frozen=True)
class IncidenceCurve:
    """Cumulative incidence curves of all groups, one value for each row of the risk table.

    Attributes:
        incidence: Share that had the end of interest by each time (rows,).
        standard_error: Its standard error (rows,).
        low: Lower limit (rows,); NaN while the curve is 0.
        high: Upper limit (rows,); NaN while the curve is 0.
    """

    incidence: Floats
    standard_error: Floats
    low: Floats
    high: Floats


def aalen_johansen(
    table: RiskTable,
    *,
    cause: int = EVENT,
    clusters: Clusters | None = None,
    confidence: float = 0.95,
    reach: npt.ArrayLike | None = None,
) -> IncidenceCurve:
    """Estimate each group's cumulative incidence of one cause with log(-log) limits.

    The limits are taken on log(-log) of the incidence itself, as R's multi-state `survfit` does; without competing ends
    the incidence is one minus Kaplan-Meier but the limits are not those of `kaplan_meier`.

    Args:
        table: The risk table.
        cause: `EVENT` or `COMPETING`.
        clusters: Vehicles, for a variance that allows for several episodes of one. Without them the variance is the
            delta-method one, which the infinitesimal jackknife over single observations equals.
        confidence: Level of the limits.
        reach: Standard errors between an estimate and its limits (groups,), as `few_clusters.clustered_reach` gives
            them; without it the normal quantile of `confidence`.

    Source: Aalen & Johansen, Scand. J. Statist. 5 (1978) 141; variance: Marubini & Valsecchi, Analysing Survival Data
    from Clinical Trials and Observational Studies (1995), section 10.3; agrees with R's multi-state `survfit`.
    """
    before, incidence = _incidence(table, cause)
    if clusters is None:
        variance = _delta_variance(table, cause, before, incidence)
    else:
        variance = _clustered_variance(table, clusters, cause, before, incidence)
    error = np.sqrt(np.maximum(variance, 0.0))
    row_reach = group_reach(reach, confidence=confidence, groups=table.groups)[table.row_group]
    return IncidenceCurve(incidence, error, *log_log_limits(incidence, error, reach=row_reach))


def incidence_at(
    table: RiskTable,
    times: npt.ArrayLike,
    *,
    clusters: Clusters,
    confidence: float = 0.95,
    reach: npt.ArrayLike | None = None,
) -> Estimates:
    """Read each group's cumulative incidence of the event at `times` (groups, times), clustered by vehicle.

    Where all have had the event the log(-log) scale has no limits: there they are the exact ones of as many out of as
    many, each vehicle counted once.

    Args:
        table: The risk table.
        times: One or more.
        clusters: Its observations by vehicle.
        confidence: Level of the limits.
        reach: As in `aalen_johansen`.
    """
    curve = aalen_johansen(table, clusters=clusters, confidence=confidence, reach=reach)
    share = value_at(table, curve.incidence, times, initial=0.0)
    lowest = lower_limit_of_all(_vehicles_with_event(table, clusters), confidence=confidence)
    return Estimates(
        estimate=share,
        standard_error=value_at(table, curve.standard_error, times, initial=0.0),
        low=np.where(share == 1, lowest[:, None], value_at(table, curve.low, times, initial=np.nan)),
        high=np.where(share == 1, 1.0, value_at(table, curve.high, times, initial=np.nan)),
    )


def _incidence(table: RiskTable, cause: int) -> tuple[Floats, Floats]:
    """Share free of any end just before each row, and share that had the end of one cause after it (rows,).

    The latter is exactly 1 where all have had it, whatever the sum's rounding.
    """
    ends, others = _ends(table, cause)
    free = product_limit(table, table.events + table.competing)
    before = just_before(free, table.start, 1.0)
    incidence = running_sum(before * ends / table.at_risk, table.start)
    return before, np.where((free == 0) & (running_sum(others, table.start) == 0), 1.0, incidence)


def _ends(table: RiskTable, cause: int) -> tuple[Floats, Floats]:
    """Ends of one cause and of the other (rows,)."""
    return (table.events, table.competing) if cause == EVENT else (table.competing, table.events)


def _vehicles_with_event(table: RiskTable, clusters: Clusters) -> Floats:
    """Count each group's vehicles that had the event at least once (groups,)."""
    is_event = (table.observation_cause == EVENT)[clusters.order]
    has_event = np.maximum.reduceat(is_event, clusters.first) if len(clusters.first) else is_event
    return weighted_count(clusters.group, has_event.astype(np.float64), table.groups)


def _delta_variance(table: RiskTable, cause: int, before: Floats, incidence: Floats) -> Floats:
    """Marubini and Valsecchi's variance (rows,), with the bracket F(t) - F(s) expanded into running sums."""
    ends, _ = _ends(table, cause)
    hazard_variance = greenwood_terms(table, table.events + table.competing)
    own_variance = before**2 * ends * (table.at_risk - ends) / table.at_risk**3
    covariance = before * ends / table.at_risk**2

    def total(terms: Floats) -> Floats:
        return running_sum(terms, table.start)

    return (
        incidence**2 * total(hazard_variance)
        - 2.0 * incidence * total(incidence * hazard_variance + covariance)
        + total(incidence**2 * hazard_variance + own_variance + 2.0 * incidence * covariance)
    )


def _clustered_variance(table: RiskTable, clusters: Clusters, cause: int, before: Floats, incidence: Floats) -> Floats:
    """Variance by vehicle (rows,): the square of a vehicle's sum expands into six that change only at its own ends."""
    watching, kept, weight = _influence_terms(table, cause, before, incidence)
    constant, slope, watched = ended_total(clusters, kept), ended_total(clusters, weight), still_watched(clusters)
    return (
        summed_product(table, clusters, constant, constant)
        + incidence**2 * summed_product(table, clusters, slope, slope)
        + watching**2 * summed_product(table, clusters, watched, watched)
        - 2.0 * incidence * summed_product(table, clusters, constant, slope)
        + 2.0 * watching * summed_product(table, clusters, constant, watched)
        - 2.0 * watching * incidence * summed_product(table, clusters, slope, watched)
    )


def incidence_influences(table: RiskTable, times: npt.ArrayLike) -> Floats:
    """Influence of each observation on its group's cumulative incidence of the event at `times` (n, times).

    In the table's observation order. Summed by vehicle and squared they give the clustered variance; summed over two
    groups, that of a difference between groups that share vehicles.
    """
    before, incidence = _incidence(table, EVENT)
    watching, kept, weight = _influence_terms(table, EVENT, before, incidence)
    row = table.observation_row
    group = table.row_group[row]
    ended = kept[:, None] - weight[:, None] * value_at(table, incidence, times, initial=0.0)[group]
    still_watched_at = value_at(table, watching, times, initial=0.0)[group]
    return np.where(table.time[row][:, None] <= np.atleast_1d(times), ended, still_watched_at)


def _influence_terms(table: RiskTable, cause: int, before: Floats, incidence: Floats) -> tuple[Floats, Floats, Floats]:
    """Terms G (rows,), a (n,) and m (n,) of the influences on the incidence F.

    An observation still watched at t has influence G(t); one that ended at s has a - m F(t), with m its exit weight
    and a = G(s) + [it is of the cause] S(s-) / n(s) + m F(s).
    """
    failures = table.events + table.competing
    cumulated = running_sum(greenwood_terms(table, failures), table.start)
    step = incidence - just_before(incidence, table.start, 0.0)
    watching = running_sum(step * (just_before(cumulated, table.start, 0.0) - 1.0 / table.at_risk), table.start)
    row, is_cause = table.observation_row, table.observation_cause == cause
    weight = exit_weights(table, failures, table.observation_cause != CENSORED, cumulated)
    kept = watching[row] + np.where(is_cause, before[row] / table.at_risk[row], 0.0) + weight * incidence[row]
    return watching, kept, weight
