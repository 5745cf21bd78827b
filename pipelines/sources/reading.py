"""A file's rows as text, in batches of bounded size, exactly as they stand in it.

Rows are never dropped here: a row with the wrong number of cells, a line that is no row, bytes that are no text are all
handed on and refused with a reason when they are typed. Only blank rows, which hold nothing, are left out; they still
count in the row numbers.
"""

import csv
import gzip
import hashlib
import io
import json
import math
import re
import zlib
from array import array
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from typing import IO, Any

import numpy as np
import polars as pl
import pyarrow as pa

from models.errors import UnreadableFileError
from models.records import header_fault
from models.records.canonical import NUL_SIGN, UNDECODABLE_SIGN, same_name
from models.records.conversion import input_columns
from models.records.landed import LISTED_SCHEMA, LandedRows, joined, laid_out
from pipelines.sources.maps import SourceMap
from pipelines.sources.object_lines import Layout, flat, layout_of, unlike
from pipelines.sources.well_formed import ASCII_ENCODINGS, outline, pieces, text_columns
from pipelines.sources.workbooks import read_workbook

ROWS_PER_BATCH = 50_000
CELLS_PER_BATCH = 5_000_000
"""A batch of very wide rows ends sooner, so that memory stays bounded."""
MAX_LINE_CHARACTERS = 16_000_000
"""A longer line is no line of a table (a table of 10,000 columns of 1,000 characters is shorter)."""
CHARACTERS_PER_BATCH = 100_000_000
"""So does one of very long texts."""
MAX_COLUMNS = 20_000
"""A workbook holds at most 16,384 (ECMA-376 as implemented); a wider table is no table of records."""
MAX_GZIP_RATIO = 100
"""Tables of text pack five- to thirtyfold (common practice); gzip ends at about 1,000-fold, which only a bomb nears."""
ALWAYS_UNPACKED = 4_000_000
"""Characters that cost little, however well they pack."""
MAX_LAYOUTS = 16
"""So many orders of names are tried for reading JSON Lines many at a time; lines of others are read one by one."""
PIECE_CHARACTERS = 4 << 20
MAX_REREAD_LINES = 200_000
MAX_LINES_OF_A_HEADER = 100
"""Headers may hold line breaks, as spreadsheets write them; a wrong delimiter reads no more than this."""
MAX_LINES_OF_A_DOUBTFUL_ROW = 20
"""Once so many lines had to be read again because of unmatched quotation marks, rows may no longer span many lines."""
DELIMITERS = (",", ";", "\t", "|")
_DIGEST_CHUNK_BYTES = 1 << 20
_UTF_8_MARK = b"\xef\xbb\xbf"
_BYTE_ORDER_MARKS = {_UTF_8_MARK: "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}

_NUMBERS_AS_WRITTEN = json.JSONDecoder(parse_float=str, parse_int=str, parse_constant=str)
_OPENS_OBJECT = r"^[ \t]*\{"
"""Other lines hold no object (RFC 8259): a file of them, or of blank lines, is passed over at once."""
_NO_TEXT = re.compile(r"[\0\ud800-\udfff]")

_PER_DAY = {"d": 1, "ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}
_FIRST_DAY, _LAST_DAY = -719_162, 2_932_896
"""0001-01-01 and 9999-12-31 in days from 1970-01-01 (proleptic Gregorian calendar)."""

csv.field_size_limit(MAX_LINE_CHARACTERS)

Row = tuple[int, Sequence[str | None]]


@dataclass(frozen=True)
class FileRows:
    """The rows of one file.

    Args:
        header: The file's column names as they stand in it.
        batches: The rows, numbered as a spreadsheet shows them (the header is row 1 where no title stands above it; in
            JSON Lines, the line). Iterating may raise `UnreadableFileError` where the file breaks off: then none of it
            should be kept.
    """

    header: tuple[str, ...]
    batches: Iterator[LandedRows]


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
    if len(header) > MAX_COLUMNS:
        raise UnreadableFileError(path, f"has {len(header):,} columns", "Export the columns of the record kind.")
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
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise UnreadableFileError(path, f"holds what cannot be read as text ({error})", "Export it as CSV.") from error
    except UnicodeError as error:
        raise UnreadableFileError(path, "is not text in its encoding", "Set encoding in its source map.") from error


def _guarded(path: Path, batches: Iterator[LandedRows]) -> Iterator[LandedRows]:
    with _plain_words(path):
        yield from batches


def _in_batches(rows: Iterator[Row], width: int) -> Iterator[LandedRows]:
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


def _open_bytes(path: Path) -> IO[bytes]:
    """Open a file, unpacked where it is gzipped."""
    return gzip.open(path, "rb") if _is_packed(path) else path.open("rb")  # type: ignore[return-value]


def _is_packed(path: Path) -> bool:
    return path.suffix.lower() == ".gz"


def _encoding_of(path: Path, declared: str | None) -> str:
    """Return a text file's encoding: by its byte order mark, or else the declared one, or else UTF-8.

    Raises:
        UnreadableFileError: It holds NUL bytes at its start, as UTF-16 without a byte order mark does.
    """
    with _open_bytes(path) as raw:
        start = raw.read(4_096)
    marked = next((name for mark, name in _BYTE_ORDER_MARKS.items() if start.startswith(mark)), None)
    if declared is None and marked is None and start.count(b"\0") > len(start) // 4:
        remedy = "If it is UTF-16, set encoding to utf-16-le or utf-16-be in its source map."
        raise UnreadableFileError(path, "holds NUL bytes and is no plain text", remedy)
    return marked or declared or "utf-8"


def _lines(path: Path, source_map: SourceMap) -> Iterator[str]:
    """Yield a file's lines, as `_lines_of` does."""
    encoding = _encoding_of(path, source_map.encoding)
    with _open_bytes(path) as raw:
        yield from _lines_of(raw, path, encoding)


def _lines_of(raw: IO[bytes], path: Path, encoding: str) -> Iterator[str]:
    """Yield lines of bounded length; a NUL becomes a visible sign."""
    most = _most_unpacked(path)
    with io.TextIOWrapper(raw, encoding=encoding, errors="replace", newline="") as text:
        characters = 0
        while line := text.readline(MAX_LINE_CHARACTERS):
            characters += len(line)
            if characters > most:
                raise _packed_too_much(path)
            if len(line) >= MAX_LINE_CHARACTERS and not line.endswith(("\n", "\r")):
                raise _line_too_long(path)
            yield line.replace("\0", NUL_SIGN) if "\0" in line else line


def _line_too_long(path: Path) -> UnreadableFileError:
    remedy = "Check that it is a table of text."
    return UnreadableFileError(path, f"has a line of over {MAX_LINE_CHARACTERS:,} characters", remedy)


def _most_unpacked(path: Path) -> float:
    """Return how much text a file may hold."""
    return max(ALWAYS_UNPACKED, MAX_GZIP_RATIO * path.stat().st_size) if _is_packed(path) else math.inf


def _packed_too_much(path: Path) -> UnreadableFileError:
    return UnreadableFileError(path, f"unpacks to over {MAX_GZIP_RATIO} times its size", "Check what made it.")


class _Lookback:
    """Lines of a file, which takes back those that a broken row swallowed.

    Where row after row swallows all that follows it, reading would take the square of the lines: past a number of lines
    read again, a row ends as broken after some lines.
    """

    def __init__(self, lines: Iterator[str]) -> None:
        self._lines = lines
        self._taken: list[str] = []
        self._waiting: deque[str] = deque()
        self._reread = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self._reread > MAX_REREAD_LINES and len(self._taken) >= MAX_LINES_OF_A_DOUBTFUL_ROW:
            raise csv.Error("a row of many lines in a file of unmatched quotation marks")
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
        self._reread += len(rest)
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


def _csv_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
    delimiter = source_map.delimiter or _sniffed_delimiter(path, source_map)
    records = _records(_lines(path, source_map), delimiter)
    header = next(islice(records, source_map.skip_rows, None), None)
    if not header or isinstance(header, str):
        remedy = "Check skip_rows and delimiter in its source map."
        raise UnreadableFileError(path, f"has no header in row {source_map.skip_rows + 1}", remedy)
    named = _named(header)
    first = source_map.skip_rows + 2
    start = _end_of_header(path, source_map, delimiter) if len(named) > 1 else None
    if start is None:
        return named, _in_batches(_numbered(records, named, first), len(named))
    return named, _csv_batches(path, _Dialect(delimiter, _encoding_of(path, source_map.encoding)), named, first, start)


def _numbered(records: Iterator[list[str] | str], header: list[str], first: int) -> Iterator[Row]:
    for number, cells in enumerate(records, start=first):
        yield number, _broken(cells, header) if isinstance(cells, str) else cells


@dataclass(frozen=True)
class _Dialect:
    """How a delimited text is written."""

    delimiter: str
    encoding: str


def _end_of_header(path: Path, source_map: SourceMap, delimiter: str) -> int | None:
    """Return the byte after the header where every row up to it is one sound line; None where there is doubt."""
    encoding = _encoding_of(path, source_map.encoding).replace("utf-8-sig", "utf-8")
    if encoding not in ASCII_ENCODINGS or not delimiter.isascii():
        return None
    with _open_bytes(path) as raw:
        lines = [raw.readline(MAX_LINE_CHARACTERS) for _ in range(source_map.skip_rows + 1)]
    for line in lines:
        divided = outline(line.removeprefix(_UTF_8_MARK), delimiter)
        if not line.endswith(b"\n") or divided is None or divided.returns != line.endswith(b"\r\n"):
            return None
    return sum(map(len, lines))


def _csv_batches(path: Path, dialect: _Dialect, header: list[str], number: int, start: int) -> Iterator[LandedRows]:
    """Read rows piece by piece: at once where a piece leaves no doubt, else row by row.

    From the first quotation mark out of place on, where rows end is in doubt, and the rest is read row by row.
    """
    encoding, width = dialect.encoding.replace("utf-8-sig", "utf-8"), len(header)
    with _open_bytes(path) as raw:
        raw.seek(start)
        for piece in pieces(raw):
            if start + len(piece) > _most_unpacked(path):
                raise _packed_too_much(path)
            if not piece.strip(b"\n"):
                start, number = start + len(piece), number + len(piece)
                continue
            divided = outline(piece, dialect.delimiter)
            if divided is None or not piece.endswith(b"\n"):
                break
            frame = text_columns(piece, divided, delimiter=dialect.delimiter, width=width, encoding=encoding)
            start += len(piece)
            if frame is not None:
                yield from _frame_batches(frame.with_row_index("row_number", offset=number))
                number += frame.height
                continue
            rows = list(_records(_lines_of(io.BytesIO(piece), path, encoding), dialect.delimiter))
            yield from _in_batches(_numbered(iter(rows), header, number), width)
            number += len(rows)
    with _open_bytes(path) as raw:
        raw.seek(start)
        lines = _lines_of(raw, path, encoding)
        yield from _in_batches(_numbered(_records(lines, dialect.delimiter), header, number), width)


def _named(header: Sequence[str | None]) -> list[str]:
    return [_NO_TEXT.sub(UNDECODABLE_SIGN, name or "") for name in header]


def _broken(line: str, header: list[str]) -> Sequence[str | None]:
    """Return a line that is no row as one cell, of another number than the header has."""
    return [line] if len(header) > 1 else [line, None]


def _sniffed_delimiter(path: Path, source_map: SourceMap) -> str:
    """Return the delimiter that finds most of the wanted columns in the header, then most columns."""
    wanted = {same_name(name) for name in (*source_map.columns.values(), *input_columns(source_map.kind))}

    def columns_found(delimiter: str) -> tuple[int, int]:
        lines = islice(_lines(path, source_map), source_map.skip_rows + MAX_LINES_OF_A_HEADER)
        header = next(islice(_records(lines, delimiter), source_map.skip_rows, None), [])
        if isinstance(header, str):
            return 0, 0
        return len(wanted & {same_name(name) for name in header}), len(header)

    return max(DELIMITERS, key=columns_found)


def _json_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
    """Read JSON Lines twice: once for the names in use and the layouts of the lines, once for the rows."""
    encoding = _encoding_of(path, source_map.encoding)
    names: dict[str, None] = {}
    layouts: list[Layout] = []
    for lines in _json_lines(path, encoding):
        _gather_names(path, lines, names, layouts)
    if not names:
        raise UnreadableFileError(path, "holds no JSON object", "Write one object in each line.")
    keys = list(names)

    def batches() -> Iterator[LandedRows]:
        number = 1
        for lines in _json_lines(path, encoding):
            numbered = lines.to_frame().with_row_index("row_number", offset=number).filter(pl.col("line") != "")
            for part in numbered.iter_slices(min(ROWS_PER_BATCH, max(CELLS_PER_BATCH // len(keys), 1))):
                yield from _json_batches(part, keys, layouts)
            number += len(lines)

    return _named(keys), batches()


def _json_lines(path: Path, encoding: str) -> Iterator[pl.Series]:
    """Yield a file's lines, many at a time, as `_lines_of` does."""
    most, characters = _most_unpacked(path), 0
    with _open_bytes(path) as raw, io.TextIOWrapper(raw, encoding=encoding, errors="replace", newline="") as text:
        while piece := text.read(PIECE_CHARACTERS):
            piece += text.readline(MAX_LINE_CHARACTERS)
            characters += len(piece)
            if characters > most:
                raise _packed_too_much(path)
            plain = piece.replace("\r\n", "\n").replace("\r", "\n").replace("\0", NUL_SIGN)
            lines = pl.Series("line", [plain.removesuffix("\n")]).str.split("\n").explode()
            if len(plain) >= MAX_LINE_CHARACTERS and lines.str.len_chars().max() >= MAX_LINE_CHARACTERS:
                raise _line_too_long(path)
            yield lines


def _gather_names(path: Path, lines: pl.Series, names: dict[str, None], layouts: list[Layout]) -> None:
    """Add the names that lines bring, in their order, and the layouts that the first unlike lines have."""
    rest = unlike(lines.filter(lines.str.contains(_OPENS_OBJECT)), layouts)
    while not rest.is_empty() and len(layouts) < MAX_LAYOUTS:
        row, rest = _json_object(rest[0]), rest[1:]
        _add_names(path, row, names)
        if row and (layout := layout_of(row)):
            layouts.append(layout)
            rest = unlike(rest, [layout])
    for line in rest:
        _add_names(path, _json_object(line), names)


def _add_names(path: Path, row: dict[str, Any] | None, names: dict[str, None]) -> None:
    names.update(dict.fromkeys(row or ()))
    if len(names) > MAX_COLUMNS:
        raise UnreadableFileError(path, f"has over {MAX_COLUMNS:,} different names", "Write one record in each line.")


def _json_batches(numbered: pl.DataFrame, keys: list[str], layouts: list[Layout]) -> Iterator[LandedRows]:
    """Read numbered lines: those of a layout at once, the others one by one."""
    batches: list[LandedRows] = []
    for layout in layouts:
        fits = layout.fits(numbered["line"])
        like, numbered = numbered.filter(fits), numbered.filter(~fits)
        if not like.is_empty():
            places = {name: str(place) for place, name in enumerate(layout.names)}
            found = like.select("row_number").hstack(layout.cells(like["line"]))
            in_order = [pl.col(places[key]) if key in places else pl.lit(None, pl.String) for key in keys]
            batches += _frame_batches(
                found.select("row_number", *(cell.alias(str(at)) for at, cell in enumerate(in_order)))
            )
    batches += _in_batches((_json_row(number, line, keys) for number, line in numbered.iter_rows()), len(keys))
    if batches:
        yield joined(batches)


def _json_row(number: int, line: str, keys: list[str]) -> Row:
    row = _json_object(line)
    return number, _broken(line.strip(), keys) if row is None else _json_cells(row, keys, line)


def _json_cells(row: dict[str, Any], keys: list[str], line: str) -> list[str | None]:
    """Return an object's values as text; only an escape can bring in what is no text."""
    cells = [value if type(value) is str else _json_text(value) for value in map(row.get, keys)]
    if "\\u" not in line:
        return cells
    return [cell and _NO_TEXT.sub(UNDECODABLE_SIGN, cell) for cell in cells]


def _json_object(line: str) -> dict[str, Any] | None:
    """Parse one line, its numbers kept as written, and flatten it; None where it is not an object."""
    try:
        found = _NUMBERS_AS_WRITTEN.decode(line)
        return flat(found) if isinstance(found, dict) else None
    except (ValueError, RecursionError):
        return None


def _json_text(value: Any) -> str | None:
    return None if value is None else json.dumps(value, ensure_ascii=False)


def _workbook_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
    frame = read_workbook(path, sheet=source_map.sheet)
    if frame.height <= source_map.skip_rows:
        raise UnreadableFileError(
            path, f"has no header in row {source_map.skip_rows + 1}", "Check sheet and skip_rows."
        )
    header = list(frame.row(source_map.skip_rows))
    rows = frame.with_row_index("row_number", offset=1).slice(source_map.skip_rows + 1)
    return _named(header), _frame_batches(rows)


def _frame_batches(rows: pl.DataFrame) -> Iterator[LandedRows]:
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


def _parquet_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
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
                yield from _frame_batches(_as_text(frame).with_row_index("row_number", offset=first))
                first += frame.height
        except (pa.ArrowException, OSError, UnicodeError) as error:
            raise UnreadableFileError(path, "is a damaged Parquet file", "Export it again.") from error

    return _named(schema.names), batches()


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
