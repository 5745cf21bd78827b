"""Workbooks: what is inside is measured in bounded memory before a reader is trusted with it.

A reader keeps every cell up to the last corner, and a copy of a shared text for every cell that shows it, so that a
workbook of a few kilobytes can ask for any amount of memory. What a workbook says of itself (its sheets' dimension, the
sizes in its directory) may be false: only what really stands in it counts.
"""

import re
import zipfile
import zlib
from array import array
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from models.errors import UnreadableFileError
from models.records.landed import LandedRows
from pipelines.sources.formats.batches import frame_batches, names_of
from pipelines.sources.maps import SourceMap

MAX_WORKBOOK_BYTES = 1_000_000_000
"""Unpacked; a full sheet of 1,048,576 rows by 20 columns takes about 1 GB."""
MAX_SHEET_CELLS = 24_000_000
"""A reader keeps every cell up to the last corner, about 40 bytes each; a full sheet of 22 columns is smaller."""
MAX_SHARED_CHARACTERS = 250_000_000
"""Written out in every cell that shows them."""
MAX_PART_CHARACTERS = 4_000_000
"""Between two tags; a cell holds at most 32,767 characters (ECMA-376)."""
_PIECE_BYTES = 1 << 20
_UNKNOWN_BYTES = 1 << 62
"""In place of the size a directory states, so that a part is read to its true end."""

_PLACE = re.compile(rb"<(?:\w+:)?(row|c)\b(?:[^<>]*?\sr\s*=\s*[\"']([A-Za-z]*)([0-9]+)[\"'])?")
_SHARED_CELL = re.compile(rb"<(?:\w+:)?c\b[^<>]*?\st\s*=\s*[\"']s[\"'][^<>]*>\s*<(?:\w+:)?v[^<>]*>\s*([0-9]{1,9})")
_END_OF_SHARED_TEXT = re.compile(rb"</(?:\w+:)?si\s*>")
_BROKEN = (zipfile.BadZipFile, NotImplementedError, RuntimeError, zlib.error, EOFError, UnicodeError, ValueError)

NO_WORKBOOK = ("is not a workbook", "Copy or save it again as .xlsx, without a password.")
"""What is wrong with a file that cannot be opened as one, and its remedy."""


def workbook_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
    """Return the header and the rows of a sheet."""
    frame = read_workbook(path, sheet=source_map.sheet)
    if frame.height <= source_map.skip_rows:
        raise UnreadableFileError(
            path, f"has no header in row {source_map.skip_rows + 1}", "Check sheet and skip_rows."
        )
    header = list(frame.row(source_map.skip_rows))
    rows = frame.with_row_index("row_number", offset=1).slice(source_map.skip_rows + 1)
    return names_of(header), frame_batches(rows)


def read_workbook(path: Path, *, sheet: str | None) -> pl.DataFrame:
    """Read a sheet, the first where none is named, as text columns without a header.

    Raises:
        UnreadableFileError: It is no workbook, has no such sheet, or asks for more memory than a table takes.
    """
    import fastexcel

    try:
        _measure(path)
    except _BROKEN as error:
        raise UnreadableFileError(path, *NO_WORKBOOK) from error
    try:
        workbook = fastexcel.read_excel(path)
        if sheet is not None and sheet not in workbook.sheet_names:
            remedy = f"Set sheet to one of {', '.join(workbook.sheet_names)}."
            raise UnreadableFileError(path, f"has no sheet {sheet!r}", remedy)
        return workbook.load_sheet(sheet or 0, header_row=None, skip_rows=0, dtypes="string").to_polars()
    except fastexcel.FastExcelError as error:
        raise UnreadableFileError(path, "is not a readable workbook", "Save it again as .xlsx.") from error


def sheets_like(path: Path, *, header: Sequence[str], header_row: int) -> tuple[str, ...]:
    """Return the sheets of a workbook of several that name these columns.

    Args:
        path: A workbook that `read_workbook` has read.
        header: Names of columns; empty ones do not count.
        header_row: The place of the row that names them, from 0.
    """
    import fastexcel

    workbook = fastexcel.read_excel(path)
    sheets, named = workbook.sheet_names, list(filter(None, header))
    if len(sheets) == 1:
        return ()
    starts = {}
    for name in sheets:
        with suppress(fastexcel.FastExcelError):  # a sheet that cannot be read has no header like it
            starts[name] = workbook.load_sheet(
                name, header_row=None, skip_rows=0, n_rows=header_row + 1, dtypes="string"
            )
    rows = {name: start.to_polars().row(header_row) for name, start in starts.items() if start.height > header_row}
    return tuple(name for name, row in rows.items() if list(filter(None, row)) == named)


def _measure(path: Path) -> None:
    """Refuse a workbook that would take more memory than any table does."""
    unpacked, longest, shared_cells = 0, 0, 0
    with zipfile.ZipFile(path) as archive:
        for entry in archive.infolist():
            if not entry.filename.lower().endswith((".xml", ".rels")):
                continue
            corner = _Corner()
            for part in _parts(path, archive, entry):
                unpacked += len(part)
                if unpacked > MAX_WORKBOOK_BYTES:
                    raise _too_large(path, f"unpacks to over {MAX_WORKBOOK_BYTES:,} bytes")
                if "sheet" in entry.filename.lower():
                    corner.widen(part)
                    shared_cells += len(_SHARED_CELL.findall(part))
                elif "sharedstrings" in entry.filename.lower():
                    longest = max(longest, *map(len, _END_OF_SHARED_TEXT.split(part)))
            if corner.cells > MAX_SHEET_CELLS:
                remedy = "Delete what stands beside the table."
                raise UnreadableFileError(path, f"has a cell as far out as {corner.place}", remedy)
        if longest * shared_cells > MAX_SHARED_CHARACTERS:
            _measure_shared_texts(path, archive)


def _measure_shared_texts(path: Path, archive: zipfile.ZipFile) -> None:
    """Add up the shared texts as often as cells show them."""
    names = {entry: entry.filename.lower() for entry in archive.infolist() if entry.filename.lower().endswith(".xml")}
    lengths = array("q")
    for entry in (entry for entry, name in names.items() if "sharedstrings" in name):
        begun = 0
        for part in _parts(path, archive, entry):
            first, *others = map(len, _END_OF_SHARED_TEXT.split(part))
            for length in others:
                lengths.append(begun + first)
                begun, first = 0, length
            begun += first
    shown = 0
    for entry in (entry for entry, name in names.items() if "sheet" in name):
        for part in _parts(path, archive, entry):
            places = map(int, _SHARED_CELL.findall(part))
            shown += sum(lengths[place] for place in places if place < len(lengths))
            if shown > MAX_SHARED_CHARACTERS:
                raise _too_large(path, f"shows over {MAX_SHARED_CHARACTERS:,} characters of text")


def _too_large(path: Path, fault: str) -> UnreadableFileError:
    return UnreadableFileError(path, fault, "Split it, or export it as CSV.")


def _parts(path: Path, archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """Yield what an entry really unpacks to, cut before a tag."""
    entry.file_size = _UNKNOWN_BYTES
    rest = b""
    with archive.open(entry) as stream:
        while piece := stream.read(_PIECE_BYTES):
            whole = rest + piece
            cut = max(whole.rfind(b"<"), 0)
            if cut:
                yield whole[:cut]
            rest = whole[cut:]
            if len(rest) > MAX_PART_CHARACTERS:
                raise _too_large(path, f"holds over {MAX_PART_CHARACTERS:,} characters in one place")
    yield rest


@dataclass
class _Corner:
    """The farthest row and column of a sheet; rows and cells that state no place follow the one before."""

    rows: int = 0
    columns: int = 0
    _row: int = 0
    _column: int = 0

    def widen(self, part: bytes) -> None:
        """Take in a piece of the sheet."""
        for tag, letters, digits in _PLACE.findall(part):
            if digits:
                self._row = int(digits[:10])
            elif tag == b"row":
                self._row += 1
            if tag == b"row":
                self._column = 0
                continue
            self._column = _column_number(letters) if letters else self._column + 1
            self.rows = max(self.rows, self._row)
            self.columns = max(self.columns, self._column)

    @property
    def cells(self) -> int:
        """Cells from the first corner to this one."""
        return self.rows * self.columns

    @property
    def place(self) -> str:
        """The corner as a spreadsheet names it."""
        letters, column = "", self.columns
        while column:
            column, letter = divmod(column - 1, 26)
            letters = chr(ord("A") + letter) + letters
        return f"{letters}{self.rows}"


def _column_number(letters: bytes) -> int:
    """Count a column's letters as a spreadsheet does: A is 1, Z 26, AA 27."""
    number = 0
    for letter in letters[:8].upper():
        number = number * 26 + letter - ord("A") + 1
    return number
