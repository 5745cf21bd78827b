"""Repair methods against the most frequent one, on engines of the same family, site and age."""

import numpy as np
import polars as pl

from models.measures.contrasts import contrasts, with_q_values
from models.measures.pooled_model import with_age
from models.settings import MeasureRules
from models.tables import conform
from models.tables.ledger import REPAIR_METHODS
from models.tables.measures import TIME_SCALES, MethodEffects

UNSTATED = REPAIR_METHODS[-1]


def method_effects(episodes: pl.DataFrame, engine_periods: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Hazard ratio of re-leak of every method against the most frequent one, and the difference it makes.

    See `models.measures.contrasts`. A method with fewer than `min_episodes` episodes or `min_events` re-leaks has its
    counts and no ratio. Nobody drew lots over which repair was made how: what engine family, site and age do not tell
    of an engine is not allowed for.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        rules: Horizons, level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.MethodEffects`, sorted by its keys.
    """
    aged = with_age(episodes, engine_periods)
    effects = [_on_scale(aged, time_scale=scale, rules=rules) for scale in TIME_SCALES]
    shown = pl.concat(effects, how="diagonal_relaxed").pipe(with_q_values).rename({"level": "repair_method"})
    return conform(shown, MethodEffects).sort(MethodEffects.primary_key())


def _on_scale(aged: pl.DataFrame, *, time_scale: str, rules: MeasureRules) -> pl.DataFrame:
    """The contrasts of one time scale."""
    ordered = aged.drop_nulls(time_scale).sort(time_scale, "vehicle_id", "episode_id")
    nothing = np.zeros((len(ordered), 0))
    levels = by_frequency(ordered["repair_method"])
    horizons = [rules.difference(time_scale)]
    return contrasts(
        ordered, "repair_method", levels, others=nothing, time_scale=time_scale, horizons=horizons, rules=rules
    )


def by_frequency(methods: pl.Series) -> tuple[str, ...]:
    """The methods there are, the most frequent stated one first; of equals the one that renews less."""
    frequency = {method: int((methods == method).sum()) for method in REPAIR_METHODS}
    present = [method for method in REPAIR_METHODS if frequency[method]]
    return tuple(sorted(present, key=lambda method: (method == UNSTATED, -frequency[method]))) or (REPAIR_METHODS[2],)
