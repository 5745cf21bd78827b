"""How many repairs for a leak an engine has had, as it ages."""

import polars as pl

from dashboards.figures.banded import banded_curve
from dashboards.figures.style import LINE_COLOURS, LINE_DASHES, Figure, Trace, framed

HEIGHT = 420


def repairs_by_age(curves: pl.DataFrame, *, title: str, line: str) -> Figure:
    """Draw one step curve with its band for each engine family.

    Args:
        curves: Rows of `repairs_by_age`.
        title: What is shown.
        line: How to read it.
    """
    traces: list[Trace] = []
    ordered = curves.sort("engine_family", "age_years")
    for number, ((family,), points) in enumerate(ordered.group_by("engine_family", maintain_order=True)):
        drawn = points.select("low", "high", "watched", x="age_years", value="repairs")
        traces += banded_curve(
            drawn,
            name=str(family),
            group=str(family),
            colour=LINE_COLOURS[number % len(LINE_COLOURS)],
            dash=LINE_DASHES[number % len(LINE_DASHES)],
            hover="%{y:.2f} an engine by %{x:.1f} years<br>%{customdata} engines watched then",
        )
    return framed(
        traces,
        title=title,
        line=line,
        height=HEIGHT,
        xaxis={"title": {"text": "years since the engine was fitted"}, "rangemode": "tozero"},
        yaxis={"title": {"text": "repairs for a leak an engine"}, "rangemode": "tozero"},
        hovermode="closest",
    )
