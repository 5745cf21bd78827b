"""Rows written to files of every format, as other programs write them; none of it is Releak's own writing."""

import csv
import gzip
import io
import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

Cell = str | int | Decimal | bool | date | datetime | None


def csv_text(rows: Sequence[Sequence[str | None]], **dialect: Any) -> str:
    """Delimited text, written by the standard library."""
    text = io.StringIO()
    csv.writer(text, **dialect).writerows(rows)
    return text.getvalue()


def write_text(path: Path, text: str, *, encoding: str = "utf-8") -> None:
    """Text, packed where the file's name ends in .gz; lone surrogates stand for bytes that are no text."""
    content = text.encode(encoding, "strict" if encoding.startswith("utf-16") else "surrogateescape")
    path.write_bytes(gzip.compress(content) if path.suffix == ".gz" else content)


def json_line(row: Mapping[str, Cell], *, ensure_ascii: bool = False) -> str:
    """One row as a JSON object, numbers with the digits they have."""
    pairs = (
        f"{json.dumps(name, ensure_ascii=ensure_ascii)}: {_json(cell, ensure_ascii)}" for name, cell in row.items()
    )
    return f"{{{', '.join(pairs)}}}"


def _json(cell: Cell, ensure_ascii: bool) -> str:
    return format(cell, "f") if isinstance(cell, Decimal) else json.dumps(cell, ensure_ascii=ensure_ascii)


def write_workbook(
    path: Path, rows: Sequence[Sequence[Cell]], *, sheet: str = "data", before: Sequence[str] = ()
) -> None:
    """A sheet of typed cells, after other sheets; None leaves a cell empty."""
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(path, options) as book:
        for name in before:
            book.add_worksheet(name).write_string(0, 0, "nothing here")
        day, moment = book.add_format({"num_format": "dd/mm/yyyy"}), book.add_format({"num_format": "d.m.yy hh:mm:ss"})
        written = book.add_worksheet(sheet)
        for number, row in enumerate(rows):
            for place, cell in enumerate(row):
                if isinstance(cell, str):
                    written.write_string(number, place, cell)
                elif isinstance(cell, date):
                    written.write_datetime(number, place, cell, moment if isinstance(cell, datetime) else day)
                elif cell is not None:
                    written.write(number, place, cell)


def write_table(path: Path, header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Texts in the plain form of the format that the file's name says."""
    if path.name.endswith((".csv", ".csv.gz")):
        write_text(path, csv_text([header, *rows]))
    elif path.suffix == ".jsonl":
        write_text(path, "\n".join(json_line(dict(zip(header, row, strict=True))) for row in rows))
    elif path.suffix == ".parquet":
        pl.DataFrame(rows, schema=dict.fromkeys(header, pl.String), orient="row").write_parquet(path)
    else:
        write_workbook(path, [header, *rows])
