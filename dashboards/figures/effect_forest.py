"""Hazard ratios with their intervals on a scale of times: half as often lies as far from once as twice does."""

import polars as pl

from dashboards.figures.interval_dots import interval_dots
from dashboards.figures.style import Figure

TICKS = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
WIDEST = (0.04, 25.0)
"""Where an interval is cut off: what lies beyond says no more."""


def effect_forest(rows: pl.DataFrame, *, title: str, line: str, axis: str) -> Figure:
    """Draw each contrast's hazard ratio with its interval, and a line at once as often.

    Args:
        rows: As `dashboards.figures.interval_dots`, values above 0.
        title: What is shown.
        line: How to read it.
        axis: Title of the value axis.
    """
    low, high = WIDEST
    within = rows.with_columns(pl.col("value", "low", "high").clip(low, high))
    ends = [value for name in ("value", "low", "high") for value in within[name].drop_nulls()]
    span = (min(ends, default=1.0) / 1.2, max(ends, default=1.0) * 1.2)
    figure = interval_dots(
        within,
        title=title,
        line=line,
        axis=axis,
        axis_format=".3~g",
        reference=1.0,
        log_ends=(min(span[0], 0.8), max(span[1], 1.25)),
    )
    figure["layout"]["xaxis"]["tickvals"] = list(TICKS)
    return figure
