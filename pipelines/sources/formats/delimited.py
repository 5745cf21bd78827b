"""Delimited text (CSV): cells as they stand, every line that is no row kept as one."""

import csv
import io
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from models.errors import UnreadableFileError
from models.records.canonical import same_name
from models.records.conversion import input_columns
from models.records.landed import LandedRows
from pipelines.sources.formats.batches import Row, broken, frame_batches, in_batches, names_of
from pipelines.sources.formats.texts import (
    MAX_LINE_CHARACTERS,
    UTF_8_MARK,
    encoding_of,
    lines_in,
    lines_of,
    most_unpacked,
    open_bytes,
    packed_too_much,
)
from pipelines.sources.formats.well_formed import ASCII_ENCODINGS, outline, pieces, text_columns
from pipelines.sources.maps import SourceMap

MAX_REREAD_LINES = 200_000
MAX_LINES_OF_A_HEADER = 100
"""Headers may hold line breaks, as spreadsheets write them; a wrong delimiter reads no more than this."""
MAX_LINES_OF_A_DOUBTFUL_ROW = 20
"""Once so many lines had to be read again because of unmatched quotation marks, rows may no longer span many lines."""
DELIMITERS = (",", ";", "\t", "|")

csv.field_size_limit(MAX_LINE_CHARACTERS)


def csv_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
    """Return the header and the rows of delimited text."""
    delimiter = source_map.delimiter or _sniffed_delimiter(path, source_map)
    records = _records(lines_in(path, source_map), delimiter)
    header = next(islice(records, source_map.skip_rows, None), None)
    if not header or isinstance(header, str):
        remedy = "Check skip_rows and delimiter in its source map."
        raise UnreadableFileError(path, f"has no header in row {source_map.skip_rows + 1}", remedy)
    named = names_of(header)
    first = source_map.skip_rows + 2
    start = _end_of_header(path, source_map, delimiter) if len(named) > 1 else None
    if start is None:
        return named, in_batches(_numbered(records, named, first), len(named))
    return named, _csv_batches(path, _Dialect(delimiter, encoding_of(path, source_map.encoding)), named, first, start)


def _numbered(records: Iterator[list[str] | str], header: list[str], first: int) -> Iterator[Row]:
    for number, cells in enumerate(records, start=first):
        yield number, broken(cells, header) if isinstance(cells, str) else cells


def _sniffed_delimiter(path: Path, source_map: SourceMap) -> str:
    """Return the delimiter that finds most of the wanted columns in the header, then most columns."""
    wanted = {same_name(name) for name in (*source_map.columns.values(), *input_columns(source_map.kind))}

    def columns_found(delimiter: str) -> tuple[int, int]:
        lines = islice(lines_in(path, source_map), source_map.skip_rows + MAX_LINES_OF_A_HEADER)
        header = next(islice(_records(lines, delimiter), source_map.skip_rows, None), [])
        if isinstance(header, str):
            return 0, 0
        return len(wanted & {same_name(name) for name in header}), len(header)

    return max(DELIMITERS, key=columns_found)


@dataclass(frozen=True)
class _Dialect:
    """How a delimited text is written."""

    delimiter: str
    encoding: str


def _end_of_header(path: Path, source_map: SourceMap, delimiter: str) -> int | None:
    """Return the byte after the header where every row up to it is one sound line; None where there is doubt."""
    encoding = encoding_of(path, source_map.encoding).replace("utf-8-sig", "utf-8")
    if encoding not in ASCII_ENCODINGS or not delimiter.isascii():
        return None
    with open_bytes(path) as raw:
        lines = [raw.readline(MAX_LINE_CHARACTERS) for _ in range(source_map.skip_rows + 1)]
    for line in lines:
        divided = outline(line.removeprefix(UTF_8_MARK), delimiter)
        if not line.endswith(b"\n") or divided is None or divided.returns != line.endswith(b"\r\n"):
            return None
    return sum(map(len, lines))


def _csv_batches(path: Path, dialect: _Dialect, header: list[str], number: int, start: int) -> Iterator[LandedRows]:
    """Read rows piece by piece: at once where a piece leaves no doubt, else row by row.

    From the first quotation mark out of place on, where rows end is in doubt, and the rest is read row by row.
    """
    encoding, width = dialect.encoding.replace("utf-8-sig", "utf-8"), len(header)
    with open_bytes(path) as raw:
        raw.seek(start)
        for piece in pieces(raw):
            if start + len(piece) > most_unpacked(path):
                raise packed_too_much(path)
            if not piece.strip(b"\n"):
                start, number = start + len(piece), number + len(piece)
                continue
            divided = outline(piece, dialect.delimiter)
            if divided is None or not piece.endswith(b"\n"):
                break
            frame = text_columns(piece, divided, delimiter=dialect.delimiter, width=width, encoding=encoding)
            start += len(piece)
            if frame is not None:
                yield from frame_batches(frame.with_row_index("row_number", offset=number))
                number += frame.height
                continue
            rows = list(_records(lines_of(io.BytesIO(piece), path, encoding), dialect.delimiter))
            yield from in_batches(_numbered(iter(rows), header, number), width)
            number += len(rows)
    with open_bytes(path) as raw:
        raw.seek(start)
        lines = lines_of(raw, path, encoding)
        yield from in_batches(_numbered(_records(lines, dialect.delimiter), header, number), width)


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
