"""How many repairs leaked again: dots and intervals at two horizons."""

from itertools import chain, groupby
from operator import itemgetter
from typing import Any

import polars as pl

from dashboards.drawing import drawing
from dashboards.figures.interval_dots import interval_dots
from dashboards.pages.comparing.selecting import BY_WORDS, Choice, selection_words, selections
from dashboards.saying import which_leaks_less
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import counted, percent, percent_range, reason_words, whole

SHOWN_HORIZONS = {"days": (180.0, 365.0), "km": (10_000.0, 25_000.0), "hours": (250.0, 500.0)}
"""Half a year and a year, and what a busy van covers, and runs, in them."""


def recurrence_choices(recurrence: pl.DataFrame, by: str, *, level: str) -> list[Choice]:
    """Dots and intervals of recurrence at two horizons, for every selection."""
    return [
        _recurrence_choice(keys, rows, by, level=level) for keys, rows in selections(recurrence, by, estimate="rate")
    ]


def _recurrence_choice(keys: dict[str, str], rows: pl.DataFrame, by: str, *, level: str) -> Choice:
    unit = keys["time_scale"]
    horizons = _shown_horizons(rows, unit)
    shown = rows.filter(pl.col("horizon").is_in(horizons))
    dots = shown.select(
        "label",
        "low",
        "high",
        series=pl.col("horizon").replace_strict(
            horizons, [f"by {whole(horizon)} {unit}" for horizon in horizons], return_dtype=pl.String
        ),
        value="rate",
        note=pl.Series([_recurrence_note(row) for row in shown.iter_rows(named=True)], dtype=pl.String),
    )
    figure = interval_dots(
        dots,
        title=f"Share of repairs that leaked again, by {BY_WORDS[by]}: {selection_words(keys)}",
        line=f"Dot: estimate. Bar: {level}; the longer it is, the less is known. Bars that overlap may be luck.",
        axis="share leaked again",
        axis_format=".0%",
    )
    last = shown.filter(pl.col("horizon") == horizons[-1], pl.col(by) != "")
    says = which_leaks_less(last, horizon=horizons[-1], unit=unit)
    return Choice(keys, drawing(figure, says=says), _recurrence_table(shown, by, horizons, unit, level=level))


def _recurrence_note(row: dict[str, Any]) -> str:
    """What an estimate rests on, or why there is none."""
    if row["rate"] is None:
        return _short(row["reason"])
    watched = f"{whole(row['at_risk'])} still watched then"
    return f"{counted(row['events'], 're-leak')} in {counted(row['n'], 'repair')}, {watched}"


def _short(reason: str | None) -> str:
    """A reason without its counts, short enough to stand inside a figure; the table has them."""
    return reason_words(reason).partition(":")[0]


def _recurrence_table(shown: pl.DataFrame, by: str, horizons: list[float], unit: str, *, level: str) -> Table:
    """The numbers behind the dots, with those still watched."""
    numbers = ["Repairs"]
    for horizon in horizons:
        numbers += [
            f"Leaked again by {whole(horizon)} {unit} ({level})",
            f"Still watched at {whole(horizon)} {unit}",
        ]
    rows = []
    for (label, n), of_group in groupby(shown.iter_rows(named=True), key=itemgetter("label", "n")):
        figures = ((_rate_words(row), whole(row["at_risk"])) for row in of_group)
        rows.append(Row((label, whole(n), *chain.from_iterable(figures))))
    return Table(
        "The numbers behind the figure", columns(BY_WORDS[by].capitalize(), *numbers, numbers=numbers), tuple(rows)
    )


def _rate_words(row: dict[str, Any]) -> str:
    if row["rate"] is None:
        return reason_words(row["reason"])
    return f"{percent(row['rate'])} ({percent_range(row['low'], row['high'])})"


def _shown_horizons(rows: pl.DataFrame, time_scale: str) -> list[float]:
    """Two horizons: the usual ones, else the last two published."""
    published = sorted(rows["horizon"].unique())
    usual = [horizon for horizon in SHOWN_HORIZONS[time_scale] if horizon in published]
    return usual if len(usual) == 2 else published[-2:]
