"""How long repairs stay dry: three means side by side."""

from typing import Any

import polars as pl

from dashboards.drawing import drawing
from dashboards.figures.interval_dots import interval_dots
from dashboards.pages.comparing.selecting import BY_WORDS, GROUPS, Choice, selection_words, selections
from dashboards.saying import how_long_it_lasts
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import EXPOSURE_WORDS, NOTHING, TOO_FEW, decimal_with_range, reason_words, whole, whole_range

_RATE_COLUMNS = (
    pl.col("rate").alias("leak_rate"),
    pl.col("low").alias("leak_rate_low"),
    pl.col("high").alias("leak_rate_high"),
)


def means_with_rates(snapshot: Snapshot) -> pl.DataFrame:
    """The times to re-leak, each with its group's re-leaks per exposure."""
    rates = snapshot.table("leak_rates").select(*GROUPS, "time_scale", *_RATE_COLUMNS)
    return snapshot.table("time_to_releak").join(rates, on=[*GROUPS, "time_scale"], how="left")


def mean_choices(means: pl.DataFrame, by: str, *, level: str) -> list[Choice]:
    """Three means side by side, for every selection."""
    return [
        _mean_choice(keys, rows, by, level=level) for keys, rows in selections(means, by, estimate="restricted_mean")
    ]


def _mean_choice(keys: dict[str, str], rows: pl.DataFrame, by: str, *, level: str) -> Choice:
    unit = keys["time_scale"]
    horizon = float(rows["horizon"].max())
    shown = rows.filter(pl.col("horizon") == horizon)
    restricted = f"restricted mean, within {whole(horizon)} {unit}"
    figure = interval_dots(
        pl.concat([
            _mean_dots(shown, restricted, "restricted_mean", "low", "high"),
            _mean_dots(shown, "plain mean of the failed (biased low)", "plain_mean_of_failed", None, None),
        ]),
        title=f"How long repairs stay dry, by {BY_WORDS[by]}: {selection_words(keys)}",
        line=(
            f"Restricted mean: {unit} dry of the first {whole(horizon)}, repairs that still hold included; bar: "
            f"{level}. The plain mean of those that failed forgets the others: shown to warn of it."
        ),
        axis=f"{unit} without a re-leak",
        axis_format=",d",
    )  # fmt: skip
    says = how_long_it_lasts(shown.filter(pl.col(by) != ""), horizon=horizon, unit=unit)
    return Choice(keys, drawing(figure, says=says), _means_table(shown, by, unit, horizon, level=level))


def _mean_dots(shown: pl.DataFrame, series: str, value: str, low: str | None, high: str | None) -> pl.DataFrame:
    """One kind of mean as rows of the dot figure."""
    return shown.select(
        "label",
        series=pl.lit(series),
        value=value,
        low=pl.col(low) if low else pl.lit(None, pl.Float64),
        high=pl.col(high) if high else pl.lit(None, pl.Float64),
        note=pl.when(pl.col(value).is_null())
        .then(pl.lit(TOO_FEW))
        .otherwise(pl.format("{} re-leaks in {} repairs", "events", "n")),
    ).filter(pl.col("value").is_not_null() | pl.lit(low is not None))


def _means_table(shown: pl.DataFrame, by: str, unit: str, horizon: float, *, level: str) -> Table:
    """The three means, the leak-free lives and the rate, each with its interval."""
    numbers = (
        "Repairs", "Re-leaks", f"Restricted mean to {whole(horizon)} {unit}", f"Weibull mean, {unit}",
        f"Plain mean of the failed, {unit} (biased low)", f"Half leak by, {unit}", f"One in ten leaks by, {unit}",
        f"Re-leaks per {EXPOSURE_WORDS[unit]}",
    )  # fmt: skip
    rows = tuple(
        Row(
            (
                row["label"],
                whole(row["n"]),
                whole(row["events"]),
                _with_range(row, "restricted_mean", "low", "high"),
                _with_range(row, "weibull_mean", "weibull_low", "weibull_high"),
                whole(row["plain_mean_of_failed"]),
                _life(row, "median"),
                _life(row, "b10"),
                _leak_rate(row),
                reason_words(row["reason"]) if row["reason"] else "",
            )
        )
        for row in shown.iter_rows(named=True)
    )
    return Table(
        f"Means and leak-free lives, {level} in brackets",
        columns(BY_WORDS[by].capitalize(), *numbers, "What is missing, and why", numbers=numbers),
        rows,
    )


def _with_range(row: dict[str, Any], value: str, low: str, high: str) -> str:
    if row[value] is None:
        return NOTHING
    return f"{whole(row[value])} ({whole_range(row[low], row[high])})"


def _life(row: dict[str, Any], name: str) -> str:
    """A leak-free life; where the curve has not come so far down, that is the result."""
    if row[name] is None:
        return NOTHING if (row["reason"] or "").startswith(TOO_FEW) else "not reached"
    low, high = row[f"{name}_low"], row[f"{name}_high"]
    ends = (NOTHING if low is None else whole(low), "not reached" if high is None else whole(high))
    return f"{whole(row[name])} ({ends[0]} to {ends[1]})"


def _leak_rate(row: dict[str, Any]) -> str:
    return decimal_with_range(row["leak_rate"], row["leak_rate_low"], row["leak_rate_high"])
