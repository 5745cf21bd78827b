"""Whether repairs of the same engines come ever more often: trend tests and the power law."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.intervals import Estimates, normal_quantile
from models.statistics.risk_table import Bools, Floats, Ints, weighted_count

SMALLEST_SHAPE = 1e-6
"""A shape below this has most of its events in the first moment: the likelihood has no maximum above it."""

NO_EVENTS = "no events to tell a trend from"
AT_ZERO = "an event at age zero"
AT_THE_END = "all events at the end of watch"
LATE_WATCH = "engines were watched only since a later age: use the power law's own p value"
NO_POWER = "the rate falls faster than any power of age"


@dataclass(frozen=True)
class Histories:
    """Ages at the events of engines, ready to be tested together.

    Attributes:
        age: Ages at the events (events,).
        since: Age at which the watch of each event's engine began (events,).
        until: Age at which it ended (events,).
        is_free: Whether the event could have come at any age up to it (events,); a watch's end fixes the one that
            ended it.
        begin: Age at which each engine's watch began (engines,).
        end: Age at which it ended (engines,).
        engine: Engine of each event, 0 to engines - 1 (events,).
    """

    age: Floats
    since: Floats
    until: Floats
    is_free: Bools
    begin: Floats
    end: Floats
    engine: Ints


@dataclass(frozen=True)
class TrendTest:
    """A test of a constant rate; NaN where it cannot be made.

    Attributes:
        statistic: Above what a constant rate expects where events crowd late (Laplace) or early (MIL-HDBK-189).
        p: Two-sided p value.
        p_worsening: p value against a rising rate alone.
        degrees: Degrees of freedom of a chi-squared statistic; 0 for a normal one.
        reason: Why there is no test, '' where there is one.
    """

    statistic: float
    p: float
    p_worsening: float
    degrees: int
    reason: str


@dataclass(frozen=True)
class PowerLaw:
    """Rate of events rate * shape * age^(shape - 1); above 1 the shape says it worsens. NaN where there is no fit.

    Attributes:
        shape: Shape with its limits, exact where all engines were watched equally long and too wide where not.
        rate: Expected events of one engine up to age 1.
        covariance: Covariance of (log rate, shape) (2, 2).
        unbiased_shape: Shape without its bias in few events; NaN where a watch began late.
        log_likelihood: At the maximum.
        log_likelihood_constant: The same with shape 1.
        p: p value of shape 1 by the likelihood ratio.
        events: Events fitted.
        reason: Why there is no fit, '' where there is one.
    """

    shape: Estimates
    rate: float
    covariance: Floats
    unbiased_shape: float
    log_likelihood: float
    log_likelihood_constant: float
    p: float
    events: int
    reason: str


def histories(
    age: npt.ArrayLike,
    engine: npt.ArrayLike,
    end: npt.ArrayLike,
    *,
    begin: npt.ArrayLike | None = None,
    ended_by_event: npt.ArrayLike | None = None,
) -> Histories:
    """Gather the events of several engines.

    Args:
        age: Ages at the events (n,), zero or more, in days, kilometres or hours.
        engine: Engine of each event, 0 to engines - 1 (n,).
        end: Age at which each engine's watch ended (engines,).
        begin: Age at which it began (engines,); without it, zero.
        ended_by_event: Whether it was ended by the engine's last event, which then tells nothing (engines,): without
            it no watch was.

    Raises:
        ValueError: Lengths differ, an engine is unknown, or an age is not within its engine's watch.
    """
    ages, ends = np.asarray(age, dtype=np.float64), np.asarray(end, dtype=np.float64)
    codes = np.asarray(engine, dtype=np.int64)
    if len(ages) != len(codes) or codes.min(initial=0) < 0 or codes.max(initial=-1) >= len(ends):
        raise ValueError("every event needs an engine, and every engine an end of watch")
    begins = np.zeros(len(ends)) if begin is None else np.asarray(begin, dtype=np.float64)
    if len(begins) != len(ends) or not (np.isfinite(ends) & (begins >= 0) & (begins <= ends)).all():
        raise ValueError("every engine's watch must begin at age zero or later and not end before it begins")
    if not ((ages >= begins[codes]) & (ages <= ends[codes])).all():
        raise ValueError("every age must lie within its engine's watch")
    by_event = np.zeros(len(ends), dtype=bool) if ended_by_event is None else np.asarray(ended_by_event, dtype=bool)
    is_last = _last_events(ages, codes, ends, by_event)
    return Histories(ages, begins[codes], ends[codes], ~is_last, begins, ends, codes)


def _last_events(age: Floats, engine: Ints, end: Floats, ended_by_event: Bools) -> Bools:
    """Mark one event at the end of each watch that it ended (n,)."""
    at_end = np.flatnonzero(ended_by_event[engine] & (age == end[engine]))
    is_last = np.zeros(len(age), dtype=bool)
    is_last[at_end[np.unique(engine[at_end], return_index=True)[1]]] = True
    return is_last


def laplace_test(data: Histories) -> TrendTest:
    """Compare the events' mean age with the middle of the watch.

    Source: Laplace's test as in Cox & Lewis, The Statistical Analysis of Series of Events (1966), pooled over engines
    as in Ascher & Feingold, Repairable Systems Reliability (1984); NIST/SEMATECH e-Handbook, section 8.2.3.4.
    """
    age, since, until = (values[data.is_free] for values in (data.age, data.since, data.until))
    spread = np.sqrt(np.sum((until - since) ** 2) / 12.0)
    if not spread > 0:
        return TrendTest(np.nan, np.nan, np.nan, 0, NO_EVENTS)
    statistic = float(np.sum(age - (since + until) / 2.0) / spread)
    upper = float(scipy.special.ndtr(-statistic))
    return TrendTest(statistic, float(2.0 * scipy.special.ndtr(-abs(statistic))), upper, 0, "")


def robust_laplace_test(data: Histories) -> TrendTest:
    """Laplace's test with the spread seen between engines in place of the one independent events would have.

    Comebacks bring an engine's events in runs, and engines differ in how many they have: neither makes a trend here.

    Source: Lawless, Cigsar & Cook, Technometrics 54 (2012) 147 (from memory): the sum over an engine's events of their
    ages less the middle of its watch is one independent score of mean zero where its rate is constant.
    """
    free = data.is_free
    score = weighted_count(data.engine[free], (data.age - (data.since + data.until) / 2.0)[free], len(data.end))
    spread = float(np.sqrt(np.sum(score**2)))
    if not spread > 0:
        return TrendTest(np.nan, np.nan, np.nan, 0, NO_EVENTS)
    statistic = float(np.sum(score) / spread)
    upper = float(scipy.special.ndtr(-statistic))
    return TrendTest(statistic, float(2.0 * scipy.special.ndtr(-abs(statistic))), upper, 0, "")


def mil_hdbk_189_test(data: Histories) -> TrendTest:
    """Compare how far back in the watch the events lie, on the log scale, with chi-squared on two degrees each.

    Source: MIL-HDBK-189 (1981); NIST/SEMATECH e-Handbook, section 8.2.3.4. The best test against a power law.
    """
    age, until = data.age[data.is_free], data.until[data.is_free]
    degrees = 2 * len(age)
    if (data.begin > 0).any():
        return TrendTest(np.nan, np.nan, np.nan, degrees, LATE_WATCH)
    if not degrees or not (age > 0).all():
        return TrendTest(np.nan, np.nan, np.nan, degrees, AT_ZERO if degrees else NO_EVENTS)
    statistic = 2.0 * float(np.sum(np.log(until / age)))
    lower = float(scipy.special.chdtr(degrees, statistic))
    return TrendTest(statistic, min(1.0, 2.0 * min(lower, 1.0 - lower)), lower, degrees, "")


def _reason(data: Histories) -> str:
    """Why there is no power law, '' where there is one."""
    if not len(data.age):
        return NO_EVENTS
    if not (data.age > 0).all():
        return AT_ZERO
    return "" if (data.age < data.until).any() else AT_THE_END


def fit_power_law(data: Histories, *, confidence: float = 0.95) -> PowerLaw:
    """Fit the rate's power of age to all engines together by maximum likelihood.

    Events of different engines and of one engine are taken as independent given the age, repairs as leaving the engine
    as old as it was. Ages before a late watch began count for nothing, whatever happened there.

    Source: Crow, in Reliability and Biometry (1974) 379; MIL-HDBK-189 (1981); Rigdon & Basu, Statistical Methods for
    the Reliability of Repairable Systems (2000), chapters 4 and 5.
    """
    events, reason = len(data.age), _reason(data)
    shape = np.nan if reason else _shape(data)
    if reason or np.isnan(shape):
        nothing = np.asarray(np.nan)
        unknown = Estimates(nothing, nothing, nothing, nothing)
        no_covariance = np.full((2, 2), np.nan)
        return PowerLaw(unknown, np.nan, no_covariance, np.nan, np.nan, np.nan, np.nan, events, reason or NO_POWER)
    covariance = np.asarray(np.linalg.inv(_information(data, shape)), dtype=np.float64)
    fitted, constant = _log_likelihood(data, shape), _log_likelihood(data, 1.0)
    is_early = not (data.begin > 0).any()
    free = int(data.is_free.sum())
    return PowerLaw(
        shape=_shape_limits(data, shape, float(np.sqrt(covariance[1, 1])), confidence=confidence),
        rate=float(np.exp(_log_rate(data, shape))),
        covariance=covariance,
        unbiased_shape=shape * (free - 1) / events if is_early else np.nan,
        log_likelihood=fitted,
        log_likelihood_constant=constant,
        p=float(scipy.special.chdtrc(1, max(2.0 * (fitted - constant), 0.0))),
        events=events,
        reason="",
    )


def _powers(data: Histories, shape: float) -> tuple[float, float, float, float]:
    """Scale and sums over the engines of end^shape - begin^shape, and of it times the log of age once and twice.

    The sums are of ages over the longest, the scale is the longest age's logarithm.
    """
    scale = float(np.log(data.end.max()))
    sums = np.zeros(3)
    for age, sign in ((data.end, 1.0), (data.begin, -1.0)):
        logs = np.log(age[age > 0]) - scale
        power = np.exp(shape * logs)
        sums += sign * np.array([power.sum(), power @ logs, power @ logs**2])
    return scale, float(sums[0]), float(sums[1]), float(sums[2])


def _log_rate(data: Histories, shape: float) -> float:
    """Logarithm of the rate that expects the events seen."""
    scale, total, _, _ = _powers(data, shape)
    return float(np.log(len(data.age)) - np.log(total) - shape * scale)


def _shape(data: Histories) -> float:
    """Solve the likelihood equation for the shape, whose left side falls; NaN where it is below zero at every shape."""
    log_age = float(np.log(data.age).mean())

    def score(shape: float) -> float:
        scale, total, once, _ = _powers(data, shape)
        return 1.0 / shape + log_age - scale - once / total

    low = high = 1.0
    while score(high) > 0:
        high *= 2.0
    while score(low) < 0:
        low /= 2.0
        if low < SMALLEST_SHAPE:
            return np.nan
    return low if low == high else float(scipy.optimize.brentq(score, low, high, xtol=1e-15, rtol=1e-14))


def _information(data: Histories, shape: float) -> Floats:
    """Observed information about (log rate, shape) (2, 2)."""
    scale, total, once, twice = _powers(data, shape)
    events = len(data.age)
    mean = scale + once / total
    mean_square = scale**2 + 2.0 * scale * once / total + twice / total
    return events * np.array([[1.0, mean], [mean, 1.0 / shape**2 + mean_square]])


def _log_likelihood(data: Histories, shape: float) -> float:
    """Log-likelihood at a shape and its best rate."""
    each = _log_rate(data, shape) + np.log(shape) + (shape - 1.0) * np.log(data.age)
    return float(np.sum(each)) - len(data.age)


def _shape_limits(data: Histories, shape: float, error: float, *, confidence: float) -> Estimates:
    """Limits of the shape: 2 free events times it, over its estimate, is chi-squared on as many degrees.

    Where a watch began late they are on the log scale instead. With no event free to come when it will there are none.
    """
    z, free = normal_quantile(confidence), int(data.is_free.sum())
    if (data.begin > 0).any():
        low, high = shape * np.exp(-z * error / shape), shape * np.exp(z * error / shape)
    elif free:
        tail = (1.0 - confidence) / 2.0
        low, high = shape * scipy.special.chdtri(2.0 * free, np.array([1.0 - tail, tail])) / (2.0 * len(data.age))
    else:
        low = high = np.nan
    return Estimates(np.asarray(shape), np.asarray(error), np.asarray(low), np.asarray(high))


def robust_shape(data: Histories, fit: PowerLaw, *, confidence: float = 0.95) -> Estimates:
    """The power law's shape with limits, on the log scale, that let an engine's events depend on each other.

    Source: White, Econometrica 50 (1982) 1: the covariance between the scores of the engines' likelihoods.
    """
    if fit.reason:
        return fit.shape
    shape = float(fit.shape.estimate)

    def powers(age: Floats) -> Floats:
        """Expected events of an engine up to an age, and their derivative by the shape (engines, 2)."""
        logs = np.log(np.where(age > 0, age, 1.0))
        expected = np.where(age > 0, fit.rate * np.exp(shape * logs), 0.0)
        return np.stack([expected, expected * logs], axis=1)

    scores = powers(data.begin) - powers(data.end)
    np.add.at(scores, data.engine, np.stack([np.ones_like(data.age), 1.0 / shape + np.log(data.age)], axis=1))
    error = float(np.sqrt((fit.covariance @ scores.T @ scores @ fit.covariance)[1, 1]))
    factor = np.exp(normal_quantile(confidence) * error / shape)
    return Estimates(fit.shape.estimate, np.asarray(error), np.asarray(shape / factor), np.asarray(shape * factor))


def time_between_events(fit: PowerLaw, age: float, *, confidence: float = 0.95) -> Estimates:
    """Mean time between one engine's events at the end of its watch, with the limits of a watch ended by the clock.

    The estimate is that of the unbiased shape.

    Args:
        fit: The fit of one engine.
        age: End of its watch.
        confidence: Level of the limits.

    Source: NIST/SEMATECH e-Handbook, section 8.4.5.1, after Crow (1982).
    """
    z, n = normal_quantile(confidence), fit.events
    mean = age / (n * fit.unbiased_shape) if fit.unbiased_shape > 0 else np.nan
    far = n + z**2 / 4.0 + np.sqrt(n * z**2 / 2.0 + z**4 / 16.0)
    near = n - z * np.sqrt(n / 2.0)
    high = mean * n * (n - 1) / near**2 if near > 0 else np.inf
    return Estimates(np.asarray(mean), np.asarray(np.nan), np.asarray(mean * n * (n - 1) / far**2), np.asarray(high))
