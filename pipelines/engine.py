"""Run a per-vehicle function over vehicles, a bucket of them at a time."""

from collections.abc import Callable, Sequence

import polars as pl

from pipelines.warehouse import Warehouse

VEHICLES_PER_BUCKET = 20_000
"""Ten years of so many vehicles fit into about 2 GiB."""


def over_vehicles(
    warehouse: Warehouse,
    function: Callable[..., pl.DataFrame],
    *,
    vehicles: pl.Series,
    tables: Sequence[tuple[str, str]],
    vehicles_per_bucket: int = VEHICLES_PER_BUCKET,
) -> pl.DataFrame:
    """Apply a function to the rows of each bucket of vehicles and stack what it returns.

    Args:
        warehouse: Where the tables are read from.
        function: Takes one frame a table, as keyword arguments named after the tables; what it returns for a vehicle
            must not depend on the other vehicles of its bucket.
        vehicles: The vehicles' numbers.
        tables: (layer, table) pairs; a table without a `vehicle_id` goes to every bucket whole.
        vehicles_per_bucket: The most vehicles held in memory at once.

    Returns:
        The stacked results, in bucket order.
    """
    starts = range(0, max(1, vehicles.len()), vehicles_per_bucket)
    buckets = [vehicles.slice(start, vehicles_per_bucket) for start in starts]
    return pl.concat(
        function(**{table: warehouse.read(layer, table, vehicles=bucket) for layer, table in tables})
        for bucket in buckets
    )
