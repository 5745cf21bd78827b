"""Re-leaks per vehicle-year, per 100,000 km and per 1,000 engine hours."""

import polars as pl

from models.measures.cube import GROUP_COLUMNS, Cube, cubes
from models.measures.reasons import too_few, too_few_vehicles
from models.settings import MeasureRules
from models.statistics.effective_count import count_variance, dispersion, effective_ratio
from models.statistics.poisson import poisson_ratio
from models.statistics.risk_table import group_sum
from models.tables import conform
from models.tables.measures import LeakRates

DAYS_PER_YEAR = 365.25
KM_PER_UNIT = 100_000.0
HOURS_PER_UNIT = 1_000.0
EXPOSURE_UNIT = {"days": DAYS_PER_YEAR, "km": KM_PER_UNIT, "hours": HOURS_PER_UNIT}


def leak_rates(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Re-leaks per exposure, its interval clustered by vehicle and beside it the exact Poisson one, for every group.

    Exposure is the time repaired covers were watched: vehicle-years on the scale of days, 100,000 km on that of km,
    1,000 hours on that of engine hours. The two covers of a two-bank engine are watched each for itself. The exact
    interval takes every re-leak for itself: it is too short where some vehicles leak more than others, and too long
    where most covers end in a re-leak.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.LeakRates`, sorted by its keys.
    """
    rates = pl.concat(_rates(cube, rules=rules) for cube in cubes(episodes))
    unexposed = pl.when(pl.col("exposure") == 0).then(pl.lit("no time watched"))
    shown = rates.with_columns(reason=pl.coalesce(too_few(rules=rules), too_few_vehicles(), unexposed))
    figures = ("rate", "low", "high", "exact_low", "exact_high")
    shown = shown.with_columns(pl.when(pl.col("reason").is_null()).then(pl.col(figures)))
    return conform(shown.sort(*GROUP_COLUMNS, "time_scale"), LeakRates)


def _rates(cube: Cube, *, rules: MeasureRules) -> pl.DataFrame:
    """Rates of one time scale, shown or not."""
    table = cube.table
    events = group_sum(table, table.events)
    exposure = group_sum(table, table.exits * table.time) / EXPOSURE_UNIT[cube.time_scale]
    variance = count_variance(table, cube.clusters)
    reach = cube.reach(confidence=rules.confidence)
    scatter = dispersion(events, variance, reach=reach, confidence=rules.confidence)
    rate = effective_ratio(events, exposure, scatter, confidence=rules.confidence)
    exact = poisson_ratio(events, exposure, confidence=rules.confidence)
    return cube.rows(
        1,
        {
            "events": events,
            "exposure": exposure,
            "rate": rate.estimate,
            "low": rate.low,
            "high": rate.high,
            "exact_low": exact.low,
            "exact_high": exact.high,
            "vehicles": cube.vehicles,
            "n": table.sizes,
        },
    )
