"""Write a simulated fleet as its four sites would export it, its source maps, and, apart, the truth."""

import csv
import gzip
import io
import json
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from datetime import datetime, time
from pathlib import Path
from typing import IO, Any, Protocol, cast

from models.errors import UsageError
from models.simulation.cells import Cell, cells, formatters
from models.simulation.chunks import Chunk, draw_chunk
from models.simulation.fleet import Calendar, calendar, chunks_of
from models.simulation.layouts import LAYOUTS, Layout
from models.simulation.mistakes import LAYOUT_NUMBERS, Entry
from models.simulation.reference import family_records
from models.simulation.truth import COLUMNS, Row, describe
from models.simulation.world import EXTRACT_ON, ZONE

WORKBOOK_ROWS = 100_000
"""Rows of one workbook: well under the format's 1,048,576, and little enough to open."""
Progress = Callable[[str, int], None]


def simulate(out: Path, *, vehicles: int, years: float, seed: int, progress: Progress | None = None) -> None:
    """Draw a fleet and write `inbox/`, `sources.toml`, `settings.toml` and `truth/`.

    The same arguments write the same bytes. Memory does not grow with the fleet.

    Args:
        out: Folder to write; it must not hold an inbox yet.
        vehicles: Size of the fleet.
        years: How long it was watched up to the extract.
        seed: What the draws start from.
        progress: Called with the step's name and how many there are, before each chunk and once at the end.

    Raises:
        UsageError: The folder already holds an inbox.
    """
    inbox, truth = out / "inbox", out / "truth"
    if inbox.exists() and any(inbox.iterdir()):
        raise UsageError(f"{inbox} already holds files. Name another folder, or empty it first.")
    inbox.mkdir(parents=True, exist_ok=True)
    truth.mkdir(exist_ok=True)
    (out / "sources.toml").write_text(source_maps(), encoding="utf-8")
    (out / "settings.toml").write_text(_SETTINGS, encoding="utf-8")
    (truth / "README.md").write_text(describe(), encoding="utf-8")
    with ExitStack() as files:
        exports = _Exports(inbox, calendar(years), files)
        facts = {name: _open_csv(files, truth / f"{name}.csv", columns) for name, columns in COLUMNS.items()}
        exports.write(
            Entry(LAYOUT_NUMBERS["engine families"], "engine_families", 0, record) for record in family_records()
        )
        chunks = chunks_of(vehicles)
        for number in range(chunks):
            _report(progress, chunks)
            _write_chunk(draw_chunk(number, vehicles=vehicles, years=years, seed=seed), exports, facts)
        _report(progress, chunks)


_SETTINGS = f"""# What differs from the defaults for the simulated fleet.
as_of = {EXTRACT_ON.isoformat()}  # the day of the extract

[fleet]
zone = "{ZONE}"
"""


def _write_chunk(chunk: Chunk, exports: "_Exports", facts: dict[str, Any]) -> None:
    facts["refused"].writerows(exports.write(chunk.entries))
    for name, rows in chunk.truth.items():
        facts[name].writerows(rows)


def _report(progress: Progress | None, chunks: int) -> None:
    if progress is not None:
        progress("Simulating", chunks)


def _open_csv(files: ExitStack, path: Path, columns: Iterable[str]) -> Any:
    writer = csv.writer(files.enter_context(path.open("w", encoding="utf-8", newline="")), lineterminator="\n")
    writer.writerow(columns)
    return writer


class _Export(Protocol):
    """A file that takes rows and says which number a spreadsheet shows beside each."""

    name: str

    def add(self, row: list[Cell]) -> int:
        """Write a row and return its number."""


class _Exports:
    """All files of the inbox, opened as rows come for them."""

    def __init__(self, inbox: Path, days: Calendar, files: ExitStack) -> None:
        self._inbox, self._files = inbox, files
        self._columns = [formatters(layout, days.starts_on) for layout in LAYOUTS]
        self._open: dict[tuple[int, str], _Export] = {}

    def write(self, entries: Iterable[Entry]) -> list[Row]:
        """Write rows and return the truth about those that must be refused."""
        refused = []
        for entry in entries:
            key = entry.layout, entry.stem
            export = self._open.get(key)
            if export is None:
                export = self._open[key] = self._start(LAYOUTS[entry.layout], entry.stem)
            number = export.add(cells(entry, self._columns[entry.layout]))
            if entry.refused[1]:
                refused.append((export.name, number, *entry.refused))
        return refused

    def _start(self, layout: Layout, stem: str) -> _Export:
        kind = {"csv": _TextExport, "jsonl": _JsonExport, "xlsx": _WorkbookExport}[layout.form]
        return cast(_Export, kind(self._inbox, layout, stem, self._files))


class _TextExport:
    """Delimited text, compressed where the suffix says so."""

    def __init__(self, inbox: Path, layout: Layout, stem: str, files: ExitStack) -> None:
        self.name = stem + layout.suffix
        text = files.enter_context(_open_text(inbox / self.name, layout.encoding, files))
        self._writer = csv.writer(text, delimiter=layout.delimiter, lineterminator="\r\n")
        self._writer.writerow(layout.columns.values())
        self._number = layout.first_row - 1

    def add(self, row: list[Cell]) -> int:
        """Write a row and return its number."""
        self._writer.writerow(row)
        self._number += 1
        return self._number


def _open_text(path: Path, encoding: str, files: ExitStack) -> IO[str]:
    if path.suffix != ".gz":
        return path.open("w", encoding=encoding, newline="")
    raw = files.enter_context(path.open("wb"))
    packed = gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0)
    return io.TextIOWrapper(cast(IO[bytes], packed), encoding=encoding, newline="")


class _JsonExport:
    """One JSON object a line, without the keys that have no value."""

    def __init__(self, inbox: Path, layout: Layout, stem: str, files: ExitStack) -> None:
        self.name = stem + layout.suffix
        self._file = files.enter_context((inbox / self.name).open("w", encoding=layout.encoding))
        self._headers = list(layout.columns.values())
        self._number = layout.first_row - 1

    def add(self, row: list[Cell]) -> int:
        """Write a row and return its number."""
        named = {header: cell for header, cell in zip(self._headers, row, strict=True) if cell not in (None, "")}
        self._file.write(json.dumps(named, ensure_ascii=False) + "\n")
        self._number += 1
        return self._number


class _WorkbookExport:
    """Workbooks with a title above the header, continued in another before they grow too long."""

    def __init__(self, inbox: Path, layout: Layout, stem: str, files: ExitStack) -> None:
        self._inbox, self._layout, self._stem = inbox, layout, stem
        self._part = 0
        files.callback(self._close)
        self._begin()

    def _begin(self) -> None:
        import xlsxwriter

        self._part += 1
        self.name = self._stem.replace("{part}", f"{self._part:02d}") + self._layout.suffix
        self._book = xlsxwriter.Workbook(str(self._inbox / self.name), {"constant_memory": True})
        self._book.set_properties({"created": datetime.combine(EXTRACT_ON, time(12))})
        self._book.add_worksheet("About").write_string(0, 0, f"{self._layout.title}, {EXTRACT_ON.isoformat()}")
        self._sheet = self._book.add_worksheet(self._layout.sheet)
        self._sheet.write_string(0, 0, self._layout.title)
        self._sheet.write_row(1, 0, self._layout.columns.values())
        self._number = self._layout.first_row - 1

    def add(self, row: list[Cell]) -> int:
        """Write a row and return its number."""
        if self._number > WORKBOOK_ROWS:
            self._close()
            self._begin()
        sheet, line = self._sheet, self._number
        for column, cell in enumerate(row):
            if cell.__class__ is str:
                sheet.write_string(line, column, cell)
            elif cell is not None:
                sheet.write_number(line, column, cell)
        self._number += 1
        return self._number

    def _close(self) -> None:
        self._book.close()


def source_maps() -> str:
    """Return the source maps of all exports as TOML."""
    return "\n".join(_source_map(layout) for layout in LAYOUTS)


def _source_map(layout: Layout) -> str:
    renamed = {column: header for column, header in layout.columns.items() if column != header}
    keys: dict[str, Any] = {
        "name": layout.name,
        "files": layout.pattern,
        "kind": layout.kind,
        "delimiter": layout.delimiter if layout.form == "csv" else None,
        "encoding": layout.encoding if layout.encoding != "utf-8" else None,
        "sheet": layout.sheet,
        "skip_rows": 1 if layout.title else None,
        "zone": ZONE,
        "decimal": layout.decimal if layout.decimal != "." else None,
        "order_lines": "spread" if layout.is_lined else None,
        "columns": renamed,
        "units": layout.units,
        "dates": layout.dates,
        "constants": layout.constants,
        "values": layout.values,
    }
    return "[[source]]\n" + "".join(f"{key} = {_toml(value)}\n" for key, value in keys.items() if value)


def _toml(value: Any) -> str:
    """Write a word, a number or a table of them."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_toml_key(key)} = {_toml(each)}" for key, each in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


def _toml_key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else json.dumps(key, ensure_ascii=False)
