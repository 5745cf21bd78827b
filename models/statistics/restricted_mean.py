"""Mean time free of the event up to a horizon: the area under the Kaplan-Meier curve."""

import numpy as np
import numpy.typing as npt

from models.statistics.clustering import Clusters, clustered_cross_products, exit_weights
from models.statistics.intervals import Estimates, group_reach, log_log_limits
from models.statistics.kaplan_meier import greenwood_sum, greenwood_terms, product_limit
from models.statistics.risk_table import EVENT, Floats, RiskTable, group_sum, just_before, running_sum


def restricted_mean(
    table: RiskTable,
    horizon: npt.ArrayLike,
    *,
    clusters: Clusters | None = None,
    confidence: float = 0.95,
    reach: npt.ArrayLike | None = None,
) -> Estimates:
    """Estimate each group's mean time to the event, counting no time past the horizon; competing ends are censored.

    Past the last watched time the curve is taken to stay level, so a group that was not watched to the horizon gives an
    upper bound: see `at_risk_at`. An empty group has mean `horizon` and standard error 0. The limits are taken on the
    log(-log) scale of the mean as a share of the horizon; symmetric ones, from the same standard error, cover less
    where events are few. They are NaN where nothing failed up to the horizon.

    Args:
        table: The risk table.
        horizon: Where the mean stops, above 0, one for all groups or one a group, in the table's unit.
        clusters: Vehicles, for a variance that allows for several episodes of one.
        confidence: Level of the limits.
        reach: Standard errors between an estimate and its limits (groups,), as `few_clusters.clustered_reach` gives
            them; without it the normal quantile of `confidence`.

    Returns:
        Figures of shape (groups,).

    Raises:
        ValueError: A horizon is not above 0.

    Source: Klein & Moeschberger, Survival Analysis, 2nd ed. (2003), section 4.5; as `rmean` of R's `summary.survfit`.
    """
    limit = np.broadcast_to(np.asarray(horizon, dtype=np.float64), (table.groups,))
    if not (limit > 0).all():
        raise ValueError("a horizon must be above 0")
    survival = product_limit(table, table.events)
    area = _area(table, survival)
    mean = _area_to_limit(table, area, survival, limit)
    if clusters is None:
        later = np.maximum(mean[table.row_group] - area, 0.0)
        counts = table.time <= limit[table.row_group]
        variance = group_sum(table, np.where(counts, later**2 * greenwood_terms(table, table.events), 0.0))
    else:
        influence = _influence(table, survival, area, mean, limit)
        variance = clustered_cross_products(clusters, influence[:, None], table.groups)[:, 0, 0]
    error = np.sqrt(variance)
    distance = group_reach(reach, confidence=confidence, groups=table.groups)
    low, high = log_log_limits(mean / limit, error / limit, reach=distance)
    return Estimates(mean, error, low * limit, high * limit)


def _area(table: RiskTable, height: Floats, *, initial: float = 1.0) -> Floats:
    """Area under a step curve up to each row's time (rows,)."""
    width = table.time - just_before(table.time, table.start, 0.0)
    return running_sum(width * just_before(height, table.start, initial), table.start)


def _area_to_limit(table: RiskTable, area: Floats, height: Floats, limit: Floats, *, initial: float = 1.0) -> Floats:
    """Area under a step curve up to each group's limit (groups,)."""
    if not len(table.time):
        return initial * limit
    rows = np.bincount(table.row_group[table.time <= limit[table.row_group]], minlength=table.groups)
    last = np.maximum(table.start[:-1] + rows - 1, 0)
    reached = area[last] + height[last] * (limit - table.time[last])
    return np.where(rows > 0, reached, initial * limit)


def _influence(table: RiskTable, survival: Floats, area: Floats, mean: Floats, limit: Floats) -> Floats:
    """Derivative of the mean by each observation's weight (n,), in the table's observation order."""
    cumulated = greenwood_sum(table, table.events)
    weights = exit_weights(table, table.events, table.observation_cause == EVENT, cumulated)
    height = survival * cumulated
    watched = _area(table, height, initial=0.0)
    to_limit = _area_to_limit(table, watched, height, limit, initial=0.0)
    row = table.observation_row
    group = table.row_group[row]
    ended = watched[row] - weights * (mean[group] - area[row])
    return np.where(table.time[row] <= limit[group], ended, to_limit[group])
