"""Estimates with their limits, and the transformations the limits are taken on."""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from models.statistics.risk_table import Floats


@dataclass(frozen=True)
class Estimates:
    """Figures of the same kind, one a group or one a group and horizon; NaN where there is none.

    Attributes:
        estimate: The figures.
        standard_error: Their standard errors.
        low: Lower limits.
        high: Upper limits.
    """

    estimate: Floats
    standard_error: Floats
    low: Floats
    high: Floats


def normal_quantile(confidence: float) -> float:
    """Quantile of the standard normal that leaves (1 - confidence) / 2 above it.

    Raises:
        ValueError: The confidence does not lie between 0 and 1.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}; it must lie between 0 and 1")
    return NormalDist().inv_cdf((1 + confidence) / 2)


def group_reach(reach: npt.ArrayLike | None, *, confidence: float, groups: int) -> Floats:
    """Standard errors between an estimate and its limits (groups,): those given, or the normal quantile."""
    return np.broadcast_to(normal_quantile(confidence) if reach is None else np.asarray(reach, np.float64), (groups,))


def log_log_limits(share: Floats, standard_error: Floats, *, reach: Floats | float) -> tuple[Floats, Floats]:
    """Limits of a probability on the log(-log) scale, as `conf.type = "log-log"` of R's `survfit`.

    NaN where the probability is 0 or 1: the transformation has no value there.

    Args:
        share: The probabilities.
        standard_error: Their standard errors.
        reach: Standard errors between an estimate and its limits, on that scale; the normal quantile as a rule.

    Source: Kalbfleisch & Prentice, The Statistical Analysis of Failure Time Data, 2nd ed. (2002), section 1.4; for
    cumulative incidence: Choudhury, Statistics in Medicine 21 (2002) 1129.
    """
    inside = (share > 0) & (share < 1)
    inner = np.where(inside, share, 0.5)
    spread = reach * standard_error / (inner * np.abs(np.log(inner)))
    with np.errstate(over="ignore"):
        low, high = inner ** np.exp(spread), inner ** np.exp(-spread)
    return np.where(inside, low, np.nan), np.where(inside, high, np.nan)


def lower_limit_of_all(count: Floats, *, confidence: float) -> Floats:
    """Lower limit of a share seen in every one of `count`; the upper one is 1.

    Source: Clopper & Pearson, Biometrika 26 (1934) 404: ((1 - confidence) / 2)^(1 / count).
    """
    return np.asarray(((1.0 - confidence) / 2.0) ** (1.0 / np.maximum(count, 1.0)))
