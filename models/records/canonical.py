"""Canonical text columns out of a file's cells, and the rows that have none."""

from collections.abc import Sequence

import polars as pl
from rapidfuzz import process

from models.records.conversion import Conversion, input_columns
from models.records.landed import LandedRows
from models.tables.records import REQUIRED_INPUT

WHOLE_ROW = "(row)"
"""Column name of a refusal that concerns the row and no column of it."""

MAX_SHOWN_CHARACTERS = 200
"""A refused row's value is cut here; the whole of it stays in landing."""

NUL_SIGN = "␀"
UNDECODABLE_SIGN = "�"
"""What readers put in place of a NUL byte and of bytes that are not in the file's encoding."""

REFUSED_SCHEMA = {
    "load_id": pl.String(),
    "row_number": pl.Int64(),
    "column_name": pl.String(),
    "value": pl.String(),
    "reason": pl.String(),
}

_BETWEEN_SHOWN = " | "
_RAGGED_REMEDY = {
    "jsonl": "the line is not a JSON object: mend it in the source",
    "csv": "quote the text that holds the delimiter or a quotation mark",
}


def same_name(name: str) -> str:
    """Return a header as it is compared: blanks joined, case and byte order mark ignored."""
    return " ".join(name.replace("\ufeff", "").split()).casefold()


def column_places(header: Sequence[str], conversion: Conversion) -> dict[str, list[int]]:
    """Return where each canonical column stands in a header: one place where all is well.

    A declared column has its entry even if the header lacks it. A column that is neither declared nor constant nor
    made from others is found under its own name, unless a declared column claims that name.
    """
    declared = {column: same_name(name) for column, name in conversion.columns.items()}
    taken = {*declared.values(), *conversion.constants, *conversion.made_from}
    own = {name: name for name in input_columns(conversion.kind) if name not in declared and name not in taken}
    found: dict[str, list[int]] = {}
    for place, name in enumerate(header):
        found.setdefault(same_name(name), []).append(place)
    places = {column: found.get(name, []) for column, name in (declared | own).items()}
    return {column: at for column, at in places.items() if at or column in declared}


def header_fault(header: Sequence[str], conversion: Conversion) -> tuple[str, str] | None:
    """Say which canonical column a header fails to give, and why with a remedy; None where all is well."""
    places = column_places(header, conversion)
    for column, at in places.items():
        name = conversion.columns.get(column, column)
        if not at:
            return column, f"has no column {name!r} for {column}{_nearest(name, header)}"
        if len(at) > 1:
            return column, f"has {len(at)} columns {name!r} for {column}: rename all but one"
    for column in REQUIRED_INPUT[conversion.kind]:
        if column not in {*places, *conversion.constants, *conversion.made_from}:
            return column, f"has no column for {column}, which {conversion.kind} need{_nearest(column, header)}"
    return None


def _nearest(name: str, header: Sequence[str]) -> str:
    match = process.extractOne(name, header, processor=same_name, score_cutoff=60)
    return f" (is it {match[0]!r}?)" if match else f"; its columns are {', '.join(header)[:MAX_SHOWN_CHARACTERS]}"


def refusals(rows: pl.DataFrame, *, column_name: str, value: pl.Expr, reason: pl.Expr) -> pl.DataFrame:
    """Return rows as refusals: load_id, row_number, column_name, value, reason."""
    return rows.select(
        "load_id",
        "row_number",
        column_name=pl.lit(column_name),
        value=value.str.slice(0, MAX_SHOWN_CHARACTERS),
        reason=reason,
    ).cast(REFUSED_SCHEMA)  # type: ignore[arg-type]


def canonical_text(
    rows: LandedRows, *, header: Sequence[str], conversion: Conversion
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Pick the canonical columns out of a file's cells.

    Args:
        rows: The rows, each with its `load_id`.
        header: The file's column names.
        conversion: How the file spells things.

    Returns:
        The text frame (`load_id`, `row_number` and each canonical column, stripped, translated, null where empty or
        absent), and the refused rows: all of them where the header does not fit the conversion, otherwise those with
        another number of cells than the header and those that repeat the header.
    """
    if fault := header_fault(header, conversion):
        column, reason = fault
        why = pl.lit(f"the file {reason}")
        every = pl.concat(part.select("load_id", "row_number") for part in (rows.whole, rows.ragged))
        unfit = refusals(every, column_name=column, value=pl.lit(None, pl.String), reason=why)
        return _pick(rows.whole.clear(), header, conversion), unfit
    is_header = _repeats(rows.whole, header)
    refused = [_refused_ragged(rows.ragged, len(header), conversion)]
    if is_header.any():
        refused.append(_refused_headers(rows.whole.filter(is_header), header))
    whole = rows.whole.filter(~is_header) if is_header.any() else rows.whole
    return _pick(whole, header, conversion), pl.concat(refused)


def _refused_ragged(ragged: pl.DataFrame, width: int, conversion: Conversion) -> pl.DataFrame:
    """Refuse rows with another number of cells than the header."""
    if ragged.is_empty():
        return pl.DataFrame(schema=REFUSED_SCHEMA)
    remedy = _RAGGED_REMEDY.get(conversion.format or "csv", "mend the row in the source")
    count = pl.col("cells").list.len()
    reason = pl.format("has {} cells, the header has {}: {}", count, pl.lit(width), pl.lit(remedy))
    shown = pl.col("cells").list.join(_BETWEEN_SHOWN, ignore_nulls=True)
    return refusals(ragged, column_name=WHOLE_ROW, value=shown, reason=reason)


def _refused_headers(rows: pl.DataFrame, header: Sequence[str]) -> pl.DataFrame:
    """Refuse rows that are the header again."""
    shown = pl.concat_str([str(place) for place in range(len(header))], separator=_BETWEEN_SHOWN)
    reason = pl.lit("is the header again: take it out of the file")
    return refusals(rows, column_name=WHOLE_ROW, value=shown, reason=reason)


def _repeats(rows: pl.DataFrame, header: Sequence[str]) -> pl.Series:
    """Say of each row whether it is the header again; a place where nothing stands has no column."""
    is_header = pl.repeat(value=True, n=rows.height, eager=True)
    for place, name in enumerate(header):
        if not is_header.any() or str(place) not in rows.columns:
            return is_header & False
        is_header &= (rows[str(place)].str.strip_chars() == name.strip()).fill_null(value=False)
    return is_header


def _pick(rows: pl.DataFrame, header: Sequence[str], conversion: Conversion) -> pl.DataFrame:
    """Take each canonical column from its place; where nothing stands at a place, it has no column."""
    places = column_places(header, conversion)
    columns = {}
    for column in input_columns(conversion.kind):
        place = str(places[column][0]) if places.get(column) else None
        cell = pl.lit(None if place else conversion.constants.get(column), pl.String)
        if place in rows.columns:
            cell = pl.col(place).str.strip_chars()
        columns[column] = _translated(cell, conversion.values.get(column, {}))
    made = {column: _made(parts) for column, parts in conversion.made_from.items()}
    return rows.select("load_id", "row_number", **columns).with_columns(**made)


def _made(parts: Sequence[str]) -> pl.Expr:
    """Join the cells of some columns by a blank; missing where all of them are."""
    joined = pl.concat_str(parts, separator=" ", ignore_nulls=True)
    return pl.when(joined != "").then(joined)


def _translated(cell: pl.Expr, words: dict[str, str]) -> pl.Expr:
    """Replace the words found by the canonical ones, ignoring case; an empty cell is missing."""
    if words:
        lower = {word.strip().lower(): canonical for word, canonical in words.items()}
        cell = cell.str.to_lowercase().replace_strict(lower, default=cell, return_dtype=pl.String)
    return pl.when(cell != "").then(cell)
