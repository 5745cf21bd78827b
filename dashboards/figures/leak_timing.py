"""The same leaks by two clocks: found to leak by then, and begun to leak by then."""

import polars as pl

from dashboards.figures.banded import banded_curve
from dashboards.figures.style import FIRST, SECOND, Figure, Trace, framed, scatter, see_through

HEIGHT = 380
OPEN_OPACITY = 0.35
"""Of the area between the least and the most that can have begun."""


def leak_timing(curve: pl.DataFrame, *, title: str, line: str) -> Figure:
    """Draw the share found over the share begun, whose least and most enclose an area.

    Args:
        curve: Rows of `leak_timing_curve` of one group.
        title: What is shown.
        line: How to read it.
    """
    traces: list[Trace] = []
    points = curve.sort("time")
    middle = (pl.col("begun_least") + pl.col("begun_most")) / 2
    begun = points.select("time", "at_risk", low="begun_low", high="begun_high", value=middle)
    found = points.select("time", "at_risk", low="detected_low", high="detected_high", value="detected")
    for rows, name, colour, dash in (
        (begun, "begun to leak (time to leak)", SECOND, "dash"),
        (found, "found to leak (time to detection)", FIRST, "solid"),
    ):
        traces += banded_curve(
            rows.rename({"time": "x", "at_risk": "watched"}),
            name=name,
            group=name,
            colour=colour,
            dash=dash,
            hover="%{y:.1%} by day %{x:,.0f}<br>%{customdata} still watched",
            shape="linear",
        )
    return framed(
        [*traces, *_open_area(points)],
        title=title,
        line=line,
        height=HEIGHT,
        xaxis={"title": {"text": "days since the repair"}, "rangemode": "tozero", "tickformat": ",d"},
        yaxis={"title": {"text": "share of repairs"}, "rangemode": "tozero", "tickformat": ".0%"},
        hovermode="closest",
    )


def _open_area(points: pl.DataFrame) -> list[Trace]:
    """What the looks leave open: between the least and the most that can have begun."""
    quiet = {"mode": "lines", "line": {"width": 0}, "showlegend": False, "hoverinfo": "skip"}
    at = points["time"].to_list()
    filled = {"fill": "tonexty", "fillcolor": see_through(SECOND, OPEN_OPACITY)}
    return [
        scatter(x=at, y=points["begun_least"].to_list(), **quiet),
        scatter(x=at, y=points["begun_most"].to_list(), **filled, **quiet),
    ]
