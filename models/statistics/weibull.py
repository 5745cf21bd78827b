"""Weibull life by maximum likelihood from right-censored times, for all groups at once."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.clustering import Clusters, clustered_cross_products
from models.statistics.intervals import Estimates, group_reach
from models.statistics.kaplan_meier import SurvivalCurve
from models.statistics.risk_table import EVENT, Bools, Floats, RiskTable, group_sum, last_time

MAX_STEPS = 100
"""Newton settles in about ten steps; bisection, which stands behind it, in under a hundred."""

LARGEST_LOG_MEAN = 100.0
"""e^100 days is no life of anything; beyond it the mean is not reported."""

FIT_ERRORS = 3.09
"""Normal quantile of 99.8% limits: a true Weibull leaves them at few of the many times looked at."""

FIT_TOLERANCE = 0.02
"""A fitted share within two points of the observed one is close enough to plan by."""


@dataclass(frozen=True)
class WeibullFit:
    """Fitted Weibull lives, one a group; NaN where there is no fit.

    Attributes:
        shape: Shape (groups,).
        scale: Scale, in the unit of the times (groups,); infinite where it is beyond the range of numbers.
        covariance: Covariance of (log scale, -log shape) (groups, 2, 2): R's `survreg` calls them (Intercept) and
            Log(scale).
        log_likelihood: At the maximum (groups,).
        reason: Why there is no fit, '' where there is one (groups,).
    """

    shape: Floats
    scale: Floats
    covariance: Floats
    log_likelihood: Floats
    reason: tuple[str, ...]


@dataclass(frozen=True)
class _Rows:
    """The part of a risk table the likelihood is made of; times relative to each group's longest."""

    log_time: Floats
    events: Floats
    exits: Floats


def fit_weibull(table: RiskTable, *, clusters: Clusters | None = None, shortest: float = 0.0) -> WeibullFit:
    """Fit each group; competing ends count as censored.

    Args:
        table: The risk table.
        clusters: Vehicles, for a sandwich covariance that allows for several episodes of one; without them the inverse
            of the observed information.
        shortest: Shortest time the clock can tell; shorter ones, zero among them, are read as this long. The
            likelihood has no value at zero.

    Source: Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. (2003), section 5.2; agrees with R's
    `survreg`. Sandwich: White, Econometrica 50 (1982) 1, summed by cluster as `survreg(..., cluster = )`.
    """
    time = np.maximum(table.time, shortest)
    longest = np.maximum(last_time(table), shortest)
    longest = np.where(longest > 0, longest, 1.0)
    relative = time / longest[table.row_group]
    reason = _reasons(table, relative)
    fits = np.array([not words for words in reason], dtype=bool)
    rows = _relative_rows(table, relative)
    shape = _shape(table, rows, fits)
    moment = group_sum(table, rows.exits * np.exp(shape[table.row_group] * rows.log_time))
    events = group_sum(table, rows.events)
    log_scale = np.log(np.divide(moment, events, out=np.ones_like(moment), where=fits)) / shape
    z = shape[table.row_group] * (rows.log_time - log_scale[table.row_group])
    covariance = np.linalg.inv(np.where(fits[:, None, None], _information(table, rows, shape, z), np.eye(2)))
    if clusters is not None:
        spread = clustered_cross_products(clusters, _scores(table, rows, shape, z), table.groups)
        covariance = covariance @ spread @ covariance
    with np.errstate(over="ignore"):
        scale = longest * np.exp(log_scale)
    return WeibullFit(
        shape=np.where(fits, shape, np.nan),
        scale=np.where(fits, scale, np.nan),
        covariance=np.where(fits[:, None, None], covariance, np.nan),
        log_likelihood=np.where(fits, _log_likelihood(table, rows, shape, z) - events * np.log(longest), np.nan),
        reason=reason,
    )


def _reasons(table: RiskTable, relative: Floats) -> tuple[str, ...]:
    """Why a group has no maximum, '' where it has one, from its times over its longest (rows,)."""
    events = group_sum(table, table.events)
    at_zero = group_sum(table, np.where(relative > 0, 0.0, table.events))
    before_longest = group_sum(table, np.where(relative < 1, table.events, 0.0))
    conditions = [table.sizes == 0, events == 0, at_zero > 0, before_longest == 0]
    words = ["no episodes", "none failed", "a failure at time zero", "all failures at the longest time"]
    return tuple(np.select(conditions, words, default="").tolist())


def _relative_rows(table: RiskTable, relative: Floats) -> _Rows:
    """Take logarithms of the relative times (rows,); what was watched for no time at all tells nothing."""
    usable = relative > 0
    return _Rows(np.log(np.where(usable, relative, 1.0)), table.events, np.where(usable, table.exits, 0.0))


def _shape(table: RiskTable, rows: _Rows, fits: Bools) -> Floats:
    """Solve each group's likelihood equation for the shape by Newton steps kept within a bracket (groups,)."""
    group = table.row_group
    events = np.maximum(group_sum(table, rows.events), 1.0)
    mean_log = group_sum(table, rows.events * rows.log_time) / events
    shape, low, high = np.ones(table.groups), np.zeros(table.groups), np.full(table.groups, np.inf)
    active = fits.copy()
    for _ in range(MAX_STEPS):
        if not active.any():
            break
        weight = rows.exits * np.exp(shape[group] * rows.log_time)
        total = np.where(active, group_sum(table, weight), 1.0)
        first = group_sum(table, weight * rows.log_time) / total
        second = group_sum(table, weight * rows.log_time**2) / total
        score = first - 1.0 / shape - mean_log
        low, high = np.where(score < 0, shape, low), np.where(score > 0, shape, high)
        step = shape - score / (second - first**2 + 1.0 / shape**2)
        outside = (step <= low) | (step >= high)
        middle = np.where(np.isinf(high), 2.0 * shape, (low + np.where(np.isinf(high), low, high)) / 2)
        step = np.where(outside & (score != 0), middle, step)
        step = np.where(active, step, shape)
        active &= np.abs(step - shape) > 4 * np.finfo(np.float64).eps * shape
        shape = step
    return shape


def _log_likelihood(table: RiskTable, rows: _Rows, shape: Floats, z: Floats) -> Floats:
    """Log-likelihood of each group, its longest time being 1 (groups,)."""
    density = np.log(shape)[table.row_group] + z - rows.log_time
    return group_sum(table, rows.events * density - rows.exits * np.exp(z))


def _information(table: RiskTable, rows: _Rows, shape: Floats, z: Floats) -> Floats:
    """Observed information about (log scale, -log shape) of each group (groups, 2, 2)."""
    weight = rows.exits * np.exp(z)
    scale = shape**2 * group_sum(table, weight)
    mixed = shape * group_sum(table, (z + 1.0) * weight - rows.events)
    spread = group_sum(table, z * (z + 1.0) * weight - rows.events * z)
    return np.stack([np.stack([scale, mixed], axis=1), np.stack([mixed, spread], axis=1)], axis=1)


def _scores(table: RiskTable, rows: _Rows, shape: Floats, z: Floats) -> Floats:
    """Derivatives of each observation's log-likelihood by (log scale, -log shape) (n, 2), in the table's order."""
    row = table.observation_row
    failed = (table.observation_cause == EVENT).astype(np.float64)
    surplus = np.where(rows.exits[row] > 0, np.exp(z[row]), 0.0) - failed
    return np.stack([shape[table.row_group[row]] * surplus, z[row] * surplus - failed], axis=1)


def weibull_mean(fit: WeibullFit, *, confidence: float = 0.95, reach: npt.ArrayLike | None = None) -> Estimates:
    """Mean of each fitted life with limits by the delta method on the log scale (groups,).

    NaN where there is no fit, or where the mean is beyond e^100.

    Args:
        fit: The fitted lives.
        confidence: Level of the limits.
        reach: Standard errors between an estimate and its limits (groups,), as `few_clusters.clustered_reach` gives
            them; without it the normal quantile of `confidence`.

    Source: mean scale * gamma(1 + 1 / shape); Meeker & Escobar, Statistical Methods for Reliability Data
    (1998), section 8.4.
    """
    spread = 1.0 / fit.shape
    log_mean = np.log(fit.scale) + scipy.special.gammaln(1.0 + spread)
    slope = np.stack([np.ones_like(spread), spread * scipy.special.digamma(1.0 + spread)], axis=1)
    log_error = np.sqrt(np.einsum("gi,gij,gj->g", slope, fit.covariance, slope))
    log_mean = np.where(log_mean < LARGEST_LOG_MEAN, log_mean, np.nan)
    mean = np.exp(log_mean)
    with np.errstate(over="ignore"):
        factor = np.exp(group_reach(reach, confidence=confidence, groups=len(spread)) * log_error)
        return Estimates(mean, mean * log_error, mean / factor, mean * factor)


def weibull_quantile(
    fit: WeibullFit, share: float, *, confidence: float = 0.95, reach: npt.ArrayLike | None = None
) -> Estimates:
    """Time by which `share` of each fitted life is over, with limits by the delta method on the log scale (groups,).

    NaN where there is no fit.

    Args:
        fit: The fitted lives.
        share: The share, between 0 and 1.
        confidence: Level of the limits.
        reach: As for `weibull_mean`.

    Raises:
        ValueError: The share does not lie between 0 and 1.

    Source: Meeker & Escobar, Statistical Methods for Reliability Data (1998), section 8.4; as `predict(survreg(...),
    type = "uquantile")` of R's survival package.
    """
    if not 0 < share < 1:
        raise ValueError(f"share is {share}; it must lie between 0 and 1")
    from_scale = np.log(-np.log1p(-share)) / fit.shape
    slope = np.stack([np.ones_like(from_scale), from_scale], axis=1)
    log_error = np.sqrt(np.einsum("gi,gij,gj->g", slope, fit.covariance, slope))
    with np.errstate(over="ignore"):
        time = fit.scale * np.exp(from_scale)
        factor = np.exp(group_reach(reach, confidence=confidence, groups=len(from_scale)) * log_error)
        return Estimates(time, time * log_error, time / factor, time * factor)


def contradicted(fit: WeibullFit, table: RiskTable, curve: SurvivalCurve) -> Bools:
    """Whether each group's fitted life leaves its Kaplan-Meier curve, which a Weibull should not (groups,).

    It does where, at some event, the two differ by more than `FIT_TOLERANCE` and by more than `FIT_ERRORS` standard
    errors of the curve on the log(-log) scale: both beyond chance and enough to matter.
    """
    fitted = weibull_survival(fit, table)
    comparable = (table.events > 0) & (curve.survival > 0) & (curve.survival < 1) & (fitted > 0) & (fitted < 1)
    observed, fitted = np.where(comparable, curve.survival, 0.5), np.where(comparable, fitted, 0.5)
    error = np.where(comparable, curve.standard_error, 1.0) / (observed * np.abs(np.log(observed)))
    gap = np.abs(np.log(np.log(fitted) / np.log(observed)))
    leaves = comparable & (gap > FIT_ERRORS * error) & (np.abs(fitted - observed) > FIT_TOLERANCE)
    return group_sum(table, leaves.astype(np.float64)) > 0


def weibull_survival(fit: WeibullFit, table: RiskTable) -> Floats:
    """Share free of the event by the fitted life at each row of a risk table (rows,)."""
    group = table.row_group
    with np.errstate(over="ignore"):
        hazard = (table.time / fit.scale[group]) ** fit.shape[group]
    return np.asarray(np.exp(-hazard))
