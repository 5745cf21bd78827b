"""The share still free of the event when it is only known between which two looks it happened: Turnbull's estimate."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.intervals import Estimates
from models.statistics.risk_table import Floats, Ints, weighted_count

MAX_STEPS = 500
"""Steps settle in about ten; none of the tests' data take fifty."""

GAP = 1e-11
"""What the likelihood can still gain, per observation, at which one more step is the last."""

ROUNDING = 1e-14
"""Share of the log-likelihood that is but rounding."""

RIDGE = 1e-14
"""Added to the curvature, as a share of it, against rounding; it slows the last steps and does not move their end."""

SHARE_NEAR = 0.99
"""Of the masses a search starts from, the share that a near estimate gives; the rest leaves no observation without."""

MAX_HALVINGS = 40
"""Halvings after which a step is as good as none."""

NO_EPISODES = "no episodes"
NOT_SETTLED = f"the search did not settle in {MAX_STEPS} steps"


@dataclass(frozen=True)
class Turnbull:
    """Masses on the innermost intervals: the most that can be said of when the event happens.

    No other masses are as likely: the right end of each interval closes an observation, so that the observations, in
    the order of their right ends, tell the masses apart one after another. How a mass lies within its interval cannot
    be known; `survival_bounds` gives both ends of what is possible.

    Attributes:
        left: Left ends of the intervals with mass (intervals,), themselves outside; equal to the right end where the
            time is exact.
        right: Right ends (intervals,), inside; infinite for those not seen to fail.
        mass: Probability of each (intervals,).
        log_likelihood: At the maximum; NaN without episodes.
        gap: What the log-likelihood could at most still gain.
        reason: Why there is no estimate, '' where there is one.
    """

    left: Floats
    right: Floats
    mass: Floats
    log_likelihood: float
    gap: float
    reason: str


@dataclass(frozen=True)
class _Spans:
    """Distinct observations as runs of candidate intervals.

    Attributes:
        first: First candidate within each observation (n,).
        stop: First candidate after it (n,).
        weight: How often it was seen (n,).
        candidates: Number of candidates.
    """

    first: Ints
    stop: Ints
    weight: Floats
    candidates: int


def turnbull(left: npt.ArrayLike, right: npt.ArrayLike, *, weight: npt.ArrayLike | None = None) -> Turnbull:
    """Estimate where events lie that are known to have happened in (left, right].

    Args:
        left: Last time the event had not happened (n,), zero or more; equal to `right` where the time is exact.
        right: First time it had (n,); infinite where it was not seen to.
        weight: How often each observation counts, zero or more (n,); once without it.

    Raises:
        ValueError: Lengths differ, a left end is negative, not finite or after its right end, or a weight negative.

    Source: Turnbull, J. R. Statist. Soc. B 38 (1976) 290; found by the constrained Newton method of Wang, J. R.
    Statist. Soc. B 69 (2007) 185 (from memory), stopped by the bound the Karush-Kuhn-Tucker conditions give.
    """
    lefts, rights = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    weights = np.ones(len(lefts)) if weight is None else np.asarray(weight, dtype=np.float64)
    _check_intervals(lefts, rights, weights)
    pairs, code = np.unique(np.stack([lefts, rights], axis=1), axis=0, return_inverse=True)
    return _of_distinct(pairs, weighted_count(code.ravel(), weights, len(pairs)))


def _of_distinct(pairs: Floats, weight: Floats, *, near: Turnbull | None = None) -> Turnbull:
    """Estimate from distinct pairs of ends (n, 2) and how often each counts (n,).

    The search starts from `near`, an estimate of much the same observations, where there is one.
    """
    counted = weight > 0
    if not counted.any():
        return Turnbull(np.zeros(0), np.zeros(0), np.zeros(0), np.nan, np.nan, NO_EPISODES)
    spans, ends = _candidates(pairs[counted], weight[counted])
    mass, gap = _maximise(spans, _start(spans, ends, near))
    log_likelihood = float(spans.weight @ np.log(_probabilities(spans, mass)))
    has_mass = mass > 0
    return Turnbull(
        left=ends[has_mass, 0],
        right=ends[has_mass, 1],
        mass=mass[has_mass],
        log_likelihood=log_likelihood,
        gap=gap * float(spans.weight.sum()),
        reason="" if gap < GAP else NOT_SETTLED,
    )


def check_ends(left: Floats, right: Floats) -> None:
    """See that every pair of ends, of equal counts, is an interval of time.

    Raises:
        ValueError: A left end is not finite, negative or after its right end.
    """
    if not (np.isfinite(left) & (left >= 0) & (left <= right)).all():
        raise ValueError("every left end must be finite, zero or more and not after its right end")


def _check_intervals(left: Floats, right: Floats, weight: Floats) -> None:
    """Raise ValueError for intervals that are none."""
    if not len(left) == len(right) == len(weight):
        raise ValueError(f"left, right and weight have {len(left)}, {len(right)} and {len(weight)} entries")
    check_ends(left, right)
    if not (np.isfinite(weight) & (weight >= 0)).all():
        raise ValueError("every weight must be finite and zero or more")


def _candidates(pairs: Floats, weight: Floats) -> tuple[_Spans, Floats]:
    """Find the innermost intervals: a left end followed at once by a right end, none within another.

    At one time the left ends of exact times come first, then right ends, then left ends, which lie just after it.
    """
    left, right = pairs.T
    n = len(pairs)
    value = np.concatenate([left, right])
    kind = np.concatenate([np.where(left == right, 0, 2), np.ones(n)])
    order = np.lexsort((kind, value))
    is_right = order >= n
    innermost = np.flatnonzero(~is_right[:-1] & is_right[1:])
    rank = np.empty(2 * n, dtype=np.int64)
    rank[order] = np.arange(2 * n)
    ends = np.stack([value[order[innermost]], value[order[innermost + 1]]], axis=1)
    first = np.searchsorted(innermost, _first_of_ties(rank[:n], value[:n], kind[:n]))
    stop = np.searchsorted(innermost, rank[n:])
    return _Spans(first, stop, weight, len(innermost)), ends


def _first_of_ties(rank: Ints, value: Floats, kind: Floats) -> Ints:
    """Lowest rank among left ends of one time and kind (n,): an interval they begin is within each of them."""
    tied = np.unique(np.stack([value, kind], axis=1), axis=0, return_inverse=True)[1].ravel()
    lowest = np.full(int(tied.max()) + 1, np.iinfo(np.int64).max)
    np.minimum.at(lowest, tied, rank)
    return np.asarray(lowest[tied])


def _start(spans: _Spans, ends: Floats, near: Turnbull | None) -> Floats:
    """Masses (candidates,) to search from, under which every observation is possible."""
    covering = _covering(spans)
    if near is None or not len(near.mass):
        return covering
    nearest = np.minimum(np.searchsorted(ends[:, 1], near.right), spans.candidates - 1)
    moved = weighted_count(nearest, near.mass, spans.candidates)
    return np.asarray(SHARE_NEAR * moved + (1.0 - SHARE_NEAR) * covering)


def _maximise(spans: _Spans, mass: Floats) -> tuple[Floats, float]:
    """Find the masses (candidates,) and what the likelihood can still gain per observation, from masses to start at."""
    total = float(spans.weight.sum())
    gap = np.inf
    for _ in range(MAX_STEPS):
        probability = _probabilities(spans, mass)
        slope = _slopes(spans, probability) / total
        last_gap, gap = gap, float(slope.max()) - 1.0
        if last_gap < GAP:
            break
        support = np.union1d(np.flatnonzero(mass > 0), _steepest_between(mass, slope))
        target = np.zeros_like(mass)
        target[support] = _quadratic_optimum(spans, probability, slope[support], support)
        mass = _climb(spans, mass, target)
    return mass, gap


def _covering(spans: _Spans) -> Floats:
    """Put equal masses on few candidates so that every observation holds one (candidates,)."""
    chosen, latest = [], -1
    order = np.argsort(spans.stop, kind="stable")
    for first, stop in zip(spans.first[order].tolist(), spans.stop[order].tolist(), strict=True):
        if first > latest:
            latest = stop - 1
            chosen.append(latest)
    mass = np.zeros(spans.candidates)
    mass[chosen] = 1.0 / len(chosen)
    return mass


def _probabilities(spans: _Spans, mass: Floats) -> Floats:
    """Probability of each observation (n,)."""
    cumulated = np.concatenate([[0.0], np.cumsum(mass)])
    return np.asarray(cumulated[spans.stop] - cumulated[spans.first])


def _slopes(spans: _Spans, probability: Floats) -> Floats:
    """Derivative of the log-likelihood by each candidate's mass (candidates,)."""
    each = spans.weight / probability
    change = weighted_count(spans.first, each, spans.candidates + 1) - weighted_count(
        spans.stop, each, spans.candidates + 1
    )
    return np.cumsum(change[:-1])


def _steepest_between(mass: Floats, slope: Floats) -> Ints:
    """Candidate of greatest slope in each stretch between those with mass, where mass would gain."""
    stretch = np.cumsum(mass > 0)
    order = np.lexsort((-slope, stretch))
    first = order[np.flatnonzero(np.diff(stretch[order], prepend=-1))]
    return np.asarray(first[slope[first] > 1.0])


def _curvature(spans: _Spans, probability: Floats, support: Ints) -> Floats:
    """Minus the second derivative by the masses of the support (support, support).

    Cell (j, k), j at or before k, totals the observations that begin at or before j and end after k.
    """
    size = len(support)
    begin, end = np.searchsorted(support, spans.first), np.searchsorted(support, spans.stop)
    holds = begin < end
    cell = begin[holds] * size + end[holds] - 1
    each = (spans.weight / probability**2)[holds]
    table = weighted_count(cell, each, size * size).reshape(size, size)
    table = np.cumsum(np.cumsum(table[:, ::-1], axis=1)[:, ::-1], axis=0)
    return np.triu(table) + np.triu(table, 1).T


def _quadratic_optimum(spans: _Spans, probability: Floats, slope: Floats, support: Ints) -> Floats:
    """Masses (support,) that maximise the likelihood's quadratic approximation: a least-squares problem with signs.

    With S the observations' derivatives it minimises |S p - 2|^2 over p of sum 1, and so |(S - 2) p|^2.
    """
    total = spans.weight.sum()
    products = _curvature(spans, probability, support) / total - 2.0 * (slope[:, None] + slope[None, :]) + 4.0
    products += 1.0 + RIDGE * np.trace(products) * np.eye(len(support))
    root = np.linalg.cholesky(products)
    ones = np.ones(len(support))
    solution = scipy.linalg.cho_solve((root, True), ones, check_finite=False)
    if solution.min() < 0:
        side = scipy.linalg.solve_triangular(root, ones, lower=True, check_finite=False)
        solution, _ = scipy.optimize.nnls(root.T, side)
    return np.asarray(solution / solution.sum())


def _climb(spans: _Spans, mass: Floats, target: Floats) -> Floats:
    """Go as far towards the target as raises the likelihood (candidates,)."""
    reached = spans.weight @ np.log(_probabilities(spans, mass))
    share = 1.0
    for _ in range(MAX_HALVINGS):
        tried = mass + share * (target - mass)
        probability = _probabilities(spans, tried)
        if (probability > 0).all() and spans.weight @ np.log(probability) >= reached - ROUNDING * abs(reached):
            return tried
        share /= 2.0
    return mass


def survival_bounds(fit: Turnbull, times: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Lowest and highest share free of the event just after each of `times` the masses allow (times,).

    They differ only inside an interval with mass; NaN without an estimate.
    """
    at = np.atleast_1d(np.asarray(times, dtype=np.float64))
    if not len(fit.mass):
        return np.full(len(at), np.nan), np.full(len(at), np.nan)
    surely = fit.right[None, :] <= at[:, None]
    maybe = surely | (fit.left[None, :] < at[:, None])
    return np.clip(1.0 - maybe @ fit.mass, 0.0, 1.0), np.clip(1.0 - surely @ fit.mass, 0.0, 1.0)


def bootstrap_survival(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    times: npt.ArrayLike,
    *,
    cluster: npt.ArrayLike,
    seed: int,
    draws: int = 200,
    confidence: float = 0.95,
) -> Estimates:
    """Middle of the bounds on the share free of the event at `times`, with limits from drawing vehicles anew (times,).

    The limits are quantiles over the draws of the lower and of the upper bound. They are rough: where looks are dense
    the estimate settles with the cube root of the number of episodes and no simple bootstrap is exact for it.

    Args:
        left: As for `turnbull`.
        right: As for `turnbull`.
        times: Where the share is read.
        cluster: Vehicle code of each observation, zero or more (n,).
        seed: Of the draws.
        draws: How many.
        confidence: Level of the limits.

    Source: Efron & Tibshirani, An Introduction to the Bootstrap (1993), chapter 13, by cluster; on its limits: Sen &
    Xu, Scand. J. Statist. 42 (2015) 1017 (from memory).
    """
    codes = np.unique(np.asarray(cluster, dtype=np.int64), return_inverse=True)[1].ravel()
    vehicles = int(codes.max(initial=-1)) + 1
    ends = np.stack([np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)], axis=1)
    pairs, pair = np.unique(ends, axis=0, return_inverse=True)
    observed = turnbull(left, right)
    low, high = survival_bounds(observed, times)
    if not vehicles:
        return Estimates(low, low, low, high)
    random = np.random.default_rng(seed)
    counts = random.multinomial(vehicles, np.full(vehicles, 1.0 / vehicles), size=draws)
    weights = (weighted_count(pair.ravel(), count[codes].astype(np.float64), len(pairs)) for count in counts)
    bounds = np.array([survival_bounds(_of_distinct(pairs, weight, near=observed), times) for weight in weights])
    tail = (1.0 - confidence) / 2.0
    return Estimates(
        estimate=(low + high) / 2.0,
        standard_error=bounds.mean(axis=1).std(axis=0, ddof=1),
        low=np.quantile(bounds[:, 0], tail, axis=0),
        high=np.quantile(bounds[:, 1], 1.0 - tail, axis=0),
    )
