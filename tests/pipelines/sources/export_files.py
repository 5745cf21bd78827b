"""Exports as files: rows that are spelled are written in their format, with the source map that describes them."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from operator import or_
from pathlib import Path
from typing import Any

import polars as pl

from tests.pipelines.sources.spelling import Spelling
from tests.pipelines.sources.written_files import Cell, csv_text, json_line, write_text, write_workbook


@dataclass(frozen=True)
class Line:
    """A row before it is written: as texts, and as typed cells where it has them."""

    texts: Mapping[str, str]
    natives: Mapping[str, Cell] = field(default_factory=dict)

    def spoiled(self, column: str, text: str) -> "Line":
        """The row with one cell that holds a text instead."""
        return Line(dict(self.texts) | {column: text}, dict(self.natives) | {column: None})


@dataclass(frozen=True)
class Export:
    """A file and what its source map says of it.

    Args:
        file: Its name in the inbox.
        encoding: What a text is written in.
        dialect: Options of a CSV writer, or what the columns of a Parquet file are.
        headers: Column in the file to its header there; the order is the file's.
        above: Title rows above the header.
        rows: Rows to be written: None is a blank one, a list stands as it is.
        spelling: How its cells are spelled.
        source: Keys of its source map.
    """

    file: str
    encoding: str
    dialect: Mapping[str, Any]
    headers: Mapping[str, str]
    above: Sequence[Sequence[str]]
    rows: Sequence[Line | list[str] | None]
    spelling: Spelling
    source: Mapping[str, Any]

    def write(self, folder: Path) -> None:
        """Write the file."""
        path, how = folder / self.file, self.spelling.format
        if how == "csv":
            write_text(path, csv_text(self._grid(is_text=True), **self.dialect), encoding=self.encoding)
        elif how == "jsonl":
            write_text(path, self.dialect["lineterminator"].join(self._lines()), encoding=self.encoding)
        elif how == "xlsx":
            before = ["notes"] if "sheet" in self.source else []
            write_workbook(path, self._grid(is_text=False), sheet=self.source.get("sheet", "Blatt 1"), before=before)
        else:
            self._frame().write_parquet(path)

    def _grid(self, *, is_text: bool) -> list[Sequence[Any]]:
        rows = [[] if row is None else row if isinstance(row, list) else self._cells(row, is_text) for row in self.rows]
        return [*self.above, list(self.headers.values()), *rows]

    def _cells(self, line: Line, is_text: bool) -> list[Cell]:
        if is_text:
            return [line.texts[name] for name in self.headers]
        texts = {name: text or None for name, text in line.texts.items()}
        return [texts[name] if line.natives.get(name) is None else line.natives[name] for name in self.headers]

    def _lines(self) -> list[str]:
        lines = []
        for row in self.rows:
            if row is None or isinstance(row, list):
                lines.append("" if row is None else row[0])
                continue
            cells = dict(zip(self.headers.values(), self._cells(row, is_text=False), strict=True))
            if lines and "}" in lines[-1]:
                cells = {name: cell for name, cell in cells.items() if cell is not None}
            lines.append(json_line(cells, ensure_ascii="🛢" in "".join(row.texts.values())))
        return lines

    def _frame(self) -> pl.DataFrame:
        """Typed columns where every cell has a typed form, columns of text elsewhere."""
        return pl.DataFrame([self._column(name, header) for name, header in self.headers.items()])

    def _column(self, name: str, header: str) -> pl.Series:
        lines = [row if isinstance(row, Line) else Line({name: ""}) for row in self.rows]
        texts = [line.texts[name] or None for line in lines]
        natives = [line.natives.get(name) for line in lines]
        blank = [text is None or not text.strip() for text in texts]
        if natives == [None] * len(lines) or not all(map(or_, blank, (typed is not None for typed in natives))):
            return pl.Series(header, texts, dtype=pl.String).cast(self.dialect["texts"])
        column = pl.Series(header, natives, strict=False)
        if isinstance(column.dtype, pl.Datetime):
            in_zone = column.dt.convert_time_zone(self.dialect["zone"]) if column.dtype.time_zone else column
            return in_zone.dt.cast_time_unit(self.dialect["time_unit"])
        is_padded = column.dtype.is_decimal() and self.spelling.decimal == ","
        return (
            column.cast(pl.Float64) if is_padded or (self.dialect["floats"] and column.dtype.is_decimal()) else column
        )

    def toml(self) -> str:
        """The source map."""
        keys = {"name": self.file, "files": self.file, **self.source}
        return "\n".join(["[[source]]", *(f"{key} = {_toml(value)}" for key, value in keys.items()), ""])


def _toml(value: Any) -> str:
    """TOML's strings and numbers are written as JSON's."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{json.dumps(key)} = {_toml(part)}" for key, part in value.items()) + "}"
    return json.dumps(value, ensure_ascii=False)
