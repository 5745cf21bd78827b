"""Batches of rows: bounded in rows, cells and characters, blank rows left out."""

import re
from array import array
from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np
import polars as pl
import pyarrow as pa

from models.records.canonical import UNDECODABLE_SIGN
from models.records.landed import LISTED_SCHEMA, LandedRows, laid_out

ROWS_PER_BATCH = 50_000
CELLS_PER_BATCH = 5_000_000
"""A batch of very wide rows ends sooner, so that memory stays bounded."""
CHARACTERS_PER_BATCH = 100_000_000
"""So does one of very long texts."""
MAX_COLUMNS = 20_000
"""A workbook holds at most 16,384 (ECMA-376 as implemented); a wider table is no table of records."""
NO_TEXT = re.compile(r"[\0\ud800-\udfff]")

Row = tuple[int, Sequence[str | None]]


def in_batches(rows: Iterator[Row], width: int) -> Iterator[LandedRows]:
    """Gather rows, leaving out those in which nothing stands.

    Cells are gathered in one flat list: a list kept for each row makes the interpreter's cycle collector take three
    times as long as the reading.
    """
    while True:
        numbers, offsets, flat, characters = array("q"), array("i", [0]), list[str | None](), 0
        for number, cells in islice(rows, ROWS_PER_BATCH):
            numbers.append(number)
            flat.extend(cells)
            offsets.append(len(flat))
            characters += sum(map(len, filter(None, cells)))
            if len(flat) > CELLS_PER_BATCH or characters > CHARACTERS_PER_BATCH:
                break
        if not numbers:
            return
        starts = pa.Array.from_buffers(pa.int32(), len(offsets), [None, pa.py_buffer(offsets)])
        lists = pa.ListArray.from_arrays(
            starts, pl.Series(flat, dtype=pl.String).to_arrow(compat_level=pl.CompatLevel.oldest())
        )
        listed = pl.DataFrame({"row_number": np.frombuffer(numbers, np.int64), "cells": lists}, schema=LISTED_SCHEMA)
        filled = listed.filter(pl.col("cells").list.join("", ignore_nulls=True).str.contains(r"\S"))
        if not filled.is_empty():
            yield laid_out(filled, width=width)


def frame_batches(rows: pl.DataFrame) -> Iterator[LandedRows]:
    """Turn a frame of `row_number`, then text columns in the order of the header, into batches of its filled rows."""
    rows = rows.rename({name: str(place) for place, name in enumerate(rows.columns[1:])})
    rows = rows.cast({"row_number": pl.Int64})
    for batch in rows.iter_slices(ROWS_PER_BATCH):
        is_filled = pl.repeat(False, batch.height, dtype=pl.Boolean, eager=True)
        for name in rows.columns[1:]:
            is_filled |= batch[name].str.contains(r"\S").fill_null(value=False)
            if is_filled.all():
                break
        filled = batch.filter(is_filled)
        if not filled.is_empty():
            yield LandedRows(filled)


def names_of(header: Sequence[str | None]) -> list[str]:
    """Return the names of columns; what is no text in them shows as a sign."""
    return [NO_TEXT.sub(UNDECODABLE_SIGN, name or "") for name in header]


def broken(line: str, header: list[str]) -> Sequence[str | None]:
    """Return a line that is no row as one cell, of another number than the header has."""
    return [line] if len(header) > 1 else [line, None]
