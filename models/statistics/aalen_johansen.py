"""Cumulative incidence of one kind of end while the others compete: Aalen-Johansen."""

from dataclasses import dataclass

import numpy as np

from models.statistics.clustering import Clusters, ended_total, exit_weights, still_watched, summed_product
from models.statistics.intervals import log_log_limits
from models.statistics.kaplan_meier import greenwood_terms, product_limit
from models.statistics.risk_table import CENSORED, EVENT, Floats, RiskTable, just_before, running_sum


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
    table: RiskTable, *, cause: int = EVENT, clusters: Clusters | None = None, confidence: float = 0.95
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

    Source: Aalen & Johansen, Scand. J. Statist. 5 (1978) 141; variance: Marubini & Valsecchi, Analysing Survival Data
    from Clinical Trials and Observational Studies (1995), section 10.3; agrees with R's multi-state `survfit`.
    """
    failures = table.events + table.competing
    ends = table.events if cause == EVENT else table.competing
    before = just_before(product_limit(table, failures), table.start, 1.0)
    incidence = running_sum(before * ends / table.at_risk, table.start)
    if clusters is None:
        variance = _delta_variance(table, ends, before, incidence)
    else:
        variance = _clustered_variance(table, clusters, cause, before, incidence)
    error = np.sqrt(np.maximum(variance, 0.0))
    return IncidenceCurve(incidence, error, *log_log_limits(incidence, error, confidence=confidence))


def _delta_variance(table: RiskTable, ends: Floats, before: Floats, incidence: Floats) -> Floats:
    """Marubini and Valsecchi's variance (rows,), with the bracket F(t) - F(s) expanded into running sums."""
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
    """Variance by vehicle (rows,).

    An observation still watched at t has influence G(t); one that ended at s has a - m F(t), with m its exit weight
    and a = G(s) + [it is of the cause] S(s-) / n(s) + m F(s). The square of a vehicle's sum expands into six sums that
    change only at its own ends.
    """
    failures = table.events + table.competing
    cumulated = running_sum(greenwood_terms(table, failures), table.start)
    step = incidence - just_before(incidence, table.start, 0.0)
    watching = running_sum(step * (just_before(cumulated, table.start, 0.0) - 1.0 / table.at_risk), table.start)

    row, is_cause = table.observation_row, table.observation_cause == cause
    weight = exit_weights(table, failures, table.observation_cause != CENSORED, cumulated)
    kept = watching[row] + np.where(is_cause, before[row] / table.at_risk[row], 0.0) + weight * incidence[row]

    constant, slope, watched = ended_total(clusters, kept), ended_total(clusters, weight), still_watched(clusters)
    return (
        summed_product(table, clusters, constant, constant)
        + incidence**2 * summed_product(table, clusters, slope, slope)
        + watching**2 * summed_product(table, clusters, watched, watched)
        - 2.0 * incidence * summed_product(table, clusters, constant, slope)
        + 2.0 * watching * summed_product(table, clusters, constant, watched)
        - 2.0 * watching * incidence * summed_product(table, clusters, slope, watched)
    )
