"""What the cells of one column look like: the ground for saying which canonical column they can be."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce
from math import nan
from operator import or_

import polars as pl

from models.records.moments import moments
from models.records.quantities import BLANK_WORDS, numbers
from models.records.vocabularies import VOCABULARIES, bolt_layout
from models.tables.records import TABLES

WRITTEN_ORDERS = (
    "iso",
    "day_first",
    "month_first",
    "%Y/%m/%d",
    "%Y/%m/%d %H:%M",
    "%d %b %Y",
    "%d %b %Y %H:%M",
    "%d-%b-%Y",
    "%d-%b-%Y %H:%M",
    "%d %B %Y",
    "%b %d, %Y",
    "%Y%m%d",
)
"""Orders and formats in which exports write dates (common practice)."""

LIKE_A_DATE = 0.8
"""Share of cells that must read as dates for a column to be one: the rest are typing errors."""
LIKE_A_NUMBER = 0.9

_DATE_LIKE = (
    r"^\s*(?:\d{1,4}[./ -](?:\d{1,2}|[A-Za-z]{3,9})[./ -]\d{2,4}|[A-Za-z]{3} \d{1,2}, \d{4}|(?:19|20)\d{6}\s*$)"
)
_TWO_DIGIT_YEAR = r"^\s*\d{1,2}[./ -]\d{1,2}[./ -]\d{2}(?:\D|$)"
_SERIAL_DAYS = (25_569.0, 73_051.0)
"""Spreadsheet serials of 1970-01-01 and 2100-01-01."""
_LEADING_NUMBER = r"^\s*([+-]?\d[\d.,'\s]*?)\s*(?:[A-Za-z][A-Za-z. ]*)?$"
_UNIT_AFTER_NUMBER = r"^\s*[+-]?\d[\d.,']*\s*([A-Za-z][A-Za-z. ]*)$"
_COMMA_FRACTION = r"\d,(?:\d{1,2}|\d{4,})$|^0,\d+$|\.\d{3},\d+$"
_POINT_FRACTION = r"\d\.(?:\d{1,2}|\d{4,})$|^0\.\d+$|,\d{3}\.\d+$"
_EITHER_MARK = r"^[+-]?[1-9]\d{0,2}[.,]\d{3}$"


@dataclass(frozen=True)
class ColumnProfile:
    """Counts and shares over the cells in which something stands.

    Args:
        rows: Rows looked at.
        filled: Cells in which something other than a blank word stands.
        distinct: Different values among them.
        date_shares: Date order to the share of cells it reads; none where few cells look like dates.
        date_share: Share of cells that some order reads, or that are dates with a two-digit year.
        two_digit_years: Share of cells that are dates with a two-digit year.
        number_share: Share of cells that are numbers, with or without a unit behind.
        unit_share: Share of cells that are a number with a unit behind it.
        median: Median of the numbers; NaN where there are none.
        fraction_share: Share of the numbers that are not whole.
        comma_fractions: Cells whose decimal mark can only be a comma.
        point_fractions: Cells whose decimal mark can only be a point.
        either_marks: Cells such as 1,234 or 1.234 whose mark may be either.
        digit_share: Share of cells with a digit.
        median_words: Median of words in a cell.
        median_length: Median of characters in a cell.
        layout_share: Share of cells that are bolt coordinates.
    """

    rows: int
    filled: int
    distinct: int
    date_shares: dict[str, float]
    date_share: float
    two_digit_years: float
    number_share: float
    unit_share: float
    median: float
    fraction_share: float
    comma_fractions: int
    point_fractions: int
    either_marks: int
    digit_share: float
    median_words: float
    median_length: float
    layout_share: float


def profile(cells: pl.Series, *, decimal: str = ".") -> ColumnProfile:
    """Look at a column.

    Args:
        cells: The cells as text; null is missing.
        decimal: The decimal mark of the file, '.' or ','.
    """
    present = filled_cells(cells)
    values = read_numbers(present, decimal=decimal)
    read = _dates_read(present, values)
    two_digit_years = present.str.contains(_TWO_DIGIT_YEAR)
    return ColumnProfile(
        rows=len(cells),
        filled=len(present),
        distinct=present.n_unique(),
        date_shares={order: _share(cells) for order, cells in read.items()},
        date_share=_share(reduce(or_, read.values(), two_digit_years)),
        two_digit_years=_share(two_digit_years),
        number_share=_share(values.is_not_null()),
        unit_share=_share(present.str.contains(_UNIT_AFTER_NUMBER)),
        median=_median(values),
        fraction_share=_share(values.drop_nulls() % 1 != 0),
        comma_fractions=_count(_bare_numbers(present).str.contains(_COMMA_FRACTION)),
        point_fractions=_count(_bare_numbers(present).str.contains(_POINT_FRACTION)),
        either_marks=_count(_bare_numbers(present).str.contains(_EITHER_MARK)),
        digit_share=_share(present.str.contains(r"\d")),
        median_words=_median(present.str.count_matches(r"\S+")),
        median_length=_median(present.str.len_chars()),
        layout_share=_share(bolt_layout(present)["value"].is_not_null()),
    )


def filled_cells(cells: pl.Series) -> pl.Series:
    """Return the cells in which something other than a blank word stands, stripped."""
    stripped = cells.str.strip_chars()
    return stripped.filter((stripped != "") & ~stripped.str.to_lowercase().is_in(BLANK_WORDS))


def units_in_cells(cells: pl.Series) -> list[str]:
    """Return the words behind the numbers of a column, the commonest first."""
    words = filled_cells(cells).str.extract(_UNIT_AFTER_NUMBER).str.strip_chars(" .").str.to_lowercase().drop_nulls()
    return words.value_counts(sort=True)[words.name].to_list()


def rising_share(vehicles: pl.Series, days: pl.Series, readings: pl.Series) -> float:
    """Return the share of neighbouring readings of one vehicle, in order of time, that do not fall; NaN without any.

    An odometer rises save for typing errors and replaced instruments; a trip meter or a running number does not.

    Args:
        vehicles: The vehicle of each row.
        days: The moment of each row.
        readings: The number of each row, null where missing.
    """
    rows = pl.DataFrame({"vehicle": vehicles, "day": days, "reading": readings}).drop_nulls()
    steps = rows.sort("vehicle", "day", "reading").select(step=pl.col("reading").diff().over("vehicle"))
    rises = steps["step"].drop_nulls() >= 0
    return _share(rises) if len(rises) else nan


def read_numbers(cells: pl.Series, *, decimal: str) -> pl.Series:
    """Read numbers with or without a unit behind them; null where there is none."""
    return numbers(cells.str.extract(_LEADING_NUMBER).str.strip_chars(), decimal=decimal)["value"]


def decimal_mark(columns: Sequence[pl.Series]) -> str:
    """Return the decimal mark that most cells of a file prove, the point where none does.

    Args:
        columns: The cells of each column; those that are not mostly numbers do not count.
    """
    bare = [_bare_numbers(filled_cells(cells)) for cells in columns]
    counted = [numbers_ for numbers_, cells in zip(bare, columns, strict=True) if len(numbers_) > cells.count() / 2]
    commas = sum(_count(cells.str.contains(_COMMA_FRACTION)) for cells in counted)
    points = sum(_count(cells.str.contains(_POINT_FRACTION)) for cells in counted)
    return "," if commas > points else "."


def _bare_numbers(present: pl.Series) -> pl.Series:
    undated = present.filter(~present.str.contains(_DATE_LIKE))
    return undated.str.extract(_LEADING_NUMBER).str.strip_chars().drop_nulls()


def _dates_read(present: pl.Series, values: pl.Series) -> dict[str, pl.Series]:
    """Return, for each date order that reads any cell, which cells it reads."""
    if _share(present.str.contains(_DATE_LIKE)) >= LIKE_A_DATE / 2:
        read = {order: is_read(present, order) for order in WRITTEN_ORDERS}
        return {order: cells for order, cells in read.items() if cells.any()}
    low, high = _SERIAL_DAYS
    is_serial = values.is_between(low, high) & present.str.contains(r"^\d{5}(?:\.\d+)?$")
    return {"serial": is_serial} if _share(is_serial) >= LIKE_A_DATE else {}


def is_read(cells: pl.Series, order: str) -> pl.Series:
    """Return for each cell whether a date order or format reads it."""
    return moments(cells, orders=(order,), zone="UTC")["at"].is_not_null()


def _share(flags: pl.Series) -> float:
    return _count(flags) / len(flags) if len(flags) else 0.0


def _count(flags: pl.Series) -> int:
    return int(flags.fill_null(value=False).sum())


def _median(values: pl.Series) -> float:
    found = values.drop_nulls().median()
    return float(found) if isinstance(found, int | float) else float("nan")


def _is_number(column: ColumnProfile) -> bool:
    return column.number_share >= LIKE_A_NUMBER and (column.date_share < LIKE_A_DATE or _may_be_serials(column))


def _is_date(column: ColumnProfile) -> bool:
    return column.date_share >= LIKE_A_DATE


def _may_be_serials(column: ColumnProfile) -> bool:
    """Whether cells are dates only as spreadsheet serials, which odometers and order numbers look like too."""
    return "serial" in column.date_shares


def _is_code(column: ColumnProfile) -> bool:
    """Whether cells are short marks with digits, such as U-000123 or 4711."""
    is_short = column.median_length <= 25 and column.median_words <= 2
    is_dated = _is_date(column) and not _may_be_serials(column)
    return is_short and column.digit_share >= 0.5 and column.fraction_share < 0.1 and not is_dated


def _is_choice(column: ColumnProfile) -> bool:
    """Whether cells are one of a few short words."""
    is_short = column.median_length <= 30 and column.median_words <= 4
    return is_short and column.distinct <= max(20, 0.3 * column.filled) and not _is_date(column)


def _is_named_choice(column: ColumnProfile) -> bool:
    return _is_choice(column) and column.number_share < 0.5


def _is_prose(column: ColumnProfile) -> bool:
    """Whether cells are words that somebody wrote."""
    is_written = column.median_words >= 2 or column.median_length >= 12
    return is_written and not _is_date(column) and column.number_share < 0.5


def _is_words(column: ColumnProfile) -> bool:
    return not _is_date(column) and column.number_share < 0.5


def _is_few_words(column: ColumnProfile) -> bool:
    return column.distinct <= 12 and column.median_length <= 20 and not _is_date(column)


def _between(low: float, high: float, *, is_whole: bool = False) -> Callable[[ColumnProfile], bool]:
    def is_between(column: ColumnProfile) -> bool:
        return _is_number(column) and low <= column.median <= high and not (is_whole and column.fraction_share > 0.2)

    return is_between


_SHAPES: dict[str, tuple[str, Callable[[ColumnProfile], bool]]] = {
    "vehicle_id": ("short marks", _is_code),
    "order_id": ("short marks", _is_code),
    "note_id": ("short marks", _is_code),
    "engine_id": ("short marks", _is_code),
    "gasket_part": ("short marks", _is_code),
    "seal_part": ("short marks", _is_code),
    "bolt_part": ("short marks", _is_code),
    "engine_family": ("few short words", _is_choice),
    "site": ("few names", _is_named_choice),
    "job_code": ("few short words", _is_choice),
    "technician": ("few short words", _is_choice),
    "author": ("few short words", _is_choice),
    "status": ("few short words", _is_choice),
    "fuel": ("few names", _is_named_choice),
    "vehicle_class": ("few names", _is_named_choice),
    "complaint": ("written words", _is_prose),
    "work_done": ("written words", _is_prose),
    "text": ("written words", _is_prose),
    "reason": ("words", _is_words),
    "parts": ("words", _is_words),
    "odometer": ("whole numbers the size of an odometer", _between(100, 3_000_000, is_whole=True)),
    "engine_hours": ("numbers the size of engine hours", _between(10, 500_000)),
    "volume": ("numbers the size of an oil volume", _between(0.05, 60_000)),
    "labour_hours": ("numbers the size of job hours", _between(0, 200)),
    "standard_hours": ("numbers the size of job hours", _between(0, 100)),
    "stage1_nm": ("numbers the size of a torque", _between(1, 500)),
    "bolts": ("whole numbers", _between(2, 100, is_whole=True)),
    "sump_litres": ("numbers the size of a sump", _between(1, 100)),
    "layout": ("bolt coordinates", lambda column: column.layout_share >= LIKE_A_DATE),
}
"""Canonical column to what its cells look like (bounds of size: common practice)."""


def shape_of(kind: str, column: str) -> tuple[str, Callable[[ColumnProfile], bool]]:
    """Return what the cells of a canonical column look like, in words and as a test of a profile."""
    if column in _SHAPES:
        return _SHAPES[column]
    dtype = TABLES[kind].columns()[column].dtype
    if dtype.is_temporal():
        return "dates", _is_date
    if column in VOCABULARIES or not dtype.is_numeric():
        return "few words", _is_few_words
    return "numbers", _is_number
