"""Repairs per unit by age: the mean cumulative function of events that recur."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.clustering import ClusterTotals, ended_total, summed_product, vehicle_clusters
from models.statistics.risk_table import (
    CENSORED,
    EVENT,
    Floats,
    RiskTable,
    group_sum,
    just_before,
    risk_table,
    running_sum,
)


@dataclass(frozen=True)
class MeanCumulative:
    """Mean cumulative functions of all groups, one value for each row of the table.

    Attributes:
        table: Distinct ages of each group at which an event happened or a unit's watch ended.
        watched: Units watched at each age (rows,).
        mean: Events per unit up to each age (rows,).
        poisson_error: Standard error if events came independently (rows,).
        robust_error: Standard error that lets units differ and events of one depend on each other (rows,).
    """

    table: RiskTable
    watched: Floats
    mean: Floats
    poisson_error: Floats
    robust_error: Floats


def mean_cumulative(
    age: npt.ArrayLike, is_event: npt.ArrayLike, unit: npt.ArrayLike, *, group: npt.ArrayLike | None = None
) -> MeanCumulative:
    """Estimate the events per unit up to each age.

    Every unit is watched from age zero to the one entry that is no event, its end of watch, and counts among the
    watched at that age too.

    Args:
        age: Ages at the events and at the end of watch (n,).
        is_event: Whether an entry is an event (n,).
        unit: Unit code of each entry, zero or more (n,).
        group: Group of each entry, the same for all of a unit (n,); one group without it.

    Raises:
        ValueError: A unit has no end of watch or several, an event after it, or entries `risk_table` refuses.

    Source: Nelson, Recurrent Events Data Analysis (2003); variance: Lawless & Nadeau, Technometrics 37 (1995) 158;
    agrees with `survfit(Surv(start, stop, status) ~ 1, id = )` of R's survival package.
    """
    cause = np.where(np.asarray(is_event, dtype=bool), EVENT, CENSORED)
    table = risk_table(age, cause, group=group)
    units = np.asarray(unit, dtype=np.int64)
    _check_ends(np.asarray(age, dtype=np.float64), cause, units)
    ends = table.exits - table.events
    gone = just_before(running_sum(ends, table.start), table.start, 0.0)
    watched = group_sum(table, ends)[table.row_group] - gone
    mean = running_sum(table.events / watched, table.start)
    poisson = running_sum(table.events / watched**2, table.start)
    robust = _robust_variance(table, units, watched, poisson)
    return MeanCumulative(table, watched, mean, np.sqrt(poisson), np.sqrt(np.maximum(robust, 0.0)))


def _check_ends(age: Floats, cause: npt.NDArray[np.int64], unit: npt.NDArray[np.int64]) -> None:
    """Raise ValueError where a unit does not have one end of watch, after all its events."""
    if len(unit) != len(age) or unit.min(initial=0) < 0:
        raise ValueError("every entry needs a unit code of zero or more")
    codes, number = np.unique(unit, return_inverse=True)
    is_end = cause == CENSORED
    if (np.bincount(number[is_end], minlength=len(codes)) != 1).any():
        raise ValueError("every unit needs exactly one end of watch")
    end = np.empty(len(codes))
    end[number[is_end]] = age[is_end]
    if (age > end[number]).any():
        raise ValueError("no event may lie after its unit's end of watch")


def _robust_variance(table: RiskTable, unit: npt.NDArray[np.int64], watched: Floats, expected: Floats) -> Floats:
    """Lawless and Nadeau's variance (rows,).

    A unit's influence is the sum over its events of 1 / watched, less B(t) while it is watched or B(end) from then on,
    B being the Poisson variance.
    """
    clusters = vehicle_clusters(table, unit)
    is_end = table.observation_cause == CENSORED
    row = table.observation_row
    own = ended_total(clusters, np.where(is_end, -expected[row], 1.0 / watched[row]))
    left = ended_total(clusters, is_end.astype(np.float64))
    still = ClusterTotals(1.0 - left.after, np.ones(len(clusters.first)))
    return (
        summed_product(table, clusters, own, own)
        - 2.0 * expected * summed_product(table, clusters, own, still)
        + expected**2 * summed_product(table, clusters, still, still)
    )
