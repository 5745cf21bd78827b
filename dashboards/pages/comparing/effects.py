"""Which way of doing the job lasts: methods, and job steps, against each other on like engines."""

from typing import Any

import polars as pl

from dashboards.drawing import drawing
from dashboards.figures.effect_forest import effect_forest
from dashboards.pages.comparing.selecting import Choice, in_order, scales_known
from dashboards.saying import effects_against_reference
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import (
    NOTHING,
    SCALE_WORDS,
    STEP_WORDS,
    TOO_FEW,
    chance,
    decimal_with_range,
    method_words,
    reason_words,
    sentence_start,
    whole,
)
from models.tables.measures import JOB_STEPS

HARDLY_PROPORTIONAL = 0.05
"""Below this the ratio is taken to change as time goes by (the customary level)."""


def method_choices(effects: pl.DataFrame, *, level: str) -> list[Choice]:
    """Methods against the most frequent one, on every time scale."""
    return [
        _method_choice(scale, in_order(effects.filter(time_scale=scale), "repair_method"), level=level)
        for scale in scales_known(effects)
    ]


def _method_choice(scale: str, rows: pl.DataFrame, *, level: str) -> Choice:
    reference = method_words(rows["reference"][0])
    figure = effect_forest(
        _dots(rows),
        title=f"How many times as often a repair leaks again as after {reference}: like engines, {SCALE_WORDS[scale]}",
        line=(
            f"1 is {reference}. Same engine family, site and engine age; bar: {level}, several repairs of a vehicle "
            "being alike. Left of 1 lasts longer."
        ),
        axis="times as often (log scale)",
    )
    says = effects_against_reference(rows, reference=reference, unit=scale, contrasts=_contrasts(rows))
    return Choice({"time_scale": scale}, drawing(figure, says=says), _table(rows, scale, "Repair method", level=level))


def step_choices(effects: pl.DataFrame, *, level: str) -> list[Choice]:
    """Steps skipped, and not recorded, against the same steps done."""
    ordered = effects.with_columns(label=pl.col("step").replace_strict(STEP_WORDS, return_dtype=pl.String))
    place = pl.col("step").replace_strict(JOB_STEPS, range(len(JOB_STEPS)), return_dtype=pl.Int64)
    ordered = ordered.sort(place, pl.col("level") != "skipped")
    return [_step_choice(scale, ordered.filter(time_scale=scale), level=level) for scale in scales_known(ordered)]


def _step_choice(scale: str, rows: pl.DataFrame, *, level: str) -> Choice:
    figure = effect_forest(
        _dots(rows.with_columns(series="level")),
        title=f"How many times as often a repair leaks again with a job step skipped: {SCALE_WORDS[scale]}",
        line=(
            "1 is the same step done, by the job cards. Same method, engine family, site and engine age; bar: "
            f"{level}. No card or an empty box is a level of its own."
        ),
        axis="times as often (log scale)",
    )
    says = effects_against_reference(
        rows.filter(level="skipped"), reference="the step done", unit=scale, contrasts=_contrasts(rows)
    )
    labelled = rows.with_columns(label=pl.format("{}: {}", "label", "level"))
    return Choice({"time_scale": scale}, drawing(figure, says=says), _table(labelled, scale, "Job step", level=level))


def _contrasts(rows: pl.DataFrame) -> int:
    """How many contrasts of a time scale the q values allow for."""
    return rows["q_value"].count()


def why_bolts_differ(worth: pl.DataFrame, steps: pl.DataFrame, *, worthwhile_ratio: float) -> str:
    """Say why new bolts take other numbers of repairs at the top of the page than here; empty where one has none.

    Args:
        worth: As `models.tables.measures.BoltWorth`.
        steps: As `models.tables.measures.StepEffects`.
        worthwhile_ratio: The ratio that the repairs needed are to show.
    """
    of_bolts = steps.filter(step="old_bolts", level="skipped")["repairs_needed"]
    if not of_bolts.count() or not worth["repairs_needed"].count():
        return ""
    return (
        "Old bolts take other numbers of repairs here than new bolts at the top. At the top: the repairs with gasket "
        "and seals that tell the money left over, if it stays as it is, from nothing. Here: the repairs whose job card "
        f"says, to show {worthwhile_ratio:g} times as often or as seldom; the method is allowed for, and mostly says "
        "already whether bolts were new."
    )


def _dots(rows: pl.DataFrame) -> pl.DataFrame:
    """Contrasts as rows of the forest."""
    counts = pl.format("{} re-leaks in {} repairs", "events", "n")
    short = pl.when(pl.col("reason").is_null()).then(counts).otherwise(pl.lit(TOO_FEW))
    series = pl.col("series") if "series" in rows.columns else pl.lit("")
    return rows.select("label", "low", "high", series=series, value="hazard_ratio", note=short)


def _table(rows: pl.DataFrame, scale: str, of: str, *, level: str) -> Table:
    """The contrasts in numbers, and in re-leaks spared in a hundred repairs."""
    horizon = f"{whole(rows['horizon'][0])} {scale}"
    numbers = (
        "Repairs", "Re-leaks", f"Times as often ({level})", f"More (+) or fewer re-leaks in 100 by {horizon} ({level})",
        "Chance of a false alarm (q)", "Repairs of the two it takes",
    )  # fmt: skip
    return Table(
        f"Against {_reference(rows)}",
        columns(of, *numbers, "Same all along?", "What is missing, and why", numbers=numbers),
        tuple(_row(row) for row in rows.iter_rows(named=True)),
    )


def _reference(rows: pl.DataFrame) -> str:
    row = rows.row(0, named=True)
    counts = f"{whole(row['events_reference'])} re-leaks in {whole(row['n_reference'])} repairs"
    return f"{method_words(row['reference'])}, {counts}" if "repair_method" in rows.columns else "the same step done"


def _row(row: dict[str, Any]) -> Row:
    """One contrast."""
    return Row(
        (
            sentence_start(row["label"]),
            whole(row["n"]),
            whole(row["events"]),
            decimal_with_range(row["hazard_ratio"], row["low"], row["high"]),
            _in_a_hundred(row),
            chance(row["q_value"]),
            whole(row["repairs_needed"]),
            _along(row["proportional_p"]),
            reason_words(row["reason"]) if row["reason"] else "",
        )
    )


def _in_a_hundred(row: dict[str, Any]) -> str:
    if row["difference"] is None:
        return NOTHING
    middle, low, high = (100 * row[name] for name in ("difference", "difference_low", "difference_high"))
    sign = "+" if middle > 0 else ""
    return sign + decimal_with_range(middle, low, high, 1)


def _along(p_value: float | None) -> str:
    if p_value is None:
        return NOTHING
    return "changes with time: an average" if p_value < HARDLY_PROPORTIONAL else "yes, as far as one can see"
