"""Whether a run of comebacks at a site is bad luck: its control chart, for the comparing and the comebacks page."""

from typing import Any

import polars as pl

from dashboards.drawing import drawing
from dashboards.figures.control_chart import control_chart
from dashboards.pages.comparing.selecting import Choice
from dashboards.saying import in_control
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import day_words, decimal, whole


def control_charts(snapshot: Snapshot) -> list[Choice]:
    """All sites together, then each alone; technicians follow their site where they are shown."""
    rules = snapshot.settings.measures
    named = pl.when(pl.col("technician") == "").then("site").otherwise(pl.format("{}, {}", "site", "technician"))
    charts = snapshot.table("cusum").with_columns(name=named).sort("technician", "site", "number")
    if charts.is_empty():
        return []
    sites = charts["site"].unique().sort()
    chosen = [("", charts.filter(technician=""))] + [(site, charts.filter(site=site)) for site in sites]
    return [
        _choice(site, rows, run_length=rules.cusum_run_length, odds=rules.cusum_odds_ratio) for site, rows in chosen
    ]


def _choice(site: str, rows: pl.DataFrame, *, run_length: float, odds: float) -> Choice:
    where = site or "all sites"
    figure = control_chart(
        rows,
        title=f"A run of comebacks, or bad luck: {where}",
        line=(
            "Each comeback lifts the line, each repair that holds lowers it, by how likely a comeback was on that "
            f"engine with that method. At 1 it signals: odds {odds:g} times the expected are likelier than luck. It "
            "then starts again from half, and the signal stands until the line is back at 0. A mark stands at the day "
            "of the repair; the words say the day its outcome was known."
        ),
    )
    standing = rows.group_by("name", maintain_order=True).agg(
        pl.col("value", "threshold", "signalling_since").last(), repairs=pl.len(), signals=pl.col("is_signal").sum()
    )
    says = in_control(standing, run_length=run_length)
    return Choice({"site": site}, drawing(figure, says=says), _table(rows))


def _table(rows: pl.DataFrame) -> Table:
    """Where every chart stands."""
    numbers = ("Repairs", "Comebacks", "Expected", "Sum now", "Signals at")
    return Table(
        "Where each chart stands",
        columns("Chart", *numbers, "Signalling since", numbers=numbers),
        tuple(_row(str(name), of_chart) for (name,), of_chart in rows.group_by("name", maintain_order=True)),
    )


def _row(name: str, chart: pl.DataFrame) -> Row:
    last: dict[str, Any] = chart.row(-1, named=True)
    since = last["signalling_since"]
    return Row(
        (
            name,
            whole(chart.height),
            whole(chart["is_comeback"].sum()),
            decimal(chart["risk"].sum()),
            decimal(last["value"], 2),
            decimal(last["threshold"], 2),
            day_words(since) if since else "not signalling",
        ),
        is_marked=since is not None,
    )
