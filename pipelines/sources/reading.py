"""A file's rows as text, in batches of bounded size, exactly as they stand in it.

Rows are never dropped here: a row with the wrong number of cells, a line that is no row, bytes that are no text are all
handed on and refused with a reason when they are typed. Only blank rows, which hold nothing, are left out; they still
count in the row numbers.
"""

import gzip
import hashlib
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from models.errors import UnreadableFileError
from models.records import LandedRows, header_fault
from pipelines.sources.formats.batches import MAX_COLUMNS
from pipelines.sources.formats.delimited import csv_rows
from pipelines.sources.formats.json_lines import json_rows
from pipelines.sources.formats.parquet import parquet_rows
from pipelines.sources.formats.workbooks import workbook_rows
from pipelines.sources.maps import SourceMap

_DIGEST_CHUNK_BYTES = 1 << 20


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
    readers = {"csv": csv_rows, "jsonl": json_rows, "xlsx": workbook_rows, "parquet": parquet_rows}
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
