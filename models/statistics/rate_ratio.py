"""The ratio of two rates at which something accumulates between events, with limits by Fisher's F."""

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.intervals import Estimates
from models.statistics.risk_table import Floats

MIN_PAIRS = 30
"""Fewer pairs of neighbours say too little of how even gaps are: their shape is then 1, that of gaps left to chance."""
MAX_SHAPE = 25.0
"""Gaps with a coefficient of variation of 0.2: nobody tops up more evenly than a dipstick is read. Judgement of the
house."""


def gamma_shape(first: npt.ArrayLike, second: npt.ArrayLike) -> float:
    """Shape of the gamma distribution of gaps, from pairs of neighbouring ones (n,) of each unit.

    Of two independent gaps of shape k and any common scale the first's share of their sum follows Beta(k, k), so that
    the squared difference over the squared sum is 1 / (2 k + 1) on average. The scale may differ from pair to pair, so
    neither units of different rates nor rates that drift matter; rates that jump, and errors that neighbours share,
    make the shape too small, which only widens limits.

    Returns:
        The shape, at most `MAX_SHAPE`; 1 where there are fewer than `MIN_PAIRS` pairs.

    Source: moments of the beta distribution.
    """
    one, other = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if one.size < MIN_PAIRS:
        return 1.0
    spread = float(np.mean(((one - other) / (one + other)) ** 2))
    return MAX_SHAPE if spread * (2.0 * MAX_SHAPE + 1.0) <= 1.0 else (1.0 / spread - 1.0) / 2.0


def rate_ratio(
    rate: npt.ArrayLike,
    base_rate: npt.ArrayLike,
    events: npt.ArrayLike,
    base_events: npt.ArrayLike,
    *,
    shape: float = 1.0,
    confidence: float = 0.95,
) -> Estimates:
    """Ratio of two rates, each an amount over the exposure that its events ended.

    Exposure per event follows a gamma distribution of the given shape, so a true rate over its estimate is a
    chi-squared variable of 2 x shape x events degrees of freedom over them, and the ratio of two follows F. With shape
    1 the exposures are exponential, each up to its last event.

    Args:
        rate: Amount over exposure (...).
        base_rate: That of what it is compared with.
        events: Events it rests on; with events of unequal amounts their effective number, (sum)^2 / sum of squares.
        base_events: Those of the base.
        shape: Of the gamma distribution.
        confidence: Level of the limits.

    Returns:
        Ratios with their limits, NaN where either has no events; the standard error is that of the logarithm, by the
        delta method.

    Raises:
        ValueError: The shape is not positive, or the confidence does not lie between 0 and 1.

    Source: Cox, Biometrika 40 (1953) 354; Lawless, Statistical Models and Methods for Lifetime Data (2003), gamma and
    exponential samples (from memory).
    """
    if shape <= 0:
        raise ValueError(f"shape is {shape}; it must be above 0")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}; it must lie between 0 and 1")
    own, base = (_degrees(count, shape) for count in (events, base_events))
    compared = np.asarray(base_rate, dtype=np.float64)
    ratio = np.divide(rate, compared, out=np.full(np.broadcast(rate, compared).shape, np.nan), where=compared > 0)
    tail = (1.0 - confidence) / 2.0
    low, high = (ratio / scipy.special.fdtri(base, own, level) for level in (1.0 - tail, tail))
    return Estimates(ratio, np.sqrt(2.0 / own + 2.0 / base), low, high)


def _degrees(events: npt.ArrayLike, shape: float) -> Floats:
    """Degrees of freedom; NaN where there are no events."""
    degrees = 2.0 * shape * np.asarray(events, dtype=np.float64)
    return np.where(degrees > 0, degrees, np.nan)
