"""Whether engines of a family need repairs for leaks ever more often as they age."""

from typing import Any

import numpy as np
import polars as pl

from models.measures.contrasts import adjusted_p_values
from models.measures.cube import with_all_families
from models.measures.engine_watch import ENGINE, leak_repairs, repair_days, watched_engines
from models.measures.leak_rates import DAYS_PER_YEAR
from models.measures.reasons import too_few
from models.settings import MeasureRules
from models.statistics.trend import (
    Histories,
    fit_power_law,
    histories,
    laplace_test,
    mil_hdbk_189_test,
    robust_laplace_test,
    robust_shape,
)
from models.tables import conform
from models.tables.measures import RepairTrends

FAMILIES_DIFFER = "no power law: engine families differ"
FIGURES = ("laplace", "laplace_p", "robust_p", "mil_hdbk_189", "mil_hdbk_189_p", "shape", "low", "high", "shape_p")


def repair_trends(
    episodes: pl.DataFrame, engine_periods: pl.DataFrame, last_records: pl.DataFrame, *, rules: MeasureRules
) -> pl.DataFrame:
    """Trend tests and the power law of repairs for a leak by an engine's age, for every family.

    Engines are watched as `models.measures.engine_watch` says; a repair that is the vehicle's last record ended the
    watch and tells the tests nothing. The two Laplace tests compare within each engine, so
    that engines may differ; the second lets repairs of one engine come in runs as well, as comebacks do, and is the
    one to go by. MIL-HDBK-189's has no value where any engine was watched only since a later age. The power law pools
    the engines of a family; its limits are clustered by engine.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        last_records: As `models.tables.ledger.LastRecords`.
        rules: Level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.RepairTrends`, sorted by its keys.
    """
    watched = watched_engines(engine_periods, last_records)
    engines = with_all_families(watched)
    repairs = with_all_families(repair_days(leak_repairs(episodes, watched)))
    of_family = repairs.partition_by("engine_family", as_dict=True)
    rows = [
        _trend(str(family), group, of_family.get((family,), repairs.clear()), rules=rules)
        for (family,), group in engines.group_by("engine_family", maintain_order=True)
    ]
    if not rows:
        return conform(RepairTrends.create_empty(), RepairTrends)
    found = pl.DataFrame(rows, infer_schema_length=None)
    return found.pipe(_shown, rules=rules).pipe(conform, RepairTrends).sort("engine_family")


def _trend(family: str, engines: pl.DataFrame, repairs: pl.DataFrame, *, rules: MeasureRules) -> dict[str, Any]:
    """All figures of one family, shown or not; NaN where there is none."""
    data = _histories(engines, repairs)
    laplace, robust, mil = laplace_test(data), robust_laplace_test(data), mil_hdbk_189_test(data)
    fit = fit_power_law(data, confidence=rules.confidence)
    shape = robust_shape(data, fit, confidence=rules.confidence)
    reasons = [mil.reason and f"MIL-HDBK-189: {mil.reason}", fit.reason and f"power law: {fit.reason}"]
    return {
        "engine_family": family,
        "n": engines.height,
        "events": len(data.age),
        "exposure": float((data.end - data.begin).sum()),
        "laplace": laplace.statistic,
        "laplace_p": laplace.p,
        "robust_p": robust.p,
        "mil_hdbk_189": mil.statistic,
        "mil_hdbk_189_degrees": mil.degrees,
        "mil_hdbk_189_p": mil.p,
        "shape": float(shape.estimate),
        "low": float(shape.low),
        "high": float(shape.high),
        "shape_p": fit.p,
        "why": "; ".join(reason for reason in reasons if reason),
    }


def _histories(engines: pl.DataFrame, repairs: pl.DataFrame) -> Histories:
    """Ages in years at the repairs of a family's engines; one that is the last record ended its engine's watch."""
    numbered = engines.with_row_index("engine")
    engine = repairs.join(numbered.select(*ENGINE, "engine"), on=ENGINE, how="left", maintain_order="left")["engine"]
    begin, end = (numbered[name].to_numpy() / DAYS_PER_YEAR for name in ("begin_days", "end_days"))
    ages, codes = repairs["age_days"].to_numpy() / DAYS_PER_YEAR, engine.to_numpy().astype(np.int64)
    ended_by_repair = np.isin(np.arange(len(end)), codes[ages == end[codes]])
    return histories(ages, codes, end, begin=begin, ended_by_event=ended_by_repair)


def _shown(found: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Null what rests on too little, say why, and adjust the p values for how many families have one."""
    is_all = pl.col("engine_family") == ""
    few = too_few(rules=rules, event="repair", unit="engine")
    why = pl.when(is_all).then(pl.lit(FAMILIES_DIFFER)).otherwise(pl.when(pl.col("why") != "").then("why"))
    power_law = [pl.when(~is_all).then(name).alias(name) for name in ("shape", "low", "high", "shape_p")]
    return (
        found.with_columns(pl.col(FIGURES).fill_nan(None))
        .with_columns(*power_law, few=few)
        .with_columns(pl.when(pl.col("few").is_null()).then(name).alias(name) for name in FIGURES)
        .with_columns(reason=pl.coalesce("few", why))
        .with_columns(q_value=adjusted_p_values("robust_p").over(is_all))
    )
