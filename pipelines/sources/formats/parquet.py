"""Parquet: every column written out as text."""

import json
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import polars as pl
import pyarrow as pa

from models.errors import UnreadableFileError
from models.records.canonical import NUL_SIGN
from models.records.landed import LandedRows
from pipelines.sources.formats.batches import CHARACTERS_PER_BATCH, ROWS_PER_BATCH, frame_batches, names_of
from pipelines.sources.maps import SourceMap

_PER_DAY = {"d": 1, "ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}
_FIRST_DAY, _LAST_DAY = -719_162, 2_932_896
"""0001-01-01 and 9999-12-31 in days from 1970-01-01 (proleptic Gregorian calendar)."""


def parquet_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
    """Return the header and the rows of a Parquet file."""
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            schema = file.schema_arrow
        texts = [field.name for field in schema if _is_text(field.type)]
        file = pq.ParquetFile(path, read_dictionary=texts)
    except (pa.ArrowException, OSError) as error:
        raise UnreadableFileError(path, "is not a readable Parquet file", "Export it again.") from error

    def batches() -> Iterator[LandedRows]:
        first = 2
        try:
            for table in chain.from_iterable(
                _written_out(path, batch) for batch in file.iter_batches(batch_size=ROWS_PER_BATCH)
            ):
                frame = pl.DataFrame(pl.from_arrow(table))
                yield from frame_batches(_as_text(frame).with_row_index("row_number", offset=first))
                first += frame.height
        except (pa.ArrowException, OSError, UnicodeError) as error:
            raise UnreadableFileError(path, "is a damaged Parquet file", "Export it again.") from error

    return names_of(schema.names), batches()


def _is_text(dtype: pa.DataType) -> bool:
    tests = (pa.types.is_string, pa.types.is_binary, pa.types.is_large_string, pa.types.is_large_binary)
    return any(is_kind(dtype) for is_kind in tests)


def _written_out(path: Path, batch: pa.RecordBatch) -> Iterator[pa.Table]:
    """Write each text in every row that shows it, in tables of bounded size, if that is no more than tables hold."""
    shown = [_characters_shown(column) for column in batch.columns]
    total, most = sum(shown), max(shown, default=0)
    if most > CHARACTERS_PER_BATCH or (batch.num_rows == 1 and total > CHARACTERS_PER_BATCH):
        fault = f"holds over {CHARACTERS_PER_BATCH:,} characters in {batch.num_rows:,} rows"
        raise UnreadableFileError(path, fault, "Export the columns of the record kind.")
    if total > CHARACTERS_PER_BATCH:
        half = batch.num_rows // 2
        yield from _written_out(path, batch.slice(0, half))
        yield from _written_out(path, batch.slice(half))
        return
    columns = [
        column.dictionary_decode() if isinstance(column, pa.DictionaryArray) else column for column in batch.columns
    ]
    yield pa.Table.from_arrays(columns, names=[str(place) for place in range(len(columns))])


def _characters_shown(column: pa.Array) -> int:
    """Return the bytes of a text column, each text counted in every row that shows it; 0 for other columns."""
    import pyarrow.compute as pc

    texts = column.dictionary if isinstance(column, pa.DictionaryArray) else column
    if not _is_text(texts.type):
        return 0
    lengths = pc.binary_length(texts).cast(pa.int64())
    if isinstance(column, pa.DictionaryArray):
        lengths = lengths.take(column.indices)
    return int(pc.sum(lengths).as_py() or 0)


def _as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Write every column as text: days and times in ISO form, nested values as JSON."""
    return frame.select(_column_as_text(column) for column in frame)


def _column_as_text(column: pl.Series) -> pl.Series:
    if column.dtype.is_nested():
        return pl.Series(column.name, [json.dumps(value, default=str) for value in column.to_list()], dtype=pl.String)
    if isinstance(column.dtype, pl.Date | pl.Datetime):
        return _times_as_text(column)
    if column.dtype == pl.Binary:
        texts = [None if value is None else value.decode(errors="replace") for value in column]
        column = pl.Series(column.name, texts, dtype=pl.String)
    return column.cast(pl.String).str.replace_all("\0", NUL_SIGN, literal=True)


def _times_as_text(column: pl.Series) -> pl.Series:
    """Write days and times in ISO form, and the bare number where it lies beyond the years 1 to 9999."""
    number = column.to_physical().cast(pl.Int64)
    per_day = _PER_DAY[column.dtype.time_unit if isinstance(column.dtype, pl.Datetime) else "d"]
    day = number // per_day
    is_in_calendar = day.is_between(_FIRST_DAY, _LAST_DAY)
    written = column.zip_with(is_in_calendar, pl.Series([None], dtype=column.dtype)).cast(pl.String)
    return written.zip_with(is_in_calendar.fill_null(value=True), number.cast(pl.String))
