"""A file's rows as text, in batches of bounded size, exactly as they stand in it.

Rows are never dropped here: a row with the wrong number of cells, a line that is no row, bytes that are no text are all
handed on and refused with a reason when they are typed. Only blank rows, which hold nothing, are left out; they still
count in the row numbers.
"""

import csv
import gzip
import hashlib
import json
import re
import zipfile
import zlib
from array import array
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import IO, Any

import polars as pl
import pyarrow as pa

from models.errors import UnreadableFileError
from models.records import header_fault
from models.records.build import LANDED_SCHEMA
from models.records.canonical import NUL_SIGN, UNDECODABLE_SIGN, same_name
from models.records.conversion import input_columns
from pipelines.sources.maps import SourceMap

ROWS_PER_BATCH = 50_000
CELLS_PER_BATCH = 5_000_000
"""A batch of very wide rows ends sooner, so that memory stays bounded."""
MAX_LINE_CHARACTERS = 16_000_000
"""A longer line is no line of a table (a table of 10,000 columns of 1,000 characters is shorter)."""
MAX_WORKBOOK_BYTES = 2_000_000_000
"""Unpacked; a full sheet of 1,048,576 rows by 20 columns takes about 1 GB."""
MAX_SHEET_CELLS = 60_000_000
"""A reader keeps every cell up to the last corner, about 30 bytes each; a full sheet of 50 columns is smaller."""
DELIMITERS = (",", ";", "\t", "|")
_DIGEST_CHUNK_BYTES = 1 << 20
_BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}

_DIMENSION = re.compile(rb"<dimension ref=\"[A-Z]+\d+:([A-Z]{1,3})(\d{1,7})\"")
_NO_TEXT = re.compile(r"[\0\ud800-\udfff]")

Row = tuple[int, Sequence[str | None]]


@dataclass(frozen=True)
class FileRows:
    """The rows of one file.

    Args:
        header: The file's column names as they stand in it.
        batches: Frames of `row_number` (Int64, as a spreadsheet shows it: the header is row 1 where no title stands
            above it; in JSON Lines, the line) and `cells` (List of String, in the order of the header). Iterating may
            raise `UnreadableFileError` where the file breaks off: then none of it should be kept.
    """

    header: tuple[str, ...]
    batches: Iterator[pl.DataFrame]


def content_digest(path: Path) -> str:
    """Return the SHA-256 of a file's bytes in hexadecimal digits.

    Raises:
        UnreadableFileError: The file cannot be opened.
    """
    digest = hashlib.sha256()
    with _plain_words(path), path.open("rb") as file:
        while chunk := file.read(_DIGEST_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def read_rows(path: Path, source_map: SourceMap) -> FileRows:
    """Open a file and read its header.

    Args:
        path: The file.
        source_map: How to open and read it, with its format known (as `match` returns it).

    Raises:
        UnreadableFileError: The file cannot be opened, is empty, is not what its name says, or its header lacks a
            column that the map names or the kind needs.
    """
    readers = {"csv": _csv_rows, "jsonl": _json_rows, "xlsx": _workbook_rows, "parquet": _parquet_rows}
    with _plain_words(path):
        if path.stat().st_size == 0:
            raise UnreadableFileError(path, "is empty", "Export it again.")
        header, batches = readers[source_map.format or "csv"](path, source_map)
    if fault := header_fault(header, source_map):
        raise UnreadableFileError(path, fault[1], f"Mend the file, or columns of the source map {source_map.name!r}.")
    return FileRows(header=tuple(header), batches=_guarded(path, batches))


@contextmanager
def _plain_words(path: Path) -> Iterator[None]:
    """Turn what libraries raise on a broken file into one plain sentence."""
    try:
        yield
    except UnreadableFileError:
        raise
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise UnreadableFileError(path, "breaks off or is damaged", "Copy it again from its source.") from error
    except OSError as error:
        raise UnreadableFileError(path, f"cannot be opened ({error.strerror or error})", "Check it.") from error
    except pl.exceptions.PolarsError as error:
        raise UnreadableFileError(path, f"holds what cannot be read as text ({error})", "Export it as CSV.") from error
    except UnicodeError as error:
        raise UnreadableFileError(path, "is not text in its encoding", "Set encoding in its source map.") from error


def _guarded(path: Path, batches: Iterator[pl.DataFrame]) -> Iterator[pl.DataFrame]:
    with _plain_words(path):
        yield from batches


def _in_batches(rows: Iterator[Row]) -> Iterator[pl.DataFrame]:
    """Gather rows into frames, leaving out those in which nothing stands.

    Cells are gathered in one flat list: a list kept for each row makes the interpreter's cycle collector take three
    times as long as the reading.
    """
    while True:
        numbers, offsets, flat = array("q"), array("i", [0]), list[str | None]()
        for number, cells in islice(rows, ROWS_PER_BATCH):
            numbers.append(number)
            flat.extend(cells)
            offsets.append(len(flat))
            if len(flat) > CELLS_PER_BATCH:
                break
        if not numbers:
            return
        lists = pa.ListArray.from_arrays(pa.array(offsets, pa.int32()), pa.array(flat, pa.large_string()))
        table = pa.table({"row_number": pa.array(numbers, pa.int64()), "cells": lists})
        yield from _filled(pl.DataFrame(pl.from_arrow(table), schema=LANDED_SCHEMA))


def _filled(batch: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Yield the rows in which something stands, if there are any."""
    filled = batch.filter(pl.col("cells").list.join("", ignore_nulls=True).str.contains(r"\S"))
    if not filled.is_empty():
        yield filled


def _open_text(path: Path, encoding: str | None) -> IO[str]:
    """Open a text file, gzipped or not, by its byte order mark or else in the declared encoding.

    Raises:
        UnreadableFileError: It holds NUL bytes at its start, as UTF-16 without a byte order mark does.
    """
    opener: Any = gzip.open if path.suffix.lower() == ".gz" else open
    with opener(path, "rb") as raw:
        start = raw.read(4_096)
    marked = next((name for mark, name in _BYTE_ORDER_MARKS.items() if start.startswith(mark)), None)
    if encoding is None and marked is None and start.count(b"\0") > len(start) // 4:
        remedy = "If it is UTF-16, set encoding to utf-16-le or utf-16-be in its source map."
        raise UnreadableFileError(path, "holds NUL bytes and is no plain text", remedy)
    opened: IO[str] = opener(path, "rt", encoding=marked or encoding or "utf-8", errors="replace", newline="")
    return opened


def _lines(path: Path, source_map: SourceMap) -> Iterator[str]:
    """Yield lines of bounded length; a NUL becomes a visible sign."""
    with _open_text(path, source_map.encoding) as text:
        while line := text.readline(MAX_LINE_CHARACTERS):
            if len(line) >= MAX_LINE_CHARACTERS and not line.endswith(("\n", "\r")):
                remedy = "Check that it is a table of text."
                raise UnreadableFileError(path, f"has a line of over {MAX_LINE_CHARACTERS:,} characters", remedy)
            yield line.replace("\0", NUL_SIGN) if "\0" in line else line


class _Lookback:
    """Lines of a file, which takes back those that a broken row swallowed."""

    def __init__(self, lines: Iterator[str]) -> None:
        self._lines = lines
        self._taken: list[str] = []
        self._waiting: deque[str] = deque()

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._waiting.popleft() if self._waiting else next(self._lines)
        self._taken.append(line)
        return line

    def forget(self) -> None:
        """Forget the lines taken: they made a sound row."""
        self._taken.clear()

    def take_back(self) -> str:
        """Take back all lines taken but the first, and return that one."""
        first, *rest = self._taken
        self._waiting.extendleft(reversed(rest))
        self._taken.clear()
        return first


def _records(lines: Iterator[str], delimiter: str) -> Iterator[list[str] | str]:
    """Yield the cells of each row, or the line itself where its quotes do not match.

    An unmatched quotation mark would swallow the lines after it: only its own line is set aside.
    """
    source = _Lookback(lines)
    reader = csv.reader(source, delimiter=delimiter, strict=True)
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            yield source.take_back().rstrip("\r\n")
        else:
            source.forget()
            yield cells


def _csv_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[pl.DataFrame]]:
    delimiter = source_map.delimiter or _sniffed_delimiter(path, source_map)
    records = _records(_lines(path, source_map), delimiter)
    header = next(islice(records, source_map.skip_rows, None), None)
    if not header or isinstance(header, str):
        remedy = "Check skip_rows and delimiter in its source map."
        raise UnreadableFileError(path, f"has no header in row {source_map.skip_rows + 1}", remedy)
    named = _named(header)

    def rows() -> Iterator[Row]:
        for number, cells in enumerate(records, start=source_map.skip_rows + 2):
            yield number, _broken(cells, named) if isinstance(cells, str) else cells

    return named, _in_batches(rows())


def _named(header: Sequence[str | None]) -> list[str]:
    return [_NO_TEXT.sub(UNDECODABLE_SIGN, name or "") for name in header]


def _broken(line: str, header: list[str]) -> Sequence[str | None]:
    """Return a line that is no row as one cell, of another number than the header has."""
    return [line] if len(header) > 1 else [line, None]


def _sniffed_delimiter(path: Path, source_map: SourceMap) -> str:
    """Return the delimiter that finds most of the wanted columns in the header, then most columns."""
    lines = list(islice(_lines(path, source_map), source_map.skip_rows, source_map.skip_rows + 1))
    wanted = {same_name(name) for name in (*source_map.columns.values(), *input_columns(source_map.kind))}

    def columns_found(delimiter: str) -> tuple[int, int]:
        header = next(csv.reader(lines, delimiter=delimiter), [])
        return len(wanted & {same_name(name) for name in header}), len(header)

    return max(DELIMITERS, key=columns_found)


def _json_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[pl.DataFrame]]:
    """Read JSON Lines twice: once for the names in use, once for the rows."""
    names: dict[str, None] = {}
    for line in _lines(path, source_map):
        names.update(dict.fromkeys(_json_object(line) or ()))
    if not names:
        raise UnreadableFileError(path, "holds no JSON object", "Write one object in each line.")
    keys = list(names)

    def rows() -> Iterator[Row]:
        for number, line in enumerate(_lines(path, source_map), start=1):
            row = _json_object(line)
            yield number, _broken(line.strip(), keys) if row is None else [_json_text(row.get(key)) for key in keys]

    return _named(keys), _in_batches(rows())


def _json_object(line: str) -> dict[str, Any] | None:
    """Parse one line, its numbers kept as written; None where it is not an object."""
    try:
        found = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _json_text(value: Any) -> str | None:
    if value is None:
        return None
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return _NO_TEXT.sub(UNDECODABLE_SIGN, text)


def _workbook_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[pl.DataFrame]]:
    import fastexcel

    _check_size(path)
    try:
        workbook = fastexcel.read_excel(path)
        if source_map.sheet is not None and source_map.sheet not in workbook.sheet_names:
            remedy = f"Set sheet to one of {', '.join(workbook.sheet_names)}."
            raise UnreadableFileError(path, f"has no sheet {source_map.sheet!r}", remedy)
        sheet = workbook.load_sheet(source_map.sheet or 0, header_row=None, skip_rows=0, dtypes="string")
        frame = sheet.to_polars()
    except fastexcel.FastExcelError as error:
        raise UnreadableFileError(path, "is not a readable workbook", "Save it again as .xlsx.") from error
    if frame.height <= source_map.skip_rows:
        raise UnreadableFileError(
            path, f"has no header in row {source_map.skip_rows + 1}", "Check sheet and skip_rows."
        )
    header = list(frame.row(source_map.skip_rows))
    rows = frame.with_row_index("row_number", offset=1).slice(source_map.skip_rows + 1)
    return _named(header), _frame_batches(rows)


def sheet_names(path: Path) -> list[str]:
    """Return the names of a workbook's sheets.

    Raises:
        UnreadableFileError: It is no workbook, or unpacks to more than any workbook holds.
    """
    import fastexcel

    with _plain_words(path):
        _check_size(path)
    try:
        return fastexcel.read_excel(path).sheet_names
    except fastexcel.FastExcelError as error:
        raise UnreadableFileError(path, "is not a readable workbook", "Save it again as .xlsx.") from error


def _check_size(path: Path) -> None:
    """Refuse what is no workbook, and what would unpack to more than any workbook holds.

    A stray cell in a sheet's far corner makes the sheet as large as its corner: its stated dimension is looked at.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            starts = [_start_of(archive, entry) for entry in entries if entry.filename.startswith("xl/worksheets/")]
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        raise UnreadableFileError(path, "is not a workbook", "Save it again as .xlsx, without a password.") from error
    if (unpacked := sum(entry.file_size for entry in entries)) > MAX_WORKBOOK_BYTES:
        raise UnreadableFileError(path, f"unpacks to {unpacked:,} bytes", "Split it, or export it as CSV.")
    for corner in filter(None, map(_DIMENSION.search, starts)):
        if _column_number(corner[1]) * int(corner[2]) > MAX_SHEET_CELLS:
            place = f"{corner[1].decode()}{corner[2].decode()}"
            raise UnreadableFileError(path, f"has a cell as far out as {place}", "Delete what stands beside the table.")


def _start_of(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    with archive.open(entry) as sheet:
        return sheet.read(4_096)


def _column_number(letters: bytes) -> int:
    """Count a column's letters as a spreadsheet does: A is 1, Z 26, AA 27."""
    number = 0
    for letter in letters:
        number = number * 26 + letter - ord("A") + 1
    return number


def _frame_batches(rows: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Turn a frame of text columns after `row_number` into batches."""
    cells = [name for name in rows.columns if name != "row_number"]
    for batch in rows.iter_slices(ROWS_PER_BATCH):
        yield from _filled(batch.select(pl.col("row_number").cast(pl.Int64), cells=pl.concat_list(cells)))


def _parquet_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[pl.DataFrame]]:
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as error:
        raise UnreadableFileError(path, "is not a readable Parquet file", "Export it again.") from error

    width = len(file.schema_arrow.names)

    def batches() -> Iterator[pl.DataFrame]:
        first = 2
        try:
            for batch in file.iter_batches(batch_size=ROWS_PER_BATCH):
                table = pa.Table.from_batches([batch]).rename_columns([str(place) for place in range(width)])
                frame = pl.DataFrame(pl.from_arrow(table))
                yield from _frame_batches(_as_text(frame).with_row_index("row_number", offset=first))
                first += frame.height
        except (pa.ArrowException, OSError, UnicodeError) as error:
            raise UnreadableFileError(path, "is a damaged Parquet file", "Export it again.") from error

    return list(file.schema_arrow.names), batches()


def _as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Write every column as text: days and times in ISO form, nested values as JSON."""
    return frame.select(_column_as_text(column) for column in frame)


def _column_as_text(column: pl.Series) -> pl.Series:
    if column.dtype.is_nested():
        return pl.Series(column.name, [json.dumps(value, default=str) for value in column.to_list()], dtype=pl.String)
    if column.dtype == pl.Binary:
        texts = [None if value is None else value.decode(errors="replace") for value in column]
        return pl.Series(column.name, texts, dtype=pl.String)
    return column.cast(pl.String)
