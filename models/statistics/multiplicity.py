"""Allowing for how many comparisons were looked at."""

import numpy as np
import numpy.typing as npt

from models.statistics.risk_table import Floats


def benjamini_hochberg(p_values: npt.ArrayLike) -> Floats:
    """Adjust p values so that calling those below q significant keeps the false share of the calls at q (tests,).

    NaN marks a comparison that was not made: it stays NaN and does not count.

    Raises:
        ValueError: A p value lies outside 0 to 1.

    Source: Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995) 289.
    """
    p = np.asarray(p_values, dtype=np.float64)
    made = ~np.isnan(p)
    tests = p[made]
    if not ((tests >= 0) & (tests <= 1)).all():
        raise ValueError("every p value must lie in 0 to 1")
    order = np.argsort(tests, kind="stable")[::-1]
    scaled = tests[order] * len(tests) / np.arange(len(tests), 0, -1)
    adjusted = np.full(p.shape, np.nan)
    lowest = np.empty_like(tests)
    lowest[order] = np.minimum(np.minimum.accumulate(scaled), 1.0)
    adjusted[made] = lowest
    return adjusted
