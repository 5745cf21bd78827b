"""Control charts of comebacks, each against its own threshold."""

import polars as pl

from dashboards.figures.style import (
    LINE_COLOURS,
    LINE_DASHES,
    QUIET_INK,
    WARNING,
    Figure,
    Trace,
    framed,
    level,
    plain,
    scatter,
)

HEIGHT = 320
STRETCHES = 500
"""A line of more repairs than three times this is drawn by the lowest, the highest and the last sum of so many
stretches of it: finer than the pixels it has."""


def control_chart(charts: pl.DataFrame, *, title: str, line: str) -> Figure:
    """Draw each chart's sum as a share of its threshold, and mark where it signals.

    Args:
        charts: `name`, `repaired_on`, `value`, `threshold`, `is_comeback`, `is_signal`, sorted by name and repair.
        title: What is shown.
        line: How to read it.
    """
    shares = charts.with_columns(share=pl.col("value") / pl.col("threshold"))
    names = shares["name"].unique(maintain_order=True).to_list()
    sums = [_sum(shares.filter(name=name), str(name), number) for number, name in enumerate(names)]
    return framed(
        [*sums, _signals(shares.filter("is_signal"))],
        title=title,
        line=line,
        height=HEIGHT,
        xaxis={"title": {"text": "day of the repair"}, "type": "date"},
        yaxis={"title": {"text": "sum ÷ threshold"}, "rangemode": "tozero"},
        hovermode="closest",
        shapes=[level(1.0, color=WARNING, width=1.5, dash="dash")],
    )


def _sum(rows: pl.DataFrame, name: str, number: int) -> Trace:
    """One chart's sum, repair by repair."""
    drawn = _thinned(rows)
    outcomes = ["came back" if came_back else "held" for came_back in drawn["is_comeback"]]
    return scatter(
        x=[day.isoformat() for day in drawn["repaired_on"]],
        y=drawn["share"].round(4).to_list(),
        mode="lines",
        name=plain(name),
        line={
            "color": LINE_COLOURS[number % len(LINE_COLOURS)],
            "width": 2,
            "shape": "hv",
            "dash": LINE_DASHES[number % len(LINE_DASHES)],
        },
        customdata=outcomes,
        hovertemplate="%{x}: %{customdata}, %{y:.2f} of the threshold",
    )


def _thinned(rows: pl.DataFrame) -> pl.DataFrame:
    """The repairs whose sums show the line as it is."""
    if rows.height <= 3 * STRETCHES:
        return rows
    place = pl.col("place")
    lowest, highest = (place.get(end) for end in (pl.col("share").arg_min(), pl.col("share").arg_max()))
    kept = (
        rows.select("share")
        .with_row_index("place")
        .group_by(place * STRETCHES // rows.height)
        .agg(pl.concat_list(lowest, highest, place.last()).alias("kept"))
    )
    return rows[kept["kept"].explode().unique().sort()]


def _signals(rows: pl.DataFrame) -> Trace:
    """Where a sum reaches its threshold."""
    return scatter(
        x=[day.isoformat() for day in rows["repaired_on"]],
        y=rows["share"].round(4).to_list(),
        mode="markers",
        name="signal",
        showlegend=not rows.is_empty(),
        marker={"color": WARNING, "size": 10, "symbol": "triangle-up", "line": {"color": QUIET_INK, "width": 1}},
        customdata=[plain(name) for name in rows["name"]],
        hovertemplate="%{customdata}: signal at %{x}<extra></extra>",
    )
