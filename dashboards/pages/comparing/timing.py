"""When a leak is found, and when it began: two clocks on the same leaks, labelled apart."""

from typing import Any

import polars as pl

from dashboards.drawing import drawing
from dashboards.figures.leak_timing import leak_timing
from dashboards.pages.comparing.selecting import MAX_CHOICES, Choice
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import family_words, method_words, percent, percent_range, reason_words, whole, whole_with_range

USUAL_DAYS = 365.0
GROUP = ("engine_family", "repair_method")


def timing_choices(
    curves: pl.DataFrame, lives: pl.DataFrame, *, horizons: tuple[float, ...], level: str
) -> list[Choice]:
    """Both curves for all repairs, for each engine family and for each method."""
    order = (pl.col("engine_family") != "") | (pl.col("repair_method") != "")
    chosen = curves.sort(order, *GROUP, "time").partition_by(GROUP, as_dict=True, maintain_order=True)
    return [
        _choice(str(family), str(method), rows, lives, horizons=horizons, level=level)
        for (family, method), rows in list(chosen.items())[:MAX_CHOICES]
    ]


def _choice(
    family: str, method: str, rows: pl.DataFrame, lives: pl.DataFrame, *, horizons: tuple[float, ...], level: str
) -> Choice:
    keys = {"engine_family": family, "repair_method": method}
    tenths = {str(row["clock"]): row for row in lives.filter(**keys).iter_rows(named=True)}
    which = method_words(method) if method else family_words(family)
    figure = leak_timing(
        rows,
        title=f"Found to leak, and begun to leak: {which}",
        line=(
            "Blue: a leak counts from the day it was found. Orange: from when it began, between the last dry look and "
            f"the first wet one; the dark area is what the looks leave open. Pale bands: {level}, rough for the orange."
        ),
    )
    read = rows.filter(pl.col("time").is_in(list(horizons)))
    says = detection_against_leak(read, tenths)
    return Choice(keys, drawing(figure, says=says), _table(read, tenths, level=level))


def two_shares(curves: pl.DataFrame, recurrence: pl.DataFrame) -> str:
    """Say why the share of all repairs found to leak is not the share that leaked again; empty where one is missing.

    Args:
        curves: As `models.tables.measures.LeakTimingCurve`.
        recurrence: As `models.tables.measures.Recurrence`.
    """
    everyone = {"engine_family": "", "repair_method": ""}
    rates = recurrence.filter(**everyone, site="", time_scale="days").drop_nulls("rate")
    shared = rates.join(curves.filter(**everyone), left_on="horizon", right_on="time").sort("horizon")
    if shared.is_empty():
        return ""
    last = shared.row(-1, named=True)
    return (
        f"By day {whole(last['horizon'])}, {percent(last['detected'])} of all repairs are found to leak here and "
        f"{percent(last['rate'])} leaked again in the tables above: a repair that ended otherwise, as by the next "
        "repair or the engine's removal, counts here as if it could still leak, above as one that no longer can."
    )


def detection_against_leak(read: pl.DataFrame, tenths: dict[str, dict[str, Any]]) -> str:
    """Say how many leaks were found and how many had begun by a year or so, and how long a leak goes unseen.

    Args:
        read: Rows of `leak_timing_curve` of one group at the horizons.
        tenths: Its rows of `leak_timing` by their clock.
    """
    row = read.sort(pl.col("time") > USUAL_DAYS, -pl.col("time")).row(0, named=True)
    begun = _least_to_most(row)
    said = (
        f"By day {whole(row['time'])}, {percent(row['detected'])} "
        f"({percent_range(row['detected_low'], row['detected_high'])}) had been found to leak and {begun} had begun to."
    )
    lives = [tenths.get(clock, {}) for clock in ("detection", "leak")]
    found, leak = (life.get("b10") for life in lives)
    if found is None or leak is None:
        why = next(_why_none(life) for life in lives if life.get("b10") is None)
    elif leak >= found:
        why = "the two fitted curves cross"
    else:
        return f"{said} One in ten is found leaking by day {whole(found)} and has begun to by day {whole(leak)}."
    return f"{said} Cannot tell yet how long a leak goes unseen ({why})."


def _least_to_most(row: dict[str, Any]) -> str:
    least, most = percent(row["begun_least"]), percent(row["begun_most"])
    return least if least == most else f"{least} to {most}"


def _table(read: pl.DataFrame, tenths: dict[str, dict[str, Any]], *, level: str) -> Table:
    """Both shares at each horizon, and the time by which one in ten leaks by each clock."""
    numbers = (f"Found to leak ({level})", "Begun to leak, least to most", level.capitalize(), "Still watched")
    rows = [
        Row(
            (
                f"by day {whole(row['time'])}",
                f"{percent(row['detected'])} ({percent_range(row['detected_low'], row['detected_high'])})",
                _least_to_most(row),
                percent_range(row["begun_low"], row["begun_high"]),
                whole(row["at_risk"]),
            )
        )
        for row in read.iter_rows(named=True)
    ]
    found, leak = (_tenth(tenths.get(clock, {})) for clock in ("detection", "leak"))
    tenth = Row(("one in ten (Weibull)", found, leak, "", ""))
    return Table("By two clocks", columns("When", *numbers, numbers=numbers), (*rows, tenth))


def _tenth(life: dict[str, Any]) -> str:
    """Day by which one in ten leaks, with its interval, or why there is none."""
    if life.get("b10") is None:
        return _why_none(life)
    return f"day {whole_with_range(life['b10'], life['b10_low'], life['b10_high'])}"


def _why_none(life: dict[str, Any]) -> str:
    """Why there is no such day."""
    return reason_words(life.get("reason"))
