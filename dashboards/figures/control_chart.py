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
SHARE_DECIMALS = 4


def control_chart(charts: pl.DataFrame, *, title: str, line: str) -> Figure:
    """Draw each chart's sum as a share of its threshold, and mark where it signals.

    Args:
        charts: `name`, `repaired_on`, `known_on`, `value`, `threshold`, `is_comeback`, `is_signal`, sorted by
            name and repair.
        title: What is shown.
        line: How to read it.
    """
    shares = charts.with_columns(share=(pl.col("value") / pl.col("threshold")).round(SHARE_DECIMALS))
    names = shares["name"].unique(maintain_order=True).to_list()
    sums = [_sum(_steps(shares.filter(name=name)), str(name), number) for number, name in enumerate(names)]
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


def _steps(rows: pl.DataFrame) -> pl.DataFrame:
    """The repairs whose sums make the line: the lowest, the highest and the last of each day, where it moves."""
    share, day = pl.col("share"), pl.col("repaired_on")
    ends = (share == share.min().over(day)) | (share == share.max().over(day)) | day.is_last_distinct()
    is_last = pl.int_range(pl.len()) == pl.len() - 1
    return rows.filter(ends).filter(share.ne_missing(share.shift()) | is_last)


def _sum(rows: pl.DataFrame, name: str, number: int) -> Trace:
    """One chart's sum, repair by repair."""
    outcomes = ["came back" if came_back else "held" for came_back in rows["is_comeback"]]
    return scatter(
        x=[day.isoformat() for day in rows["repaired_on"]],
        y=rows["share"].to_list(),
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


def _signals(rows: pl.DataFrame) -> Trace:
    """Where a sum reaches its threshold."""
    return scatter(
        x=[day.isoformat() for day in rows["repaired_on"]],
        y=rows["share"].to_list(),
        mode="markers",
        name="signal",
        showlegend=not rows.is_empty(),
        marker={"color": WARNING, "size": 10, "symbol": "triangle-up", "line": {"color": QUIET_INK, "width": 1}},
        customdata=[[plain(row["name"]), row["known_on"].isoformat()] for row in rows.iter_rows(named=True)],
        hovertemplate="%{customdata[0]}: signal by the repair of %{x}<br>known on %{customdata[1]}<extra></extra>",
    )
