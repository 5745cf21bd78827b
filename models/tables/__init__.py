"""Every table's columns, types, units, keys and bounds, declared once.

Casting, checks, documentation and tests all read these classes; no other module spells out a column's type or bound.
`records` holds what came in, `ledger` what happened to each cover, `measures` the figures, `plan` what to do next and
`audit` what was loaded, refused, checked and published.
"""

import dataframely as dy
import polars as pl

from models.tables import audit, ledger, measures, plan, records

LAYERS: dict[str, dict[str, type[dy.Schema]]] = {
    "records": records.TABLES,
    "ledger": ledger.TABLES,
    "measures": measures.TABLES | measures.OF_VEHICLES,
    "plan": plan.TABLES,
    "audit": audit.TABLES,
}
"""Layer name to table name to its declaration, in the order they are built."""


def schema_of(table: str) -> type[dy.Schema]:
    """Return the declaration of one table.

    Raises:
        KeyError: No layer declares a table of that name.
    """
    return LAYERS[layer_of(table)][table]


def layer_of(table: str) -> str:
    """Return the layer that declares a table.

    Raises:
        KeyError: No layer declares a table of that name.
    """
    for layer, tables in LAYERS.items():
        if table in tables:
            return layer
    raise KeyError(table)


def conform(frame: pl.DataFrame, schema: type[dy.Schema]) -> pl.DataFrame:
    """Give a computed frame exactly the declared columns, in the declared order and types.

    An optional column that the computation left out becomes nulls.

    Raises:
        polars.exceptions.ColumnNotFoundError: A column that may not be null is missing.
    """
    columns = schema.columns()
    absent = [
        pl.lit(None).alias(name) for name, column in columns.items() if column.nullable and name not in frame.columns
    ]
    return frame.with_columns(absent).select(pl.col(name).cast(column.dtype) for name, column in columns.items())
