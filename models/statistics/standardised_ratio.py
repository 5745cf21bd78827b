"""Observed over expected by unit, with a variance that knows that vehicles differ and that the fleet is finite."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.clustering import cluster_codes
from models.statistics.few_clusters import effective_number
from models.statistics.partial_likelihood import relative_risks, score_residuals
from models.statistics.risk_sets import at_risk_covariates, at_risk_total, over_watch
from models.statistics.risk_table import Bools, Floats, weighted_count
from models.statistics.standardisation import PooledModel


@dataclass(frozen=True)
class StandardisedCounts:
    """Observed and expected events of each unit.

    Attributes:
        observed: Events seen (units,).
        expected: Events to be expected (units,).
        variance: Variance by vehicle of observed less (observed / expected) times expected (units,).
        vehicles: Effective number of vehicles (units,).
    """

    observed: Floats
    expected: Floats
    variance: Floats
    vehicles: Floats


def standardised_counts(
    model: PooledModel, is_event: npt.ArrayLike, unit: npt.ArrayLike, vehicle: npt.ArrayLike
) -> StandardisedCounts:
    """Total observed and expected events by unit, each over the whole time it was watched.

    The influence of an observation on observed - ratio x expected is its own surplus, if it is the unit's, less ratio
    times what it adds to the expectation through the baseline and the hazard ratios: what is expected rests on the same
    fleet, the unit's own part in it included.

    Args:
        model: What is to be expected, fitted on these observations.
        is_event: Whether each had the event (n,).
        unit: Unit of each, zero or more (n,).
        vehicle: Vehicle code of each, zero or more (n,).

    Raises:
        ValueError: There is not one vehicle for each observation, or a code is negative.

    Source: indirect standardisation as in `pooled_model`; the influences are the derivatives by case weights.
    """
    failed, units = np.asarray(is_event, dtype=np.float64), np.asarray(unit, dtype=np.int64)
    vehicles, count = cluster_codes(vehicle, len(failed)), int(units.max(initial=-1)) + 1
    own = model.weight * over_watch(model.sets, model.step)
    observed, expected = (weighted_count(units, values, count) for values in (failed, own))
    ratio = np.divide(observed, expected, out=np.zeros(count), where=expected > 0)
    variance = np.zeros(count)
    shared = _shared(model)
    for code in range(count):
        is_own = units == code
        influence = is_own * (failed - ratio[code] * own) - ratio[code] * _shared_influence(model, shared, own, is_own)
        variance[code] = np.sum(weighted_count(vehicles, influence, 0) ** 2)
    return StandardisedCounts(observed, expected, variance, effective_number(vehicles, group=units, groups=count))


@dataclass(frozen=True)
class _Shared:
    """What the whole fleet's expectations rest on.

    Attributes:
        at_risk: Weight at risk at each row (rows,).
        mean: Weighted mean of the covariates at risk at each row (rows, terms).
        changes: Derivative of the scaled coefficients by each observation's weight (n, terms).
    """

    at_risk: Floats
    mean: Floats
    changes: Floats


def _shared(model: PooledModel) -> _Shared:
    """Sort out the baseline's risk sets, and how the coefficients found within units move."""
    sets, within = model.sets, model.within
    at_risk = at_risk_total(sets, model.weight)
    mean = at_risk_covariates(sets, model.weight) / at_risk[:, None]
    if within is None:
        return _Shared(at_risk, mean, np.zeros((len(model.weight), 0)))
    risks = relative_risks(within.sets, within.scaled, within.ties)
    covariance = np.nan_to_num(within.naive_covariance * np.outer(within.sets.spread, within.sets.spread))
    return _Shared(at_risk, mean, score_residuals(within.sets, risks) @ covariance)


def _shared_influence(model: PooledModel, shared: _Shared, own: Floats, is_own: Bools) -> Floats:
    """Derivative of a unit's expectation by each observation's weight, its own term aside (n,)."""
    sets = model.sets
    unit_at_risk = at_risk_total(sets, model.weight * is_own)
    share = unit_at_risk / shared.at_risk
    change = -model.weight * over_watch(sets, share * model.step)
    change[sets.event] += share[sets.event_row]
    slope = (own * is_own) @ sets.covariates - (unit_at_risk * model.step) @ shared.mean
    return np.asarray(change + shared.changes @ slope)
