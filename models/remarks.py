"""Records that are kept though something about them is odd, so that a person can mend them at the source."""

import polars as pl

from models.tables import conform
from models.tables.ledger import REMARKS, Remarks

COMPLETED_EARLY, BEFORE_SERVICE, CLASS_CONTRADICTED = REMARKS
_TRACE = ("vehicle_id", "load_id", "row_number")


def remarks(
    *,
    vehicles: pl.DataFrame,
    work_orders: pl.DataFrame,
    oil_top_ups: pl.DataFrame,
    inspection_notes: pl.DataFrame,
    odometer_readings: pl.DataFrame,
    evidence: pl.DataFrame,
) -> pl.DataFrame:
    """List the records of some vehicles that are odd, once for each thing that is.

    Args:
        vehicles: The vehicles.
        work_orders: Their orders; one counts as before service by its opening.
        oil_top_ups: Their top-ups.
        inspection_notes: Their notes.
        odometer_readings: Their readings.
        evidence: What was read from the notes, with `is_class_contradicted`.

    Returns:
        `Remarks`, sorted by its key.
    """
    orders = _traced(work_orders, "work_orders", "order_id", "opened_on")
    notes = _traced(inspection_notes, "inspection_notes", "note_id", "noted_on")
    dated = [
        orders,
        notes,
        _traced(oil_top_ups, "oil_top_ups", "top_up_id", "topped_up_on"),
        _traced(odometer_readings, "odometer_readings", "reading_id", "read_on"),
    ]
    in_service = vehicles.select("vehicle_id", "in_service_on")
    contradicted = evidence.filter("is_class_contradicted").select(record_id="origin_id")
    found = {
        COMPLETED_EARLY: orders.filter(work_orders["completed_at"] < work_orders["opened_at"]),
        BEFORE_SERVICE: pl.concat(dated)
        .join(in_service, on="vehicle_id")
        .filter(pl.col("on") < pl.col("in_service_on")),
        CLASS_CONTRADICTED: notes.join(contradicted, on="record_id", how="semi"),
    }
    return (
        pl.concat(
            records.select("kind", "record_id", pl.lit(remark).alias("remark"), *_TRACE)
            for remark, records in found.items()
        )
        .sort("kind", "record_id", "remark")
        .pipe(conform, Remarks)
    )


def _traced(records: pl.DataFrame, kind: str, id_column: str, day_column: str) -> pl.DataFrame:
    """Reduce records of one kind to what they are, where they came from and their day."""
    return records.select(pl.lit(kind).alias("kind"), *_TRACE, record_id=id_column, on=day_column)
