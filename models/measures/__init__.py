"""The figures made from episodes, one table a file: an episodes frame in, a frame of `models.tables.measures` out.

Where a measure has groups they are every combination of engine family, repair method and site with each of them also
standing at '' for all, on the scales of days, kilometres and engine hours; episodes whose distance or hours are not
known are left out there. Competing ends count as such in a share that leaked again, as censored elsewhere. A figure of
a group with fewer than `min_episodes` episodes or `min_events` re-leaks is null, with the reason beside it and its
counts shown; how many of the episodes are still watched decides nothing. All intervals are clustered by vehicle, but
for those named exact, which take every re-leak for itself.
"""

from collections.abc import Callable
from inspect import signature

import polars as pl

from models.measures.bolt_comparison import bolt_comparison
from models.measures.bolt_worth import bolt_worth
from models.measures.comeback_shares import comeback_shares
from models.measures.cusum import cusum
from models.measures.leak_rates import leak_rates
from models.measures.leak_timing import leak_timing, leak_timing_curve
from models.measures.method_effects import method_effects
from models.measures.oil_ratios import oil_ratios
from models.measures.oil_trends import oil_trends
from models.measures.recurrence import recurrence
from models.measures.recurrence_curve import recurrence_curve
from models.measures.repair_trends import repair_trends
from models.measures.repairs_by_age import repairs_by_age
from models.measures.site_comparison import site_comparison
from models.measures.step_effects import step_effects
from models.measures.time_to_releak import time_to_releak
from models.tables import LAYERS

__all__ = [
    "bolt_comparison",
    "bolt_worth",
    "comeback_shares",
    "cusum",
    "inputs_of",
    "leak_rates",
    "leak_timing",
    "leak_timing_curve",
    "method_effects",
    "oil_ratios",
    "oil_trends",
    "recurrence",
    "recurrence_curve",
    "repair_trends",
    "repairs_by_age",
    "site_comparison",
    "step_effects",
    "time_to_releak",
]


def inputs_of(measure: Callable[..., pl.DataFrame]) -> tuple[str, ...]:
    """Name the tables a measure is computed from: its frame parameters are named after them."""
    declared = {table for tables in LAYERS.values() for table in tables}
    return tuple(name for name in signature(measure).parameters if name in declared)
