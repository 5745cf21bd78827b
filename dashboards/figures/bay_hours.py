"""Planned bay hours against what the bays can take."""

import polars as pl

from dashboards.figures.style import FIRST, WARNING, Figure, framed, scatter
from dashboards.wording import day_words

HEIGHT = 300


def bay_hours(weeks: pl.DataFrame, *, title: str, line: str) -> Figure:
    """Draw the planned hours of each week as bars and the capacity as a line.

    Args:
        weeks: `week_start`, `hours`, `capacity_hours` and `vehicles`, one row a week.
        title: What is shown.
        line: How to read it.
    """
    ordered = weeks.sort("week_start")
    labels = [day_words(day).rpartition("\u00a0")[0] for day in ordered["week_start"]]
    planned = {
        "type": "bar",
        "x": labels,
        "y": ordered["hours"].to_list(),
        "name": "planned hours",
        "marker": {"color": FIRST},
        "customdata": ordered["vehicles"].to_list(),
        "hovertemplate": "week of %{x}: %{y:.1f} h for %{customdata} vehicles<extra></extra>",
    }
    to_spare = scatter(
        x=labels,
        y=ordered["capacity_hours"].to_list(),
        name="bay hours to spare",
        mode="lines",
        line={"color": WARNING, "width": 2, "dash": "dash", "shape": "hvh"},
        hovertemplate="%{y:.1f} h to spare<extra></extra>",
    )
    return framed(
        [planned, to_spare],
        title=title,
        line=line,
        height=HEIGHT,
        xaxis={"title": {"text": "week starting"}, "type": "category", "showgrid": False},
        yaxis={"title": {"text": "bay hours"}, "rangemode": "tozero"},
    )
