"""What makes two rows the same, and identifiers made from it.

Content is the canonical, typed value of every column in a fixed order, so that the same fact has the same content in
whatever file, format or order it comes. Nothing here depends on a library's own hash.
"""

from hashlib import blake2b

import polars as pl

from models.tables.records import TABLES

DIGEST_BYTES = 10
"""80 bits: among 10^8 rows a chance meeting has probability n²/2^81 = 4e-9."""

DERIVED_IDS = {"oil_top_ups": "top_up_id", "inspection_notes": "note_id", "odometer_readings": "reading_id"}
"""Kinds whose rows need no number of their own: the number is made from the content."""
MOMENTS = {"oil_top_ups": "topped_up_at", "inspection_notes": "noted_at", "odometer_readings": "read_at"}
"""Column with the moment of a row that needs no number."""

NOT_CONTENT = ("load_id", "row_number", "line_count", *DERIVED_IDS.values())
DECIMALS = 6
_BETWEEN, _MISSING = "\x1f", "\x00"


def with_ids(typed: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Give rows that need no number of their own one made from their content.

    A note keeps the number its file gives; where it gives none, the number is made from the content.
    """
    if (derived := DERIVED_IDS.get(kind)) is None:
        return typed
    given = typed[derived] if derived in typed.columns else pl.repeat(None, typed.height, dtype=pl.String, eager=True)
    lacking = given.is_null()
    made = digests(_content(typed.filter(lacking), kind))
    return typed.with_columns(given.scatter(lacking.arg_true(), made).alias(derived))


def with_content(typed: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Add `content`, a digest of every column of the kind's table that the file gives."""
    return typed.with_columns(content=digests(_content(typed, kind)))


def _content(typed: pl.DataFrame, kind: str) -> pl.Series:
    columns = [name for name in TABLES[kind].columns() if name in typed.columns and name not in NOT_CONTENT]
    return typed.select(
        pl.concat_str([_written(name, typed.schema[name]) for name in columns], separator=_BETWEEN)
    ).to_series()


def _written(name: str, dtype: pl.DataType) -> pl.Expr:
    column = pl.col(name)
    if dtype.is_float():
        column = column.round(DECIMALS) + 0.0
    elif isinstance(dtype, pl.Datetime):
        column = column.dt.epoch("us")
    return column.cast(pl.String).fill_null(_MISSING)


def digests(text: pl.Series) -> pl.Series:
    """Return the BLAKE2b digest of each text in hexadecimal digits."""
    values = text.cast(pl.Binary).to_list()
    return pl.Series([blake2b(value, digest_size=DIGEST_BYTES).hexdigest() for value in values], dtype=pl.String)
