"""The curves of recurrence and of the leak-free share, thinned for drawing."""

import numpy as np
import polars as pl

from models.measures.cube import GROUP_COLUMNS, Cube, cubes
from models.measures.thinning import evenly_kept
from models.settings import MeasureRules
from models.statistics.aalen_johansen import aalen_johansen
from models.statistics.few_clusters import MIN_CLUSTERS
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.risk_table import Bools, Floats, Ints, group_sum
from models.tables import conform
from models.tables.measures import RecurrenceCurve


def recurrence_curve(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Points of both curves, for every group of at least `min_episodes` episodes and `min_events` re-leaks.

    Each point holds the exact value from its time on, so the curve is drawn as steps: from time zero to the longest
    time watched, or the last horizon of `recurrence` where that comes first. Of a curve with many steps an even choice
    is kept, the last among them. As for a rate, how many are still watched decides nothing: the band shows it.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.RecurrenceCurve`, sorted by its keys.
    """
    points = pl.concat(_points(cube, rules=rules) for cube in cubes(episodes))
    return conform(points.sort(*GROUP_COLUMNS, "time_scale", "time"), RecurrenceCurve)


def _points(cube: Cube, *, rules: MeasureRules) -> pl.DataFrame:
    """Points of the curves of one time scale."""
    table = cube.table
    is_reached = table.time <= max(rules.horizons(cube.time_scale))
    events = group_sum(table, table.events * is_reached)
    is_drawn = (table.sizes >= rules.min_episodes) & (events >= rules.min_events) & (cube.vehicles >= MIN_CLUSTERS)
    is_last = is_reached & np.append(~is_reached[1:] | (np.diff(table.row_group) != 0), True)[: len(is_reached)]
    kept = np.flatnonzero(is_drawn[table.row_group] & (_steps(cube, is_reached) | is_last))
    starts_late = is_drawn & ~np.isin(np.arange(table.groups), table.row_group[kept][table.time[kept] == 0])
    return pl.concat([_origin(cube, np.flatnonzero(starts_late)), _curve_rows(cube, kept, rules=rules)])


def _steps(cube: Cube, is_reached: Bools) -> Bools:
    """Mark the rows at which each group's curve is drawn to step, and one at time zero besides (rows,)."""
    table = cube.table
    is_step = is_reached & (table.events > 0)
    return np.asarray(evenly_kept(is_step, table.start) | (is_step & (table.time == 0)))


def _curve_rows(cube: Cube, rows: Ints, *, rules: MeasureRules) -> pl.DataFrame:
    """Both curves at some rows of the risk table."""
    table = cube.table
    reach = cube.reach(confidence=rules.confidence)
    incidence = aalen_johansen(table, clusters=cube.clusters, reach=reach)
    survival = kaplan_meier(table, clusters=cube.clusters, reach=reach)
    columns: dict[str, Floats] = {
        "time": table.time,
        "recurrence": incidence.incidence,
        "recurrence_low": incidence.low,
        "recurrence_high": incidence.high,
        "leak_free": survival.survival,
        "leak_free_low": survival.low,
        "leak_free_high": survival.high,
        "at_risk": table.at_risk,
    }
    return cube.cells[table.row_group[rows]].with_columns(
        pl.Series(name, values[rows], nan_to_null=True) for name, values in columns.items()
    )


def _origin(cube: Cube, groups: Ints) -> pl.DataFrame:
    """Time zero of some groups: all dry, all watched."""
    none, all_dry = pl.lit(0.0), pl.lit(1.0)
    return cube.cells[groups].with_columns(
        time=none,
        recurrence=none,
        recurrence_low=none,
        recurrence_high=none,
        leak_free=all_dry,
        leak_free_low=all_dry,
        leak_free_high=all_dry,
        at_risk=pl.Series(cube.table.sizes[groups], dtype=pl.Float64),
    )
