"""The share that leaked again, as time goes by since the repair."""

import polars as pl

from dashboards.figures.banded import banded_curve
from dashboards.figures.style import METHOD_COLOURS, METHOD_DASHES, THIRD, Figure, Trace, framed
from dashboards.wording import method_words

HEIGHT = 420


def recurrence_curves(curves: pl.DataFrame, *, title: str, line: str, unit: str) -> Figure:
    """Draw one step curve with its band for each repair method.

    Args:
        curves: Rows of `recurrence_curve` of one engine family, site and time scale: `repair_method`, `time`,
            `recurrence`, `recurrence_low`, `recurrence_high`, `at_risk`.
        title: What is shown.
        line: How to read it.
        unit: Unit of the time axis.
    """
    by_method = curves.sort("time").group_by("repair_method", maintain_order=True)
    return framed(
        (trace for (method,), points in by_method for trace in _band_and_curve(str(method), points)),
        title=title,
        line=line,
        height=HEIGHT,
        xaxis={"title": {"text": f"{unit} since the repair"}, "rangemode": "tozero", "tickformat": ",d"},
        yaxis={"title": {"text": "share leaked again"}, "rangemode": "tozero", "tickformat": ".0%"},
        hovermode="closest",
    )


def _band_and_curve(method: str, points: pl.DataFrame) -> list[Trace]:
    """The interval as a band and the estimate as a line, tied together in the legend."""
    names = {"x": "time", "value": "recurrence", "low": "recurrence_low", "high": "recurrence_high"}
    return banded_curve(
        points.select(watched="at_risk", **names),
        name=method_words(method),
        group=method,
        colour=METHOD_COLOURS.get(method, THIRD),
        dash=METHOD_DASHES.get(method, "solid"),
        hover="%{y:.1%} by %{x:,.0f}<br>%{customdata} still watched",
    )
