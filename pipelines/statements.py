"""The statements found in the notes of any CSV file, for the command."""

import csv
import gzip
import io
import zlib
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from models.errors import UnreadableFileError, UsageError
from models.notes import NOTHING_ADDED, AddedLexicon, read_notes

DELIMITERS = (",", ";", "\t", "|")
_BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
_GZIP = b"\x1f\x8b"
MAX_CELL_CHARACTERS = 10_000_000
"""Longer than any note; a lost quotation mark can make one cell of a whole file."""

COLUMNS = (
    "row",
    "component",
    "polarity",
    "location",
    "leak_class",
    "symptoms",
    "span_start",
    "span_end",
    "span_text",
    "confidence",
)


def statements(path: Path, column: str, *, added: AddedLexicon = NOTHING_ADDED) -> pl.DataFrame:
    """Read the notes in one column of a CSV file into statements.

    Args:
        path: The file, as `notes_in` reads it.
        column: Name of the column of notes.
        added: Words and rules beside those of the package.

    Returns:
        `COLUMNS`, one row per statement: `row` is the data row (the first below the header is 1; blank lines do not
        count), the others are those of `models.notes.read_notes`.

    Raises:
        UnreadableFileError: The file cannot be opened, is empty, or is not text.
        UsageError: It has no such column.
    """
    found = read_notes(notes_in(path, column), added=added)
    return found.with_columns(row=pl.col("text_index").cast(pl.Int64) + 1).select(COLUMNS)


def notes_in(path: Path, column: str) -> list[str]:
    """The notes in one column of a CSV file.

    Args:
        path: The file: comma, semicolon, tab or bar between columns; UTF-8, UTF-16 with its mark, or CP-1252; gzip or
            not.
        column: Name of the column of notes; case and outer spaces do not matter where that is unambiguous.

    Raises:
        UnreadableFileError: The file cannot be opened, is empty, or is not text.
        UsageError: It has no such column.
    """
    records = _records(path, _text(path))
    header = next(records, None)
    if header is None:
        raise UnreadableFileError(path, "is empty", "Name a CSV file with a header and notes.")
    place = _place(path, header, column)
    return [record[place] if place < len(record) else "" for record in records]


def _text(path: Path) -> str:
    """The file's text, whatever its encoding."""
    try:
        content = path.read_bytes()
        if content.startswith(_GZIP):
            content = gzip.decompress(content)
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or "is damaged"
        raise UnreadableFileError(path, f"cannot be read ({reason})", "Name a CSV file.") from error
    encoding = next((name for mark, name in _BYTE_ORDER_MARKS.items() if content.startswith(mark)), "utf-8")
    try:
        return content.decode(encoding)
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _records(path: Path, text: str) -> Iterator[list[str]]:
    """The records of a CSV text, blank lines left out; a zero byte may stand in a note, not in the header."""
    if "\0" in _header(text):
        raise UnreadableFileError(path, "is not text", "Save it as CSV; a workbook can be saved as one.")
    csv.field_size_limit(MAX_CELL_CHARACTERS)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text))
    try:
        yield from (record for record in reader if record)
    except csv.Error as error:
        raise UnreadableFileError(
            path, f"breaks off at line {reader.line_num} ({error})", "Export it again."
        ) from error


def _delimiter(text: str) -> str:
    """The delimiter that parts the header into most columns; the first of equals."""
    header = _header(text)
    return max(DELIMITERS, key=lambda delimiter: len(next(csv.reader([header], delimiter=delimiter), [])))


def _header(text: str) -> str:
    """The first line that is not blank."""
    return text.lstrip("\r\n").split("\n", 1)[0]


def _place(path: Path, header: list[str], column: str) -> int:
    """Where the column of notes stands."""
    if column in header:
        return header.index(column)
    alike = [place for place, name in enumerate(header) if name.strip().casefold() == column.strip().casefold()]
    if len(alike) == 1:
        return alike[0]
    found = ", ".join(repr(name) for name in header)
    raise UsageError(f"{path} has no column {column!r}; it has {found}. Name the column of notes with --column.")
