"""Estimates with their intervals, a row a group: the figure for comparing groups."""

import math
from collections.abc import Callable
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

ROW_HEIGHT, SERIES_HEIGHT, FRAME_HEIGHT = 26, 15, 96
LINE_HEIGHT, LABEL_GAP = 17, 8
"""A line of a label, and what keeps labels of several lines apart."""
SERIES_GAP = 0.26
FAR, NEAR = 0.65, 0.45
"""Shares of the value axis beyond and before which there is no room for words to the right and to the left."""

Point = dict[str, Any]
ShareOf = Callable[[float], float]
"""How far along the value axis a value stands, 0 to 1."""


def interval_dots(
    rows: pl.DataFrame,
    *,
    title: str,
    line: str,
    axis: str,
    axis_format: str = "",
    reference: float | None = None,
    log_ends: tuple[float, float] | None = None,
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
        log_ends: Where a log value axis begins and ends; a linear one from 0 where not given.
    """
    labels = rows["label"].unique(maintain_order=True).to_list()
    series = rows["series"].unique(maintain_order=True).to_list()
    ticks = [wrapped(label) for label in labels]
    points = _placed(rows, labels, series)
    dots = [_dots(points, name, number, axis_format) for number, name in enumerate(series)]
    return framed(
        [*dots, _missing(points, _share_of(points, reference, log_ends), reference)],
        title=title,
        line=line,
        height=_height(ticks, len(series)),
        xaxis={"title": {"text": plain(axis)}, "tickformat": axis_format, **_scale(log_ends)},
        yaxis={
            "tickvals": list(range(len(labels))),
            "ticktext": ticks,
            "range": [len(labels) - 0.5, -0.5],
            "showgrid": False,
        },
        showlegend=len(series) > 1,
        shapes=[] if reference is None else [_upright(reference)],
    )


def _scale(log_ends: tuple[float, float] | None) -> dict[str, Any]:
    """What makes the value axis linear from 0, or logarithmic."""
    if log_ends is None:
        return {"rangemode": "tozero"}
    return {"type": "log", "range": [math.log10(end) for end in log_ends]}


def _share_of(points: list[Point], reference: float | None, log_ends: tuple[float, float] | None) -> ShareOf:
    """How far along the axis a value stands, on the axis' own scale."""
    if log_ends is not None:
        first, last = (math.log(end) for end in log_ends)
        return lambda value: (math.log(value) - first) / (last - first)
    furthest = max([*_reach(points), reference or 0.0])
    return lambda value: value / furthest if furthest else 0.0


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
    lines = max((tick.count("<br>") + 1 for tick in ticks), default=1)
    row = max(lines * LINE_HEIGHT + LABEL_GAP, ROW_HEIGHT + SERIES_HEIGHT * (series_count - 1))
    return FRAME_HEIGHT + len(ticks) * row


def _placed(rows: pl.DataFrame, labels: list[str], series: list[str]) -> list[Point]:
    """Each estimate with `at`, where it stands: its group's row, its series above or below the middle."""
    row_of = {label: row for row, label in enumerate(labels)}
    middle = (len(series) - 1) / 2
    shift_of = {name: (number - middle) * SERIES_GAP for number, name in enumerate(series)}
    return [point | {"at": row_of[point["label"]] + shift_of[point["series"]]} for point in rows.iter_rows(named=True)]


def _dots(points: list[Point], name: str, number: int, axis_format: str) -> Trace:
    """The estimates of one series."""
    known = [point for point in points if point["series"] == name and point["value"] is not None]
    colour = SERIES_COLOURS[number % len(SERIES_COLOURS)]
    return scatter(
        x=[point["value"] for point in known],
        y=[point["at"] for point in known],
        mode="markers",
        name=plain(name),
        marker={"color": colour, "size": 9, "symbol": SERIES_SYMBOLS[number % len(SERIES_SYMBOLS)]},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": [0.0 if point["high"] is None else point["high"] - point["value"] for point in known],
            "arrayminus": [0.0 if point["low"] is None else point["value"] - point["low"] for point in known],
            "color": colour,
            "thickness": 1.6,
            "width": 4,
        },
        customdata=[[plain(point["label"]), plain(point["note"] or "")] for point in known],
        hovertemplate=f"%{{customdata[0]}}: %{{x:{axis_format}}}<br>%{{customdata[1]}}<extra>{plain(name)}</extra>",
    )


def _missing(points: list[Point], share_of: ShareOf, reference: float | None) -> Trace:
    """Words in place of an estimate that would rest on too little; once where a group has none at all."""
    of_label: dict[str, list[Point]] = {}
    for point in points:
        of_label.setdefault(point["label"], []).append(point)
    words = [word for group in of_label.values() for word in _words(group, share_of, reference)]
    return scatter(
        x=[word["x"] for word in words],
        y=[word["at"] for word in words],
        mode="text",
        text=[f"\u00a0{plain(word['note'] or '')}\u00a0" for word in words],
        textposition=[f"middle {word['side']}" for word in words],
        textfont={"color": QUIET_INK, "size": 12},
        showlegend=False,
        hoverinfo="skip",
        cliponaxis=False,
    )


def _words(group: list[Point], share_of: ShareOf, reference: float | None) -> list[Point]:
    """What is said of one group's missing estimates, clear of those it has and of the line where there is room."""
    missing = [point for point in group if point["value"] is None]
    reach = _reach(group)
    place = _place(reach, share_of, reference)
    if not reach:
        middle = sum(point["at"] for point in group) / len(group)
        return [missing[-1] | place | {"at": middle}]
    return [point | place for point in missing]


def _place(reach: list[float], share_of: ShareOf, reference: float | None) -> Point:
    """Where words stand: right of all that is drawn, else left of it, else beside the line, else between."""
    line = [] if reference is None else [reference]
    drawn = [*reach, *line]
    if not drawn:
        return {"x": 0.0, "side": "right"}
    start, end = max(drawn), min(drawn)
    if share_of(start) <= FAR:
        return {"x": start, "side": "right"}
    if share_of(end) >= NEAR:
        return {"x": end, "side": "left"}
    return _place(line, share_of, None) if line else {"x": (start + end) / 2.0, "side": "center"}


def _reach(points: list[Point]) -> list[float]:
    """All that the estimates and their intervals reach."""
    reached = (point[name] for point in points for name in ("low", "value", "high"))
    return [value for value in reached if value is not None]
