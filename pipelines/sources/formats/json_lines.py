"""JSON Lines: one object a line, flattened, its numbers as written."""

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl

from models.errors import UnreadableFileError
from models.records.canonical import NUL_SIGN, UNDECODABLE_SIGN
from models.records.landed import LandedRows, joined
from pipelines.sources.formats.batches import (
    CELLS_PER_BATCH,
    MAX_COLUMNS,
    NO_TEXT,
    ROWS_PER_BATCH,
    Row,
    broken,
    frame_batches,
    in_batches,
    names_of,
)
from pipelines.sources.formats.object_lines import Layout, flat, layout_of, unlike
from pipelines.sources.formats.texts import (
    MAX_LINE_CHARACTERS,
    encoding_of,
    line_too_long,
    most_unpacked,
    open_bytes,
    packed_too_much,
)
from pipelines.sources.maps import SourceMap

MAX_LAYOUTS = 16
"""So many orders of names are tried for reading JSON Lines many at a time; lines of others are read one by one."""
PIECE_CHARACTERS = 4 << 20
_NUMBERS_AS_WRITTEN = json.JSONDecoder(parse_float=str, parse_int=str, parse_constant=str)
_OPENS_OBJECT = r"^[ \t]*\{"
"""Other lines hold no object (RFC 8259): a file of them, or of blank lines, is passed over at once."""


def json_rows(path: Path, source_map: SourceMap) -> tuple[list[str], Iterator[LandedRows]]:
    """Read JSON Lines twice: once for the names in use and the layouts of the lines, once for the rows."""
    encoding = encoding_of(path, source_map.encoding)
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

    return names_of(keys), batches()


def _json_lines(path: Path, encoding: str) -> Iterator[pl.Series]:
    """Yield a file's lines, many at a time, as `lines_of` does."""
    most, characters = most_unpacked(path), 0
    with open_bytes(path) as raw, io.TextIOWrapper(raw, encoding=encoding, errors="replace", newline="") as text:
        while piece := text.read(PIECE_CHARACTERS):
            piece += text.readline(MAX_LINE_CHARACTERS)
            characters += len(piece)
            if characters > most:
                raise packed_too_much(path)
            plain = piece.replace("\r\n", "\n").replace("\r", "\n").replace("\0", NUL_SIGN)
            lines = pl.Series("line", [plain.removesuffix("\n")]).str.split("\n").explode()
            if len(plain) >= MAX_LINE_CHARACTERS and lines.str.len_chars().max() >= MAX_LINE_CHARACTERS:
                raise line_too_long(path)
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
            batches += frame_batches(
                found.select("row_number", *(cell.alias(str(at)) for at, cell in enumerate(in_order)))
            )
    batches += in_batches((_json_row(number, line, keys) for number, line in numbered.iter_rows()), len(keys))
    if batches:
        yield joined(batches)


def _json_row(number: int, line: str, keys: list[str]) -> Row:
    row = _json_object(line)
    return number, broken(line.strip(), keys) if row is None else _json_cells(row, keys, line)


def _json_cells(row: dict[str, Any], keys: list[str], line: str) -> list[str | None]:
    """Return an object's values as text; only an escape can bring in what is no text."""
    cells = [value if type(value) is str else _json_text(value) for value in map(row.get, keys)]
    if "\\u" not in line:
        return cells
    return [cell and NO_TEXT.sub(UNDECODABLE_SIGN, cell) for cell in cells]


def _json_object(line: str) -> dict[str, Any] | None:
    """Parse one line, its numbers kept as written, and flatten it; None where it is not an object."""
    try:
        found = _NUMBERS_AS_WRITTEN.decode(line)
        return flat(found) if isinstance(found, dict) else None
    except (ValueError, RecursionError):
        return None


def _json_text(value: Any) -> str | None:
    return None if value is None else json.dumps(value, ensure_ascii=False)
