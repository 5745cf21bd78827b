"""Variances that allow for episodes of one vehicle being alike: the infinitesimal jackknife, grouped by vehicle.

Every observation's influence on a figure is the derivative of the figure by that observation's weight. The variance is
the sum over clusters of the squared sum of the cluster's influences, as `survfit(..., cluster =)` and
`coxph(..., cluster =)` of R's survival package compute it.

Source: Therneau & Grambsch, Modeling Survival Data (2000), section 7.2; Lin & Wei, JASA 84 (1989) 1074.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.risk_table import Bools, Floats, Ints, RiskTable, running_sum, weighted_count


@dataclass(frozen=True)
class Clusters:
    """The observations of a risk table, sorted by group, cluster and time.

    A cluster that appears in several groups is a cluster of each of them.

    Attributes:
        order: Positions in the risk table's observation order (n,).
        row: Risk-table row of each observation, in this order (n,).
        rank: 0 for a cluster's first observation, then 1, 2, ... (n,).
        size: Size of each observation's cluster (n,).
        first: Position of each cluster's first observation (clusters,).
        group: Group of each cluster (clusters,).
    """

    order: Ints
    row: Ints
    rank: Ints
    size: Ints
    first: Ints
    group: Ints


def cluster_codes(cluster: npt.ArrayLike, observations: int) -> Ints:
    """Return the cluster of each observation as whole numbers (n,).

    Raises:
        ValueError: There is not one for each observation, or a code is negative.
    """
    codes = np.asarray(cluster, dtype=np.int64)
    if len(codes) != observations or codes.min(initial=0) < 0:
        raise ValueError("every observation needs a cluster code of zero or more")
    return codes


def vehicle_clusters(table: RiskTable, vehicle: npt.ArrayLike) -> Clusters:
    """Sort a risk table's observations by group, vehicle and time.

    Args:
        table: The risk table.
        vehicle: Vehicle code of each observation, zero or more, in the order of the data (n,).

    Raises:
        ValueError: There is not one vehicle for each observation, or a code is negative.
    """
    codes = np.asarray(vehicle, dtype=np.int64)
    if len(codes) != len(table.order):
        raise ValueError(f"{len(codes)} vehicles for {len(table.order)} observations")
    if codes.min(initial=0) < 0:
        raise ValueError("vehicle codes must be zero or more")
    observation_group = table.row_group[table.observation_row]
    key = observation_group * (codes.max(initial=0) + 1) + codes[table.order]
    order = np.argsort(key, kind="stable")
    key = key[order]
    first = np.flatnonzero(np.concatenate(([True], np.diff(key) != 0))) if len(key) else np.zeros(0, dtype=np.int64)
    size = np.diff(np.append(first, len(key)))
    return Clusters(
        order=order,
        row=table.observation_row[order],
        rank=np.arange(len(key)) - np.repeat(first, size),
        size=np.repeat(size, size),
        first=first,
        group=observation_group[order][first],
    )


def clustered_cross_products(clusters: Clusters, influences: Floats, groups: int) -> Floats:
    """Sum over each group's clusters the outer product of the clusters' summed influences.

    Args:
        clusters: The observations by group and vehicle.
        influences: Influences in the risk table's observation order (n, figures).
        groups: Number of groups.

    Returns:
        Covariance of the figures of each group (groups, figures, figures).
    """
    figures = influences.shape[1]
    totals = np.zeros((len(clusters.first), figures))
    if len(clusters.first):
        totals = np.add.reduceat(influences[clusters.order], clusters.first, axis=0)
    products = np.empty((groups, figures, figures))
    for i in range(figures):
        for j in range(figures):
            weights = totals[:, i] * totals[:, j]
            products[:, i, j] = weighted_count(clusters.group, weights, groups)
    return products


@dataclass(frozen=True)
class ClusterTotals:
    """A total over those of each cluster who have ended, as it grows along the cluster's observations.

    Attributes:
        after: Total just after each observation's end, in cluster order (n,).
        initial: Total of each cluster before its first end (clusters,).
    """

    after: Floats
    initial: Floats


def ended_total(clusters: Clusters, values: Floats) -> ClusterTotals:
    """Total `values` (n,) (in the risk table's observation order) over the cluster's observations that have ended."""
    total = values[clusters.order]
    shift = 1
    while shift < clusters.size.max(initial=1):
        reaches = clusters.rank[shift:] >= shift
        total[shift:] += np.where(reaches, total[:-shift], 0.0)
        shift *= 2
    return ClusterTotals(total, np.zeros(len(clusters.first)))


def still_watched(clusters: Clusters) -> ClusterTotals:
    """Count the cluster's observations that have not ended."""
    left = (clusters.size - clusters.rank - 1).astype(np.float64)
    return ClusterTotals(left, clusters.size[clusters.first].astype(np.float64))


def summed_product(table: RiskTable, clusters: Clusters, left: ClusterTotals, right: ClusterTotals) -> Floats:
    """Sum over the clusters of each group the product of two totals, as it stands after each row's time (rows,)."""
    after = left.after * right.after
    at_start = left.initial * right.initial
    change = np.diff(after, prepend=0.0)
    change[clusters.first] = after[clusters.first] - at_start
    initial = weighted_count(clusters.group, at_start, table.groups)
    changes = weighted_count(clusters.row, change, len(table.time))
    return initial[table.row_group] + running_sum(changes, table.start)


def exit_weights(table: RiskTable, failures: Floats, is_failure: Bools, cumulated: Floats) -> Floats:
    """Influence of each observation, once ended, on minus the logarithm of the product-limit curve (n,).

    Args:
        table: The risk table.
        failures: What the curve counts as failures, by row (rows,).
        is_failure: Whether an observation is one of them, in the table's observation order (n,).
        cumulated: Greenwood's sum up to each row (rows,).
    """
    survivors = table.at_risk - failures
    step = np.divide(1.0, survivors, out=np.zeros_like(survivors), where=survivors > 0)
    row = table.observation_row
    return np.where(is_failure, step[row], 0.0) - cumulated[row]
