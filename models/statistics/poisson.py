"""Counts of events against exposure or expectation: exact Poisson limits and p values."""

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.intervals import Estimates
from models.statistics.risk_table import Floats


def garwood_limits(count: npt.ArrayLike, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Exact limits of the mean of a Poisson count, of any shape; the lower limit of 0 is 0. A count need not be whole.

    Raises:
        ValueError: A count is negative, or the confidence does not lie between 0 and 1.

    Source: Garwood, Biometrika 28 (1936) 437, through chi-squared quantiles.
    """
    counts = np.asarray(count, dtype=np.float64)
    if (counts < 0).any():
        raise ValueError("a count must be zero or more")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}; it must lie between 0 and 1")
    tail = (1.0 - confidence) / 2.0
    low = np.where(counts > 0, scipy.special.chdtri(2.0 * np.where(counts > 0, counts, 1.0), 1.0 - tail) / 2.0, 0.0)
    return low, np.asarray(scipy.special.chdtri(2.0 * (counts + 1.0), tail) / 2.0)


def poisson_ratio(count: npt.ArrayLike, exposure: npt.ArrayLike, *, confidence: float = 0.95) -> Estimates:
    """Events per unit of exposure, or observed over expected, with exact limits; NaN where the exposure is 0.

    The standard error is the square root of the count over the exposure.

    Raises:
        ValueError: A count or an exposure is negative, or the confidence does not lie between 0 and 1.
    """
    counts, base = np.asarray(count, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    if (base < 0).any():
        raise ValueError("an exposure must be zero or more")
    low, high = garwood_limits(counts, confidence=confidence)
    unit = np.divide(1.0, base, out=np.full(base.shape, np.nan), where=base > 0)
    return Estimates(counts * unit, np.sqrt(counts) * unit, low * unit, high * unit)


def poisson_p_value(count: npt.ArrayLike, expected: npt.ArrayLike) -> Floats:
    """Two-sided exact p value of a count given its expectation: twice the smaller tail, as in Garwood's limits."""
    counts, mean = np.asarray(count, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    below = scipy.special.pdtr(counts, mean)
    above = np.where(counts > 0, scipy.special.pdtrc(np.maximum(counts - 1.0, 0.0), mean), 1.0)
    return np.asarray(np.minimum(2.0 * np.minimum(below, above), 1.0))
