"""Ratios drawn towards their common mean by as much as their small numbers call for: gamma-Poisson."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.risk_table import Floats

MIN_UNITS = 3
"""A spread between units cannot be told from fewer."""


@dataclass(frozen=True)
class ShrunkRatios:
    """Posterior ratios under a gamma prior fitted to all units.

    Attributes:
        ratio: Posterior means (units,); the pooled ratio where no spread was found, NaN where none could be fitted.
        low: Lower posterior limits (units,); NaN where no spread was found.
        high: Upper posterior limits (units,); NaN where no spread was found.
        prior_shape: Shape of the prior; infinite where the units differ no more than chance, NaN where not fitted.
        prior_rate: Rate of the prior, likewise.
        log_likelihood: Marginal log-likelihood at the fit.
        reason: Why there are no limits, '' where there are.
    """

    ratio: Floats
    low: Floats
    high: Floats
    prior_shape: float
    prior_rate: float
    log_likelihood: float
    reason: str


def shrink_ratios(observed: npt.ArrayLike, expected: npt.ArrayLike, *, confidence: float = 0.95) -> ShrunkRatios:
    """Shrink observed over expected of each unit, the prior found by marginal maximum likelihood.

    Args:
        observed: Events of each unit (units,).
        expected: Expected events, or exposure, of each unit, above 0 (units,).
        confidence: Level of the posterior limits.

    Raises:
        ValueError: Lengths differ, a count is negative, or an expectation is not above 0.

    Source: Clayton & Kaldor, Biometrics 43 (1987) 671; example: Gaver & O'Muircheartaigh, Technometrics 29 (1987) 1.
    """
    counts, base = np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    if counts.shape != base.shape or (counts < 0).any() or not (base > 0).all():
        raise ValueError("each unit needs a count of zero or more and an expectation above 0")
    if len(counts) < MIN_UNITS:
        return _unshrunk(len(counts), np.nan, np.nan, f"{len(counts)} are too few to tell a spread")
    if counts.sum() == 0:
        return _unshrunk(len(counts), np.nan, np.nan, "no events")
    pooled = counts.sum() / base.sum()
    if np.sum((counts - pooled * base) ** 2 - counts) <= 0:
        return _unshrunk(len(counts), pooled, np.inf, "they differ no more than chance would have them")
    shape, rate = _prior(counts, base)
    return shrink_with_prior(counts, base, shape, rate, confidence=confidence)


def shrink_with_prior(
    observed: npt.ArrayLike, expected: npt.ArrayLike, shape: float, rate: float, *, confidence: float = 0.95
) -> ShrunkRatios:
    """Shrink observed over expected of each unit by a given gamma prior."""
    counts, base = np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    posterior_shape, posterior_rate = shape + counts, rate + base
    tail = (1.0 - confidence) / 2.0
    return ShrunkRatios(
        ratio=posterior_shape / posterior_rate,
        low=scipy.special.gammaincinv(posterior_shape, tail) / posterior_rate,
        high=scipy.special.gammaincinv(posterior_shape, 1.0 - tail) / posterior_rate,
        prior_shape=shape,
        prior_rate=rate,
        log_likelihood=_log_likelihood(np.log([shape, rate]), counts, base),
        reason="",
    )


def _unshrunk(units: int, ratio: float, prior: float, reason: str) -> ShrunkRatios:
    """Give every unit the same ratio, without limits."""
    none = np.full(units, np.nan)
    return ShrunkRatios(np.full(units, ratio), none, none, prior, prior, np.nan, reason)


def _prior(counts: Floats, base: Floats) -> tuple[float, float]:
    """Shape and rate of the prior that make the counts most likely (negative binomial)."""
    ratio = counts / base
    mean = counts.sum() / base.sum()
    spread = max(float(np.average((ratio - mean) ** 2, weights=base)) - mean / float(base.mean()), 0.01 * mean**2)
    start = np.log([mean**2 / spread, mean / spread])
    found = scipy.optimize.minimize(
        lambda x: -_log_likelihood(x, counts, base),
        start,
        jac=lambda x: -_gradient(x, counts, base),
        hess=lambda x: -_hessian(x, counts, base),
        method="trust-exact",
        options={"gtol": 1e-10},
    )
    shape, rate = np.exp(found.x)
    return float(shape), float(rate)


def _log_likelihood(log_prior: Floats, counts: Floats, base: Floats) -> float:
    """Marginal log-likelihood of the counts."""
    shape, rate = np.exp(log_prior)
    share = np.log(base / (rate + base))
    gammaln = scipy.special.gammaln
    terms = gammaln(shape + counts) - gammaln(shape) - gammaln(counts + 1.0) + counts * share
    return float(np.sum(terms - shape * np.log1p(base / rate)))


def _slopes(log_prior: Floats, counts: Floats, base: Floats) -> tuple[float, float]:
    """Derivatives of the log-likelihood by shape and rate."""
    shape, rate = np.exp(log_prior)
    by_shape = np.sum(scipy.special.digamma(shape + counts) - scipy.special.digamma(shape) - np.log1p(base / rate))
    by_rate = np.sum(shape / rate - (shape + counts) / (rate + base))
    return float(by_shape), float(by_rate)


def _gradient(log_prior: Floats, counts: Floats, base: Floats) -> Floats:
    """Gradient by log shape and log rate."""
    return np.asarray(np.exp(log_prior) * np.array(_slopes(log_prior, counts, base)))


def _hessian(log_prior: Floats, counts: Floats, base: Floats) -> Floats:
    """Second derivatives by log shape and log rate."""
    shape, rate = np.exp(log_prior)
    by_shape = np.sum(scipy.special.polygamma(1, shape + counts) - scipy.special.polygamma(1, shape))
    by_rate = np.sum((shape + counts) / (rate + base) ** 2 - shape / rate**2)
    mixed = np.sum(1.0 / rate - 1.0 / (rate + base))
    by_both = np.array([[by_shape, mixed], [mixed, by_rate]])
    scale = np.array([shape, rate])
    return np.asarray(by_both * np.outer(scale, scale) + np.diag(_gradient(log_prior, counts, base)))
