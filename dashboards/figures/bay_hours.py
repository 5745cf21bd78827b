"""Planned bay hours against what the bays can take."""

import plotly.graph_objects as go
import polars as pl

from dashboards.figures.style import FIRST, WARNING, framed
from dashboards.wording import day_words

HEIGHT = 300


def bay_hours(weeks: pl.DataFrame, *, title: str, line: str) -> go.Figure:
    """Draw the planned hours of each week as bars and the capacity as a line.

    Args:
        weeks: `week_start`, `hours`, `capacity_hours` and `vehicles`, one row a week.
        title: What is shown.
        line: How to read it.
    """
    ordered = weeks.sort("week_start")
    labels = [day_words(day).rpartition("\u00a0")[0] for day in ordered["week_start"]]
    figure = framed(title, line, height=HEIGHT)
    figure.add_trace(
        go.Bar(
            x=labels,
            y=ordered["hours"].to_list(),
            name="planned hours",
            marker={"color": FIRST},
            customdata=ordered["vehicles"].to_list(),
            hovertemplate="week of %{x}: %{y:.1f} h for %{customdata} vehicles<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=labels,
            y=ordered["capacity_hours"].to_list(),
            name="bay hours to spare",
            mode="lines",
            line={"color": WARNING, "width": 2, "dash": "dash", "shape": "hvh"},
            hovertemplate="%{y:.1f} h to spare<extra></extra>",
        )
    )
    figure.update_xaxes(title={"text": "week starting"}, type="category", showgrid=False)
    figure.update_yaxes(title={"text": "bay hours"}, rangemode="tozero")
    return figure
