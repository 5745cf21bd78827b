"""Job steps skipped against the same steps done, from the job cards that came back."""

import polars as pl

from models.measures.contrasts import contrasts, with_q_values
from models.measures.cube import cause_codes, label_codes
from models.measures.pooled_model import indicators, with_age
from models.settings import MeasureRules
from models.statistics.standardisation import pooled_levels
from models.tables import conform
from models.tables.measures import STEP_LEVELS, TIME_SCALES, StepEffects

DONE, SKIPPED, NOT_RECORDED = LEVELS = ("done", *STEP_LEVELS)
JOINT_OPENED = ("gasket", "gasket_and_seals", "gasket_seals_bolts", "cover_replaced")
"""Methods that take the cover off, of whose steps a job card asks."""
HALF = 0.5
"""Share of the wait or angle the family asks for below which a step counts as skipped: between lies rounding."""

TICKED = {
    "old_bolts": "bolts_renewed",
    "seals_not_renewed": "seals_renewed",
    "faces_not_cleaned": "faces_cleaned",
    "ventilation_not_checked": "ventilation_checked",
    "sequence_not_followed": "sequence_followed",
    "no_run_up_check": "run_up_check",
}
"""Step to the box on the card that says it was done."""
MEASURED = {"no_settle_wait": "settle_min", "no_final_angle": "final_angle_deg"}
"""Step to the figure on the card, and in the family's reference, that says how far."""


def step_effects(
    episodes: pl.DataFrame,
    engine_periods: pl.DataFrame,
    repair_records: pl.DataFrame,
    engine_families: pl.DataFrame,
    *,
    rules: MeasureRules,
) -> pl.DataFrame:
    """Hazard ratio of re-leak of every skipped step, and of not recording it, against having done it.

    See `models.measures.contrasts`; the repair method is allowed for as well. Each step is looked at by itself: repairs
    with one step skipped often had others skipped too. No card, or an empty box, is a level of its own and never
    guessed. A step that the engine family does not ask for (no wait, no final angle) is not looked at there.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        repair_records: As `models.tables.records.RepairRecords`.
        engine_families: As `models.tables.records.EngineFamilies`.
        rules: Horizons, level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.StepEffects`, sorted by its keys.
    """
    opened = with_age(episodes, engine_periods).filter(pl.col("repair_method").is_in(JOINT_OPENED))
    stepped = with_steps(opened, repair_records, engine_families)
    effects = [
        _of_step(stepped, step, time_scale=scale, rules=rules) for scale in TIME_SCALES for step in (*TICKED, *MEASURED)
    ]
    shown = pl.concat(effects, how="diagonal_relaxed").pipe(with_q_values)
    return conform(shown, StepEffects).sort(StepEffects.primary_key())


def with_steps(episodes: pl.DataFrame, repair_records: pl.DataFrame, engine_families: pl.DataFrame) -> pl.DataFrame:
    """Add a column a step: done, skipped, not recorded, or null where the engine family does not ask for it."""
    cards = repair_records.select("order_id", "cover_position", *TICKED.values(), *MEASURED.values())
    asked = engine_families.select(
        "engine_family", *(pl.col(name).alias(f"asked_{name}") for name in MEASURED.values())
    )
    ticked = [
        pl.when(box)
        .then(pl.lit(DONE))
        .when(~pl.col(box))
        .then(pl.lit(SKIPPED))
        .otherwise(pl.lit(NOT_RECORDED))
        .alias(step)
        for step, box in TICKED.items()
    ]
    measured = [
        pl.when(pl.col(f"asked_{name}") > 0).then(
            pl.when(pl.col(name) < HALF * pl.col(f"asked_{name}")).then(pl.lit(SKIPPED))
            .when(pl.col(name).is_not_null()).then(pl.lit(DONE)).otherwise(pl.lit(NOT_RECORDED))
        ).alias(step)
        for step, name in MEASURED.items()
    ]  # fmt: skip
    return (
        episodes.join(cards, on=["order_id", "cover_position"], how="left", maintain_order="left")
        .join(asked, on="engine_family", how="left", maintain_order="left")
        .select(*episodes.columns, *ticked, *measured)
    )


def _of_step(stepped: pl.DataFrame, step: str, *, time_scale: str, rules: MeasureRules) -> pl.DataFrame:
    """The contrasts of one step on one time scale."""
    ordered = stepped.drop_nulls([time_scale, step]).sort(time_scale, "vehicle_id", "episode_id")
    method = indicators(pooled_levels(label_codes(ordered["repair_method"]), cause_codes(ordered)))
    horizons = [rules.difference(time_scale)]
    effects = contrasts(ordered, step, LEVELS, others=method, time_scale=time_scale, horizons=horizons, rules=rules)
    return effects.with_columns(step=pl.lit(step))
