"""Estimates with their intervals, a row a group: the figure for comparing groups."""

from typing import Any

import polars as pl

from dashboards.figures.style import (
    QUIET_INK,
    SERIES_COLOURS,
    SERIES_SYMBOLS,
    Figure,
    Trace,
    framed,
    plain,
    scatter,
    wrapped,
)

ROW_HEIGHT, WRAPPED_ROW_HEIGHT, SERIES_HEIGHT, FRAME_HEIGHT = 26, 38, 15, 96
SERIES_GAP = 0.26
FAR, NEAR = 0.7, 0.45
"""Shares of the value axis beyond and before which there is no room for words to the right and to the left."""


def interval_dots(
    rows: pl.DataFrame, *, title: str, line: str, axis: str, axis_format: str = "", reference: float | None = None
) -> Figure:
    """Draw each group's estimates with their intervals.

    Args:
        rows: `label`, `series`, `value`, `low`, `high` (null where not known) and `note`, the words shown where
            there is no value and beside the pointer where there is. Rows stand in the order of the frame.
        title: What is shown.
        line: How to read it.
        axis: Title of the value axis, with its unit.
        axis_format: A d3 number format.
        reference: A value to draw a line at.
    """
    labels = rows["label"].unique(maintain_order=True).to_list()
    series = rows["series"].unique(maintain_order=True).to_list()
    ticks = [wrapped(label) for label in labels]
    placed = rows.with_columns(at=_row_positions(labels, series))
    dots = [_dots(placed.filter(series=name), name, number, axis_format) for number, name in enumerate(series)]
    return framed(
        [*dots, _missing(placed)],
        title=title,
        line=line,
        height=_height(ticks, len(series)),
        xaxis={"title": {"text": plain(axis)}, "tickformat": axis_format, "rangemode": "tozero"},
        yaxis={
            "tickvals": list(range(len(labels))),
            "ticktext": ticks,
            "range": [len(labels) - 0.5, -0.5],
            "showgrid": False,
        },
        showlegend=len(series) > 1,
        shapes=[] if reference is None else [_upright(reference)],
    )


def _upright(at: float) -> dict[str, Any]:
    """A line behind the dots at a value of the x axis."""
    return {
        "type": "line",
        "xref": "x",
        "x0": at,
        "x1": at,
        "yref": "y domain",
        "y0": 0,
        "y1": 1,
        "layer": "below",
        "line": {"color": QUIET_INK, "dash": "dot", "width": 1.5},
    }


def _height(ticks: list[str], series_count: int) -> int:
    """High enough that no two labels touch."""
    one_row = WRAPPED_ROW_HEIGHT if any("<br>" in tick for tick in ticks) else ROW_HEIGHT
    return FRAME_HEIGHT + len(ticks) * max(one_row, ROW_HEIGHT + SERIES_HEIGHT * (series_count - 1))


def _row_positions(labels: list[str], series: list[str]) -> pl.Expr:
    """Where each estimate stands: its group's row, its series above or below the middle."""
    row = pl.col("label").replace_strict(labels, range(len(labels)), return_dtype=pl.Float64)
    middle = (len(series) - 1) / 2
    shifts = [(number - middle) * SERIES_GAP for number in range(len(series))]
    return row + pl.col("series").replace_strict(series, shifts, return_dtype=pl.Float64)


def _dots(rows: pl.DataFrame, name: str, number: int, axis_format: str) -> Trace:
    """The estimates of one series."""
    known = rows.filter(pl.col("value").is_not_null())
    colour = SERIES_COLOURS[number % len(SERIES_COLOURS)]
    return scatter(
        x=known["value"].to_list(),
        y=known["at"].to_list(),
        mode="markers",
        name=plain(name),
        marker={"color": colour, "size": 9, "symbol": SERIES_SYMBOLS[number % len(SERIES_SYMBOLS)]},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": (known["high"] - known["value"]).fill_null(0.0).to_list(),
            "arrayminus": (known["value"] - known["low"]).fill_null(0.0).to_list(),
            "color": colour,
            "thickness": 1.6,
            "width": 4,
        },
        customdata=[
            [plain(label), plain(note)] for label, note in zip(known["label"], known["note"].fill_null(""), strict=True)
        ],
        hovertemplate=f"%{{customdata[0]}}: %{{x:{axis_format}}}<br>%{{customdata[1]}}<extra>{plain(name)}</extra>",
    )


def _missing(placed: pl.DataFrame) -> Trace:
    """Words in place of an estimate that would rest on too little; once where a group has none at all."""
    last = pl.max_horizontal("value", "high").max()
    rows = (
        placed.with_columns(
            has_none=pl.col("value").is_null().all().over("label"),
            start=last.over("label").fill_null(0.0),
            end=pl.min_horizontal("value", "low").min().over("label"),
            furthest=last.fill_null(0.0),
        )
        .filter(pl.col("value").is_null())
        .with_columns(
            at=pl.when("has_none").then(pl.col("at").mean().over("label")).otherwise("at"),
            side=pl.when(pl.col("start") <= FAR * pl.col("furthest"))
            .then(pl.lit("right"))
            .when(pl.col("end") >= NEAR * pl.col("furthest"))
            .then(pl.lit("left"))
            .otherwise(pl.lit("center")),
        )
        .filter(~pl.col("has_none") | pl.col("label").is_last_distinct())
    )
    by_side = {"right": pl.col("start"), "left": pl.col("end"), "center": (pl.col("start") + pl.col("end")) / 2.0}
    return scatter(
        x=rows.select(pl.coalesce(pl.when(side=name).then(at) for name, at in by_side.items())).to_series().to_list(),
        y=rows["at"].to_list(),
        mode="text",
        text=[f"\u00a0{plain(note)}\u00a0" for note in rows["note"].fill_null("")],
        textposition=[f"middle {side}" for side in rows["side"]],
        textfont={"color": QUIET_INK, "size": 12},
        showlegend=False,
        hoverinfo="skip",
        cliponaxis=False,
    )
