"""What every asset does around its one pure function: time it, store the table, and say what came of it."""

import base64
from collections.abc import Callable, Mapping
from time import perf_counter

import dagster as dg
import polars as pl

from models.tables import LAYERS
from pipelines.fleet_home import FleetHome

BAR_WIDTH, BAR_HEIGHT, MAX_BARS = 10, 60, 48


def materialize(home: FleetHome, layer: str, table: str, build: Callable[[], pl.DataFrame]) -> dg.MaterializeResult:
    """Build a table, store it, and record its rows, seconds and a small plot."""
    started = perf_counter()
    frame = build()
    rows = home.warehouse.write(layer, table, frame)
    return dg.MaterializeResult(asset_key=table, metadata=describe(frame, rows, perf_counter() - started))


def describe(frame: pl.DataFrame, rows: int, seconds: float) -> dict[str, object]:
    """The metadata of a table that was stored whole."""
    day = _first_day(frame.schema)
    return _metadata(frame[day] if day else None, rows, seconds)


def describe_stored(home: FleetHome, layer: str, table: str, seconds: float) -> dict[str, object]:
    """The metadata of a table of which some rows were replaced."""
    day = _first_day({name: column.dtype for name, column in LAYERS[layer][table].columns().items()})
    rows = home.warehouse.select(f"SELECT {day or 'NULL'} AS day FROM {layer}.{table}")["day"]
    return _metadata(rows if day else None, rows.len(), seconds)


def _metadata(days: pl.Series | None, rows: int, seconds: float) -> dict[str, object]:
    """Rows, seconds and, where there are days, a small plot."""
    metadata: dict[str, object] = {"rows": rows, "seconds": round(seconds, 3)}
    if days is not None and (plot := _rows_a_month(days.drop_nulls())) is not None:
        metadata["rows a month"] = dg.MetadataValue.md(plot)
    return metadata


def _first_day(schema: Mapping[str, pl.DataType]) -> str | None:
    """The first column that holds a day."""
    return next((name for name, dtype in schema.items() if dtype == pl.Date), None)


def _rows_a_month(days: pl.Series) -> str | None:
    """A bar a month, as an image in Markdown."""
    if days.is_empty():
        return None
    months = days.dt.truncate("1mo").alias("month").value_counts().sort("month").tail(MAX_BARS)
    return _bars(months["count"].to_list(), f"{months['month'].min():%Y-%m} to {months['month'].max():%Y-%m}")


def _bars(heights: list[int], caption: str) -> str:
    """Draw bars as an inline SVG."""
    scale = BAR_HEIGHT / max(heights)
    bars = "".join(
        f'<rect x="{place * BAR_WIDTH}" y="{BAR_HEIGHT - height * scale:.1f}" width="{BAR_WIDTH - 2}" '
        f'height="{height * scale:.1f}" fill="#356a8a"/>'
        for place, height in enumerate(heights)
    )
    width = len(heights) * BAR_WIDTH
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{BAR_HEIGHT}">{bars}</svg>'
    return f"![{caption}](data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}) {caption}"
