"""Weibull life when a failure is only known to lie between two looks, for all groups at once."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.clustering import cluster_codes
from models.statistics.risk_table import Bools, Floats, Ints, weighted_count
from models.statistics.turnbull import check_ends
from models.statistics.weibull import WeibullFit

MAX_STEPS = 200
"""Newton settles in about ten steps; the likelihood is concave, so that more mean it has no maximum."""

SHAPES = (1e-3, 1e3)
"""A shape beyond these is no life of anything: the likelihood has no maximum short of them."""

LARGEST_LOG_ERROR = 5.0
"""With a standard error of log shape beyond this the shape may be anything: the likelihood is level, if it peaks."""

SMALLEST_SHARE = 1e-9
"""Share of a Newton step under which it is as good as none."""

SMALL_GAIN = 1e-16
"""Gain in log-likelihood still to be had, per observation, at which the search stops."""

NO_MAXIMUM = "the intervals do not bound the shape"


@dataclass(frozen=True)
class _Rows:
    """Distinct observations; log times relative to their group's longest.

    Attributes:
        group: Group (rows,).
        left: Log of the left end (rows,); 0 where it is time zero.
        right: Log of the right end (rows,); 0 where there is none.
        begins: Whether the left end is above zero (rows,).
        ends: Whether a failure was seen (rows,).
        is_exact: Whether its time is exact (rows,).
        weight: How often the observation was made (rows,).
    """

    group: Ints
    left: Floats
    right: Floats
    begins: Bools
    ends: Bools
    is_exact: Bools
    weight: Floats


@dataclass(frozen=True)
class _Terms:
    """Log-likelihood of each row and its derivatives by a and k, the log hazard being a + k log time.

    Attributes:
        value: (rows,).
        score: (rows, 2).
        information: Minus the second derivatives (rows, 3): by a twice, by a and k, by k twice.
    """

    value: Floats
    score: Floats
    information: Floats


def fit_weibull_intervals(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    *,
    group: npt.ArrayLike | None = None,
    groups: int | None = None,
    cluster: npt.ArrayLike | None = None,
) -> WeibullFit:
    """Fit each group by maximum likelihood to failures in (left, right].

    Args:
        left: Last time without a failure (n,), zero or more; equal to `right` where the failure's time is exact.
        right: First time with one (n,); infinite where none was seen.
        group: Group of each observation, 0 to groups - 1 (n,); one group without it.
        groups: Number of groups; without it the highest group present decides.
        cluster: Vehicle code of each observation, zero or more (n,), for a sandwich covariance that allows for several
            episodes of one; without them the inverse of the observed information.

    Raises:
        ValueError: Lengths differ, a left end is negative, not finite or after its right end, or a code negative.

    Source: Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. (2003), section 5.2; agrees with R's
    `survreg(Surv(left, right, type = "interval2") ~ 1)`.
    """
    lefts, rights = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    codes = np.zeros(len(lefts), dtype=np.int64) if group is None else np.asarray(group, dtype=np.int64)
    if groups is None:
        groups = 1 if group is None else int(codes.max(initial=-1)) + 1
    _check_intervals(lefts, rights, codes, groups)
    unit = _longest(lefts, rights, codes, groups)
    rows, row = _distinct(lefts / unit[codes], rights / unit[codes], codes)
    reason = _reasons(rows, rights, codes, groups)
    has_maximum = np.array([not words for words in reason], dtype=bool)
    intercept, shape, is_settled = _maximise(rows, has_maximum)
    terms = _terms(rows, intercept, shape)
    information = _group_information(rows, terms, groups)
    fits = has_maximum & is_settled & _is_bounded(information, shape)
    reason = tuple(words or ("" if fine else NO_MAXIMUM) for words, fine in zip(reason, fits, strict=True))
    covariance = np.linalg.inv(np.where(fits[:, None, None], information, np.eye(2)))
    if cluster is not None:
        covariance = (
            covariance @ _spread(terms.score[row], codes, cluster_codes(cluster, len(codes)), groups) @ covariance
        )
    turned = _turned(intercept, shape)
    log_scale = np.log(unit) - intercept / shape
    exact = weighted_count(rows.group, rows.weight * rows.is_exact, groups)
    log_likelihood = weighted_count(rows.group, rows.weight * terms.value, groups) - exact * np.log(unit)
    return WeibullFit(
        shape=np.where(fits, shape, np.nan),
        scale=np.where(fits, np.exp(np.where(fits, log_scale, 0.0)), np.nan),
        covariance=np.where(fits[:, None, None], turned @ covariance @ turned.transpose(0, 2, 1), np.nan),
        log_likelihood=np.where(fits, log_likelihood, np.nan),
        reason=reason,
    )


def _check_intervals(left: Floats, right: Floats, group: Ints, groups: int) -> None:
    """Raise ValueError for intervals that are none."""
    if not len(left) == len(right) == len(group):
        raise ValueError(f"left, right and group have {len(left)}, {len(right)} and {len(group)} entries")
    check_ends(left, right)
    if len(group) and not (group.min() >= 0 and group.max() < groups):
        raise ValueError(f"every group must lie in 0 to {groups - 1}")


def _longest(left: Floats, right: Floats, group: Ints, groups: int) -> Floats:
    """Longest finite time of each group (groups,); 1 where there is none."""
    longest = np.zeros(groups)
    np.maximum.at(longest, group, np.where(np.isfinite(right), right, left))
    return np.where(longest > 0, longest, 1.0)


def _distinct(left: Floats, right: Floats, group: Ints) -> tuple[_Rows, Ints]:
    """Distinct observations, and the row of each (n,)."""
    order = np.lexsort((right, left, group))
    keys = np.stack([group[order], left[order], right[order]])
    is_first = np.ones(len(order), dtype=bool)
    is_first[1:] = (keys[:, 1:] != keys[:, :-1]).any(axis=0)
    row = np.empty(len(order), dtype=np.int64)
    row[order] = np.cumsum(is_first) - 1
    first = order[is_first]
    lefts, rights = left[first], right[first]
    begins, ends = lefts > 0, np.isfinite(rights)
    rows = _Rows(
        group=group[first],
        left=np.log(np.where(begins, lefts, 1.0)),
        right=np.log(np.where(ends & (rights > 0), rights, 1.0)),
        begins=begins,
        ends=ends,
        is_exact=lefts == rights,
        weight=np.bincount(row, minlength=len(first)).astype(np.float64),
    )
    return rows, row


def _reasons(rows: _Rows, right: Floats, group: Ints, groups: int) -> tuple[str, ...]:
    """Why a group has no maximum, '' where it may have one, in the words of `fit_weibull`."""
    size = np.bincount(group, minlength=groups)
    failed = np.bincount(group[np.isfinite(right)], minlength=groups)
    at_zero = np.bincount(group[right <= 0], minlength=groups)
    inexact = np.where(rows.is_exact, 0.0, 1.0) * rows.ends
    below = rows.is_exact & (rows.right < 0)
    varied = weighted_count(rows.group, inexact + below, groups)
    conditions = [size == 0, failed == 0, at_zero > 0, varied == 0]
    words = ["no episodes", "none failed", "a failure at time zero", "all failures at the longest time"]
    return tuple(np.select(conditions, words, default="").tolist())


def _terms(rows: _Rows, intercept: Floats, shape: Floats) -> _Terms:
    """Log-likelihood of each row at each group's coefficients, and its derivatives."""
    a, k = intercept[rows.group], shape[rows.group]
    with np.errstate(over="ignore"):
        before = np.where(rows.begins, np.exp(a + k * rows.left), 0.0)
        after = np.where(rows.ends, np.exp(a + k * rows.right), before)
    inexact = rows.ends & ~rows.is_exact
    between = np.where(inexact, after - before, 1.0)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        odds = np.where(inexact, 1.0 / np.expm1(between), 0.0)
        within = np.where(inexact, np.log(-np.expm1(-between)), 0.0)
        density = np.where(rows.is_exact, np.log(k) + a + (k - 1.0) * rows.right, 0.0)
        exact = rows.is_exact.astype(np.float64)
        slope = np.stack([odds * (after - before), odds * (after * rows.right - before * rows.left)], axis=1)
        score = slope - np.stack([before, before * rows.left], axis=1)
        score += np.stack([exact, exact * (1.0 / k + rows.right)], axis=1)
        rise = (odds + odds**2)[:, None]
        run = np.stack([after - before, after * rows.right - before * rows.left], axis=1)
        information = np.stack(
            [(1.0 + odds) * before * rows.left**power - odds * after * rows.right**power for power in (0, 1, 2)],
            axis=1,
        )
        information += rise * np.stack([run[:, 0] ** 2, run[:, 0] * run[:, 1], run[:, 1] ** 2], axis=1)
        information[:, 2] += exact / k**2
    return _Terms(value=within - before + density, score=score, information=information)


def _group_sums(rows: _Rows, values: Floats, groups: int) -> Floats:
    """Total the columns of a row quantity by weight over each group (groups, columns)."""
    return np.stack([weighted_count(rows.group, rows.weight * column, groups) for column in values.T], axis=1)


def _group_information(rows: _Rows, terms: _Terms, groups: int) -> Floats:
    """Observed information about a and k (groups, 2, 2)."""
    return _group_sums(rows, terms.information, groups)[:, [[0, 1], [1, 2]]]


def _maximise(rows: _Rows, has_maximum: Bools) -> tuple[Floats, Floats, Bools]:
    """Find a and k of each group by Newton steps, shortened where they do not climb, and where that ended (groups,)."""
    groups = len(has_maximum)
    shape, intercept = np.ones(groups), _start(rows, groups)
    active, share, is_settled = has_maximum.copy(), np.ones(groups), np.zeros(groups, dtype=bool)
    size = np.maximum(weighted_count(rows.group, rows.weight, groups), 1.0)

    def total(values: Floats) -> Floats:
        return weighted_count(rows.group, rows.weight * values, groups)

    terms = _terms(rows, intercept, shape)
    for _ in range(MAX_STEPS):
        if not active.any():
            break
        information = _group_information(rows, terms, groups)
        usable = active & _is_definite(information)
        slope = _group_sums(rows, terms.score, groups)
        step = np.linalg.solve(np.where(usable[:, None, None], information, np.eye(2)), slope[:, :, None])[:, :, 0]
        tried = (intercept + share * step[:, 0] * active, shape + share * step[:, 1] * active)
        inside = (tried[1] > SHAPES[0]) & (tried[1] < SHAPES[1])
        tried = (np.where(inside, tried[0], intercept), np.where(inside, tried[1], shape))
        new = _terms(rows, *tried)
        climbs = inside & (total(new.value) >= total(terms.value) - 1e-13 * np.abs(total(terms.value)))
        moved = active & climbs
        intercept, shape = np.where(moved, tried[0], intercept), np.where(moved, tried[1], shape)
        settled = usable & moved & (share == 1.0) & ((step * slope).sum(axis=1) < SMALL_GAIN * size)
        share = np.where(climbs, np.minimum(2.0 * share, 1.0), share / 4.0)
        is_settled |= settled
        active &= ~settled & (share > SMALLEST_SHARE)
        terms = _terms(rows, intercept, shape)
    return intercept, shape, is_settled


def _is_definite(information: Floats) -> Bools:
    """Whether each group's information can be inverted (groups,)."""
    product = information[:, 0, 0] * information[:, 1, 1]
    return np.asarray((product > 0) & (product - information[:, 0, 1] ** 2 > 1e-14 * product))


def _is_bounded(information: Floats, shape: Floats) -> Bools:
    """Whether the observations bound each group's log shape (groups,)."""
    definite = _is_definite(information)
    safe = np.where(definite[:, None, None], information, np.eye(2))
    return definite & (np.linalg.inv(safe)[:, 1, 1] < (LARGEST_LOG_ERROR * shape) ** 2)


def _start(rows: _Rows, groups: int) -> Floats:
    """Log rate of a constant hazard from the ends of the intervals (groups,)."""
    time = np.where(rows.ends, np.exp(rows.right), np.where(rows.begins, np.exp(rows.left), 0.0))
    failed = weighted_count(rows.group, rows.weight * rows.ends, groups)
    watched = weighted_count(rows.group, rows.weight * time, groups)
    return np.log(np.where((failed > 0) & (watched > 0), failed, 1.0) / np.where(watched > 0, watched, 1.0))


def _turned(intercept: Floats, shape: Floats) -> Floats:
    """Derivatives of (log scale, -log shape) by (a, k) (groups, 2, 2)."""
    zero = np.zeros_like(shape)
    return np.stack(
        [np.stack([-1.0 / shape, intercept / shape**2], axis=1), np.stack([zero, -1.0 / shape], axis=1)], axis=1
    )


def _spread(scores: Floats, group: Ints, cluster: Ints, groups: int) -> Floats:
    """Sum over each group's clusters the outer product of the clusters' summed scores (groups, 2, 2)."""
    pairs, code = np.unique(np.stack([group, cluster], axis=1), axis=0, return_inverse=True)
    totals = np.stack([weighted_count(code.ravel(), column, len(pairs)) for column in scores.T], axis=1)
    products = np.zeros((groups, 2, 2))
    np.add.at(products, pairs[:, 0], totals[:, :, None] * totals[:, None, :])
    return products
