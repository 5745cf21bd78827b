"""How many repairs have leaked again by each horizon."""

import numpy as np
import polars as pl

from models.measures.cube import GROUP_COLUMNS, Cube, cubes
from models.measures.reasons import not_watched_that_long, too_few, too_few_vehicles
from models.settings import MeasureRules
from models.statistics.aalen_johansen import incidence_at
from models.statistics.risk_table import at_risk_at, count_up_to, known_until
from models.tables import conform
from models.tables.measures import Recurrence


def recurrence(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Cumulative incidence of re-leak by each horizon, for every group.

    Events, competing ends and those at risk are counted at the horizon. A rate is null where the group has fewer than
    `min_episodes` episodes or by then fewer than `min_events` re-leaks, where they are of too few vehicles, and
    beyond the longest time watched, unless every episode had ended otherwise than by the end of watching. It does not
    depend on how many are still watched at the horizon: that would show the groups that held and hide those that
    leaked.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Horizons, level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.Recurrence`, sorted by its keys.
    """
    rates = pl.concat(_rates(cube, rules=rules) for cube in cubes(episodes))
    reason = pl.coalesce(too_few(rules=rules), too_few_vehicles(), not_watched_that_long())
    shown = rates.with_columns(reason=reason)
    figures = ("rate", "low", "high", "standard_error")
    shown = shown.with_columns(pl.when(pl.col("reason").is_null()).then(pl.col(figure)) for figure in figures)
    return conform(shown.sort(*GROUP_COLUMNS, "time_scale", "horizon"), Recurrence)


def _rates(cube: Cube, *, rules: MeasureRules) -> pl.DataFrame:
    """Rates and counts of one time scale, shown or not."""
    table = cube.table
    horizons = np.unique(rules.horizons(cube.time_scale))
    reach = cube.reach(confidence=rules.confidence)
    share = incidence_at(table, horizons, clusters=cube.clusters, reach=reach)
    latest = known_until(table, table.events + table.competing)
    return cube.rows(
        len(horizons),
        {
            "horizon": np.tile(horizons, table.groups),
            "rate": share.estimate,
            "low": share.low,
            "high": share.high,
            "standard_error": share.standard_error,
            "n": np.repeat(table.sizes, len(horizons)),
            "events": count_up_to(table, table.events, horizons),
            "competing": count_up_to(table, table.competing, horizons),
            "at_risk": at_risk_at(table, horizons),
            "vehicles": np.repeat(cube.vehicles, len(horizons)),
            "known_until": np.repeat(latest, len(horizons)),
        },
    )
