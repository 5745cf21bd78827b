"""Run a per-vehicle function over all vehicles, a bucket of them at a time."""

from collections.abc import Callable, Sequence

import polars as pl

from models.tables import LAYERS, conform
from pipelines.warehouse import Warehouse

VEHICLES_PER_BUCKET = 20_000
"""Ten years of so many vehicles fit into about 2 GiB."""


def over_vehicles(
    warehouse: Warehouse,
    function: Callable[..., pl.DataFrame],
    *,
    tables: Sequence[tuple[str, str]],
    vehicles_per_bucket: int = VEHICLES_PER_BUCKET,
) -> pl.DataFrame:
    """Apply a function to the rows of each bucket of vehicles and stack what it returns.

    Args:
        warehouse: Where the tables are read from.
        function: Takes one frame a table, as keyword arguments named after the tables; vehicles in different buckets
            must not depend on each other.
        tables: (layer, table) pairs; a table without a `vehicle_id` goes to every bucket whole.
        vehicles_per_bucket: The most vehicles held in memory at once, about.

    Returns:
        The stacked results, in bucket order.
    """
    vehicles = warehouse.select("SELECT count(*) AS n FROM records.vehicles")["n"].item()
    buckets = max(1, -(-vehicles // vehicles_per_bucket))
    parts = [
        function(**{table: _read_bucket(warehouse, layer, table, bucket, buckets) for layer, table in tables})
        for bucket in range(buckets)
    ]
    return pl.concat(parts)


def _read_bucket(warehouse: Warehouse, layer: str, table: str, bucket: int, buckets: int) -> pl.DataFrame:
    """Read the rows of one bucket's vehicles."""
    schema = LAYERS[layer][table]
    if buckets == 1 or "vehicle_id" not in schema.columns():
        return warehouse.read(layer, table)
    query = f"SELECT * FROM {layer}.{table} WHERE hash(vehicle_id) % $buckets = $bucket"
    return warehouse.select(query, buckets=buckets, bucket=bucket).pipe(conform, schema)
