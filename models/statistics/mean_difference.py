"""Difference of two means within strata, with errors that allow for clusters."""

import numpy as np
import numpy.typing as npt

from models.statistics.clustering import cluster_codes
from models.statistics.intervals import Estimates, normal_quantile
from models.statistics.risk_table import weighted_count


def mean_difference(
    value: npt.ArrayLike,
    is_treated: npt.ArrayLike,
    *,
    stratum: npt.ArrayLike,
    cluster: npt.ArrayLike,
    confidence: float = 0.95,
) -> Estimates:
    """Mean of those treated less that of the others in the same stratum, least squares over all strata together.

    A stratum with one kind only adds nothing.

    Args:
        value: What is compared (n,).
        is_treated: Which of the two each is (n,).
        stratum: Stratum code of each, zero or more (n,).
        cluster: Cluster code of each, zero or more (n,).
        confidence: Level of the limits.

    Returns:
        The difference with its limits; NaN where no stratum has both kinds.

    Raises:
        ValueError: Codes are negative or not one for each value.

    Source: the coefficient of a regression with an intercept a stratum, by Frisch & Waugh, Econometrica 1 (1933) 387;
    its clustered variance by Liang & Zeger, Biometrika 73 (1986) 13, without a small-sample factor.
    """
    values, treated = np.asarray(value, dtype=np.float64), np.asarray(is_treated, dtype=np.float64)
    strata, clusters = cluster_codes(stratum, len(values)), cluster_codes(cluster, len(values))
    size = np.maximum(weighted_count(strata, np.ones(len(values)), 0), 1.0)
    own, other = (column - (weighted_count(strata, column, 0) / size)[strata] for column in (treated, values))
    spread = float(own @ own)
    if spread == 0:
        return Estimates(*(np.asarray(np.nan) for _ in range(4)))
    difference = float(own @ other) / spread
    influence = weighted_count(clusters, own * (other - difference * own), 0) / spread
    error = float(np.sqrt(influence @ influence))
    reach = normal_quantile(confidence) * error
    return Estimates(*(np.asarray(each) for each in (difference, error, difference - reach, difference + reach)))
