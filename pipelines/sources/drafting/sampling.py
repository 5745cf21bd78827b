"""The first rows of a file of unknown make: its format, encoding, delimiter, sheet, title rows and header."""

import csv
import gzip
import io
import json
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from xml.etree import ElementTree

import polars as pl

from models.errors import UnreadableFileError
from models.records.conversion import FileFormat, input_columns
from pipelines.sources.drafting.names import kinds_named, knows
from pipelines.sources.formats.delimited import DELIMITERS
from pipelines.sources.formats.object_lines import flat
from pipelines.sources.formats.workbooks import NO_WORKBOOK
from pipelines.sources.maps import SourceMap, format_of
from pipelines.sources.reading import read_rows

SAMPLE_ROWS = 5_000
HEAD_BYTES = 4_000_000
"""More than 5,000 rows of any workshop's export take (common practice: under 500 bytes a row)."""
MAX_TITLE_ROWS = 30
_ROWS_FOR_SHAPE = 200
_LIST_OF_SHEETS_BYTES = 1_000_000
_BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
_GZIP, _ZIP, _PARQUET, _OBJECT = b"\x1f\x8b", b"PK", b"PAR1", b"{"

Row = Sequence[str | None]


@dataclass(frozen=True)
class Sample:
    """The first rows of a file and how it was opened.

    Args:
        file_name: Name relative to its inbox, with '/' between folders.
        format: What the file is, whatever its suffix says.
        header: Names of the columns as they stand.
        columns: Each column's cells as text, null where missing, in the order of the header.
        titles: Words of the rows above the header and of the sheet.
        skip_rows: Rows above the header.
        delimiter: Of a CSV file.
        encoding: Of a text file, where it is not UTF-8 and no mark says it.
        sheet: Of a workbook.
        other_sheets: The workbook's sheets with rows that were not taken.
        foreign_text: A cell with letters outside ASCII, where the encoding was guessed.
        ragged_rows: Rows of another width than the header, left out.
    """

    file_name: str
    format: FileFormat
    header: tuple[str, ...]
    columns: tuple[pl.Series, ...]
    titles: str = ""
    skip_rows: int = 0
    delimiter: str | None = None
    encoding: str | None = None
    sheet: str | None = None
    other_sheets: tuple[str, ...] = ()
    foreign_text: str = ""
    ragged_rows: int = 0

    @property
    def rows(self) -> int:
        """Rows looked at."""
        return len(self.columns[0])


def take_sample(path: Path, *, sheet: str | None = None) -> Sample:
    """Read the first rows of a file.

    Args:
        path: A CSV, JSON Lines, Parquet or XLSX file, the text ones gzipped or not.
        sheet: Of a workbook; where not given, the one whose header holds most known names.

    Raises:
        UnreadableFileError: The file cannot be opened, is empty, is none of these, no row in it looks like a header,
            or it has no such sheet.
    """
    head = _head(path)
    file_format = _format(path, head)
    if file_format == "xlsx":
        sample = _workbook_sample(path, sheet)
    elif sheet is not None:
        raise UnreadableFileError(path, "is no workbook and has no sheets", "Leave --sheet out.")
    elif file_format == "parquet":
        sample = _sample(path, "parquet", _rows_of(path, SourceMap.model_validate(_bare_map("parquet"))))
    else:
        text, encoding = _decoded(path, head)
        sample = _text_sample(path, file_format, text, encoding)
    if sample.rows == 0:
        raise UnreadableFileError(path, "has a header and no rows", "Name an export that holds rows.")
    return sample


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            is_packed = file.read(2) == _GZIP
        opener = gzip.open if is_packed else open
        with opener(path, "rb") as file:
            head = file.read(HEAD_BYTES)
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or "it is damaged"
        raise UnreadableFileError(path, f"cannot be read ({reason})", "Check it, or copy it again.") from error
    if is_packed and path.suffix.lower() != ".gz":
        raise UnreadableFileError(path, "is packed with gzip and not named so", "Rename it to end in .gz.")
    if not head.strip(b"\0 \r\n\t"):
        raise UnreadableFileError(path, "is empty", "Export it again.")
    return head


def _format(path: Path, head: bytes) -> FileFormat:
    """Tell the format by how the content starts, not by the suffix."""
    if path.suffix.lower() == ".gz" and head.startswith((_ZIP, _PARQUET)):
        raise UnreadableFileError(path, "is a packed workbook or Parquet file", "Unpack it first.")
    if head.startswith(_ZIP):
        return "xlsx"
    if head.startswith(_PARQUET):
        return "parquet"
    is_object = head.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(_OBJECT)
    return "jsonl" if is_object or format_of(path.name) == "jsonl" else "csv"


def _decoded(path: Path, head: bytes) -> tuple[str, str | None]:
    """Return the text of the first rows, and the encoding where it has to be declared."""
    for mark, name in _BYTE_ORDER_MARKS.items():
        if head.startswith(mark):
            return head.decode(name, errors="replace"), None
    start = head[:4_096]
    if start.count(b"\0") > len(start) // 4:
        name = "utf-16-le" if start[1::2].count(0) > start[0::2].count(0) else "utf-16-be"
        return head.decode(name, errors="replace"), name
    if b"\0" in start:
        raise UnreadableFileError(path, "is neither text nor a workbook", "Save it as CSV or XLSX.")
    whole = head if len(head) < HEAD_BYTES else head[: head.rfind(b"\n") + 1] or head
    for name in ("utf-8", "cp1252"):
        try:
            return whole.decode(name), None if name == "utf-8" else name
        except UnicodeDecodeError:
            continue
    return whole.decode("latin-1"), "latin-1"


def _text_sample(path: Path, file_format: FileFormat, text: str, encoding: str | None) -> Sample:
    foreign = next((line.strip() for line in text.splitlines() if not line.isascii()), "") if encoding else ""
    if file_format == "jsonl":
        return _sample(path, "jsonl", _object_rows(path, text), encoding=encoding, foreign_text=foreign)
    delimiter = max(DELIMITERS, key=lambda mark: _fitness(_parted(text, mark, _ROWS_FOR_SHAPE)))
    rows = _parted(text, delimiter, SAMPLE_ROWS + MAX_TITLE_ROWS)
    return _sample(path, "csv", rows, delimiter=delimiter, encoding=encoding, foreign_text=foreign)


def _parted(text: str, delimiter: str, count: int) -> list[list[str]]:
    """Part the first rows of a text by a delimiter; what follows an unmatched quotation mark is left out."""
    rows: list[list[str]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    with suppress(csv.Error):
        rows.extend(islice(reader, count))
    return rows


def _fitness(rows: Sequence[Row]) -> tuple[int, float]:
    """Judge a parting of rows: known names in its likeliest header, then cells in rows of the commonest width."""
    widths = Counter(len(row) for row in rows if len(row) > 1)
    width, count = widths.most_common(1)[0] if widths else (0, 0)
    hits = max((_known_names(row) for row in rows[:MAX_TITLE_ROWS]), default=0)
    return hits if width > 1 else 0, width * count / max(len(rows), 1)


def _object_rows(path: Path, text: str) -> list[Row]:
    objects = [found for found in map(_object, islice(text.splitlines(), SAMPLE_ROWS)) if found]
    names = list(dict.fromkeys(name for found in objects for name in found))
    if not names:
        raise UnreadableFileError(path, "holds no JSON object in a line", "Write one object in each line.")
    return [names, *([_cell_text(found.get(name)) for name in names] for found in objects)]


def _object(line: str) -> dict[str, object] | None:
    try:
        found = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
        return flat(found) if isinstance(found, dict) else None
    except (ValueError, RecursionError):
        return None


def _cell_text(value: object) -> str | None:
    return value if value is None or isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _bare_map(file_format: FileFormat, sheet: str | None = None) -> dict[str, object]:
    """A map that wants nothing of a header, so that any file can be opened by the reader of its format."""
    given = dict.fromkeys(input_columns("odometer_readings"), "")
    return {"name": "draft", "files": "*", "kind": "odometer_readings", "constants": given} | {
        "format": file_format,
        "sheet": sheet,
    }


def _rows_of(path: Path, source_map: SourceMap) -> list[Row]:
    """Read the first rows by the reader that a run uses, blank rows put back in their places."""
    read = read_rows(path, source_map)
    rows: list[Row] = [read.header]
    batch = next(read.batches, None)
    if batch is None:
        return rows
    for number, cells in batch.listed(width=len(read.header)).head(SAMPLE_ROWS).iter_rows():
        blank = min(number - 1 - len(rows), MAX_TITLE_ROWS) if len(rows) < MAX_TITLE_ROWS else 0
        rows.extend([()] * blank)
        rows.append(cells)
    return rows


def _workbook_sample(path: Path, sheet: str | None) -> Sample:
    """Take the sheet asked for, else the one whose header holds most known names, then the one with most cells."""
    sheets: dict[str, list[Row]] = {}
    for name in _sheet_names(path):
        try:
            sheets[name] = _rows_of(path, SourceMap.model_validate(_bare_map("xlsx", name)))
        except UnreadableFileError:
            continue
    filled = {name: rows for name, rows in sheets.items() if len(rows) > 1}
    if not filled:
        raise UnreadableFileError(path, "has no sheet with rows", "Name a workbook that holds a table.")
    if sheet is not None and sheet not in filled:
        named = ", ".join(map(repr, filled))
        raise UnreadableFileError(path, f"has no sheet {sheet!r} with rows", f"Name one of {named}.")
    best = sheet or max(filled, key=lambda name: _fitness([_trimmed(row) for row in filled[name]]))
    others = tuple(name for name in filled if name != best)
    return _sample(path, "xlsx", filled[best], sheet=best, other_sheets=others)


def _sheet_names(path: Path) -> list[str]:
    """Return the names of a workbook's sheets, from the part that lists them (ECMA-376 part 1, 18.2.20)."""
    try:
        with zipfile.ZipFile(path) as archive, archive.open("xl/workbook.xml") as part:
            listed = ElementTree.fromstring(part.read(_LIST_OF_SHEETS_BYTES))
    except (
        zipfile.BadZipFile,
        zlib.error,
        KeyError,
        ElementTree.ParseError,
        NotImplementedError,
        RuntimeError,
    ) as error:
        raise UnreadableFileError(path, *NO_WORKBOOK) from error
    return [sheet.get("name", "") for sheet in listed.findall(".//{*}sheet")]


def _trimmed(row: Row) -> list[str]:
    return [cell for cell in row if cell]


def _sample(path: Path, file_format: FileFormat, rows: Sequence[Row], **opened: object) -> Sample:
    """Find the header among the first rows and stand the cells below it in columns."""
    place = 0 if file_format in ("jsonl", "parquet") else _header_place(path, rows)
    header = tuple((name or "").strip() for name in rows[place])
    below = [row for row in rows[place + 1 :] if any(cell and cell.strip() for cell in row)][:SAMPLE_ROWS]
    whole = [row for row in below if len(row) == len(header)]
    titles = " ".join(cell for row in rows[:place] for cell in row if cell)
    return Sample(
        file_name=_inbox_name(path),
        format=file_format,
        header=header,
        columns=tuple(_columns(whole, len(header))),
        titles=f"{opened.get('sheet') or ''} {titles}".strip(),
        skip_rows=place,
        ragged_rows=len(below) - len(whole),
        **opened,  # type: ignore[arg-type]
    )


def _columns(rows: Sequence[Row], width: int) -> Iterator[pl.Series]:
    for place in range(width):
        cells = [row[place] for row in rows]
        stripped = pl.Series(str(place), cells, dtype=pl.String).str.strip_chars()
        yield stripped.set(stripped == "", None)


def _header_place(path: Path, rows: Sequence[Row]) -> int:
    """Return which row is the header: the one of names, no two alike, that holds most of the trade's words.

    Raises:
        UnreadableFileError: No row does.
    """
    width = Counter(len(_trimmed(row)) for row in rows[:_ROWS_FOR_SHAPE]).most_common(1)[0][0]
    candidates = [place for place, row in enumerate(rows[:MAX_TITLE_ROWS]) if _may_be_header(row, width)]
    best = max(candidates, key=lambda place: _known_names(rows[place]), default=None)
    if best is None or (best > 0 and _known_names(rows[best]) == 0 and 0 in candidates):
        best = 0 if 0 in candidates else None
    if best is None:
        remedy = f"Put the names of the columns in one of the first {MAX_TITLE_ROWS} rows."
        raise UnreadableFileError(path, "has no row that looks like a header", remedy)
    return best


def _may_be_header(row: Row, width: int) -> bool:
    names = _trimmed(row)
    is_wide = len(names) >= max(1, min(width, len(row)) * 0.6)
    values = [name for name in names if _is_value(name) and not knows(name)]
    return is_wide and len(values) <= 0.2 * len(names)


def _is_value(name: str) -> bool:
    """Whether a cell starts as numbers and dates do."""
    return name.lstrip("+-")[:1].isdigit()


def _known_names(row: Row) -> int:
    return sum(knows(cell) for cell in row if cell and len(cell) <= 60)


def _inbox_name(path: Path) -> str:
    """The file's name relative to the folder `inbox` it lies in, or its bare name."""
    parts = path.absolute().parts
    folders = [place for place, part in enumerate(parts[:-1]) if part == "inbox"]
    return "/".join(parts[folders[-1] + 1 :]) if folders else path.name


def words_about(sample: Sample) -> set[str]:
    """Return the kinds that the file's name and the titles above its header mention."""
    return kinds_named(Path(sample.file_name).stem) | kinds_named(sample.titles)
