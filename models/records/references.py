"""Rows that name a vehicle or an order which has not arrived are held, not lost.

They stand among the refused rows with a reason that says so; because they are judged again whenever something arrives
that shares a vehicle or an order with them, they are released by themselves in the run in which what they name arrives.
An engine family without a reference row holds nothing up: its engines count as having a single cover.
"""

import polars as pl

from models.records.canonical import REFUSED_SCHEMA, refusals

REFERS_TO = {
    "engine_fitments": {"vehicle_id": "vehicles"},
    "work_orders": {"vehicle_id": "vehicles"},
    "repair_records": {"order_id": "work_orders"},
    "oil_top_ups": {"vehicle_id": "vehicles"},
    "inspection_notes": {"vehicle_id": "vehicles"},
    "odometer_readings": {"vehicle_id": "vehicles"},
}
"""Kind to the columns that must be found under the same name in another kind's table."""


def hold_unknown(typed: pl.DataFrame, kind: str, tables: dict[str, pl.DataFrame]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part the rows whose references are all known from those that are held.

    Args:
        typed: The typed rows of one kind.
        kind: The record kind.
        tables: The finished tables of the kinds it refers to.

    Returns:
        The rows that stand, and the held ones as refusals naming the first unknown reference.
    """
    held = [pl.DataFrame(schema=REFUSED_SCHEMA)]
    for column, target in REFERS_TO.get(kind, {}).items():
        known = typed[column].is_in(tables[target][column].implode())
        reason = f"is not among the {target.replace('_', ' ')} yet: held until it arrives, then released by itself"
        held.append(refusals(typed.filter(~known), column_name=column, value=pl.col(column), reason=pl.lit(reason)))
        typed = typed.filter(known)
    return typed, pl.concat(held)
