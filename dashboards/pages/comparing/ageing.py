"""Whether engines need ever more repairs for leaks as they age: repairs per engine by age, and the trend."""

from typing import Any

import polars as pl

from dashboards.drawing import Drawing, drawing
from dashboards.figures.repairs_by_age import repairs_by_age
from dashboards.saying import CANNOT_TELL, TELLING
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import (
    NOTHING,
    chance,
    decimal,
    decimal_range,
    decimal_with_range,
    family_words,
    listed,
    reason_words,
    whole,
)

MAX_LINES = 6
"""Families drawn, those with the most repairs; all are in the table."""
LATE_YEARS = 0.1
"""Counting that starts at an age under five weeks starts with the engine."""


def ageing_section(snapshot: Snapshot, *, level: str) -> dict[str, Any]:
    """The curves of the families with the most repairs, and the trend of every family."""
    trends = with_twice_the_age(snapshot.table("repair_trends")).sort(pl.col("engine_family") == "", "engine_family")
    curves = snapshot.table("repairs_by_age")
    return {
        "figure": _figure(curves, trends, level=level),
        "table": _table(trends, curves, level=level),
    }


def with_twice_the_age(trends: pl.DataFrame) -> pl.DataFrame:
    """Add how many times as often repairs come at twice the age: `twice`, `twice_low`, `twice_high`."""
    names = {"twice": "shape", "twice_low": "low", "twice_high": "high"}
    return trends.with_columns(pl.lit(2.0).pow(pl.col(column) - 1.0).alias(name) for name, column in names.items())


def _figure(curves: pl.DataFrame, trends: pl.DataFrame, *, level: str) -> Drawing | None:
    """Repairs per engine by age; none where no family has enough."""
    families = curves.filter(pl.col("engine_family") != "")
    if families.is_empty():
        return None
    most = families.group_by("engine_family").agg(pl.col("events").max()).sort("events", "engine_family")
    drawn = families.join(most.tail(MAX_LINES), on="engine_family", how="semi")
    figure = repairs_by_age(
        drawn,
        title="Repairs for a leak, an engine, by its age",
        line=(
            f"A line that bends upwards says that repairs come ever more often; pale band: {level}. Counting starts at "
            "the age from which on enough engines were watched. Tap a name to hide its line."
        ),
    )
    return drawing(figure, says=worse_with_age(trends))


def worse_with_age(trends: pl.DataFrame) -> str:
    """Say of which families repairs come more often with age, of which less often, and of which one cannot tell.

    Args:
        trends: Rows of `repair_trends` with `twice`, `twice_low`, `twice_high`.
    """
    known = trends.filter(pl.col("engine_family") != "").drop_nulls("q_value")
    few = trends.filter(pl.col("engine_family") != "", pl.col("q_value").is_null())["engine_family"].to_list()
    if known.is_empty():
        return f"{CANNOT_TELL}: no engine family has enough engines and repairs for a leak."
    told = known.filter(pl.col("q_value") < TELLING)
    worse, better = told.filter(pl.col("laplace") > 0), told.filter(pl.col("laplace") <= 0)
    open_still = known.filter(pl.col("q_value") >= TELLING)["engine_family"].to_list()
    parts = [
        f"Getting worse with age: {listed(map(_pace, worse.iter_rows(named=True)))}." if worse.height else "",
        f"Getting better with age: {listed(map(_pace, better.iter_rows(named=True)))}." if better.height else "",
        f"{CANNOT_TELL} of {listed(open_still)}: an engine's repairs do not crowd late enough." if open_still else "",
        f"Too few to say: {listed(few)}." if few else "",
    ]
    return " ".join(part for part in parts if part)


def _pace(row: dict[str, Any]) -> str:
    """A family with how fast it worsens."""
    if row["twice"] is None:
        return str(row["engine_family"])
    times = f"{decimal(row['twice'])} times as often ({decimal_range(row['twice_low'], row['twice_high'], 1)})"
    return f"{row['engine_family']}, at twice the age {times}"


def _table(trends: pl.DataFrame, curves: pl.DataFrame, *, level: str) -> Table:
    """Every family's repairs, and whether they come ever more often."""
    last = {str(row["engine_family"]): row for row in curves.sort("age_years").iter_rows(named=True)}
    numbers = (
        "Engines", "Engine-years watched", "Repairs for a leak", f"Repairs an engine ({level})",
        f"Times as often at twice the age ({level})", "Chance of a false alarm (q)",
    )  # fmt: skip
    return Table(
        "Repairs for a leak as engines age",
        columns("Engine family", *numbers, "Getting worse?", numbers=numbers),
        tuple(_row(row, last.get(str(row["engine_family"]))) for row in trends.iter_rows(named=True)),
        empty="No engine was watched yet.",
    )


def _row(row: dict[str, Any], last: dict[str, Any] | None) -> Row:
    """One family's trend."""
    return Row(
        (
            family_words(row["engine_family"]),
            whole(row["n"]),
            whole(row["exposure"]),
            whole(row["events"]),
            _by_the_last_age(last),
            decimal_with_range(row["twice"], row["twice_low"], row["twice_high"], 1),
            chance(row["q_value"]),
            _verdict(row),
        )
    )


def _by_the_last_age(last: dict[str, Any] | None) -> str:
    """Repairs per engine from the age that counting starts at to the last."""
    if last is None:
        return NOTHING
    since = f", counted from {decimal(last['since_years'])}" if last["since_years"] >= LATE_YEARS else ""
    counted = decimal_with_range(last["repairs"], last["low"], last["high"], 1)
    return f"{counted} by year {decimal(last['age_years'])}{since}"


def _verdict(row: dict[str, Any]) -> str:
    if row["q_value"] is None:
        return reason_words(row["reason"])
    if row["q_value"] >= TELLING:
        return "cannot tell yet"
    return "yes" if row["laplace"] > 0 else "no, better"
