"""Limits an observed-over-expected ratio stays within by chance alone, by how much was expected."""

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.risk_table import Bools, Floats


def funnel_limits(expected: npt.ArrayLike, *, confidence: float) -> tuple[Floats, Floats]:
    """Lower and upper limits of observed over expected where the true ratio is 1; NaN where nothing is expected.

    Poisson quantiles interpolated between counts, so that the line is smooth; kept at 0 or above.

    Raises:
        ValueError: The confidence does not lie between 0 and 1.

    Source: Spiegelhalter, Statistics in Medicine 24 (2005) 1185, appendix A.1.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}; it must lie between 0 and 1")
    mean = np.asarray(expected, dtype=np.float64)
    tail = (1.0 - confidence) / 2.0
    return _interpolated(mean, tail), _interpolated(mean, 1.0 - tail)


def _interpolated(mean: Floats, probability: float) -> Floats:
    """Interpolated Poisson quantile over its mean."""
    base = np.where(mean > 0, mean, 1.0)
    quantile = _poisson_quantile(base, probability)
    reached = scipy.special.pdtr(quantile, base)
    before = np.where(quantile > 0, scipy.special.pdtr(np.maximum(quantile - 1.0, 0.0), base), 0.0)
    limit = (quantile - (reached - probability) / (reached - before)) / base
    return np.asarray(np.where(mean > 0, np.maximum(limit, 0.0), np.nan))


def _poisson_quantile(mean: Floats, probability: float) -> Floats:
    """Smallest count whose distribution function reaches the probability."""
    quantile: Floats = np.ceil(scipy.special.pdtrik(probability, mean))
    below = np.maximum(quantile - 1.0, 0.0)
    is_enough: Bools = scipy.special.pdtr(below, mean) >= probability
    return np.where(is_enough, below, quantile)
