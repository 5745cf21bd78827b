"""What every asset does around its one pure function: time it, store the table, and say what came of it."""

import base64
from collections.abc import Callable
from time import perf_counter

import dagster as dg
import polars as pl

from pipelines.fleet_home import FleetHome

BAR_WIDTH, BAR_HEIGHT, MAX_BARS = 10, 60, 48


def materialize(home: FleetHome, layer: str, table: str, build: Callable[[], pl.DataFrame]) -> dg.MaterializeResult:
    """Build a table, store it, and record its rows, seconds and a small plot."""
    started = perf_counter()
    frame = build()
    rows = home.warehouse.write(layer, table, frame)
    return dg.MaterializeResult(asset_key=table, metadata=describe(frame, rows, perf_counter() - started))


def describe(frame: pl.DataFrame, rows: int, seconds: float) -> dict[str, object]:
    """The metadata of a stored table."""
    metadata: dict[str, object] = {"rows": rows, "seconds": round(seconds, 3)}
    if (plot := _rows_a_month(frame)) is not None:
        metadata["rows a month"] = dg.MetadataValue.md(plot)
    return metadata


def _rows_a_month(frame: pl.DataFrame) -> str | None:
    """A bar a month of the table's first date, as an image in Markdown."""
    days = next((name for name, dtype in frame.schema.items() if dtype == pl.Date), None)
    if days is None or frame[days].drop_nulls().is_empty():
        return None
    months = frame.drop_nulls(days).group_by(pl.col(days).dt.truncate("1mo")).len().sort(days).tail(MAX_BARS)
    return _bars(months["len"].to_list(), f"{months[days].min():%Y-%m} to {months[days].max():%Y-%m}")


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
