"""Text rows to typed rows, column by column, by what the declared tables say of each column.

A row with one value that cannot be used is refused whole, naming the first such column: half a row would be counted as
if it were sound. A required column may not be empty, save `work_done`: lines of an order carry parts without words.
"""

from collections.abc import Iterator
from datetime import date

import dataframely as dy
import polars as pl

from models.records.canonical import NUL_SIGN, REFUSED_SCHEMA, UNDECODABLE_SIGN, refusals
from models.records.conversion import Conversion, input_columns
from models.records.moments import moments
from models.records.quantities import Marks, distances_km, numbers, volumes_litres
from models.records.vocabularies import VOCABULARIES, yes_no
from models.tables.columns import EARLIEST_YEAR
from models.tables.records import REQUIRED_INPUT, TABLES

STORED_AS = {"odometer": "odometer_km", "volume": "volume_litres"}
"""Input columns that are stored under a name with their canonical unit."""

MAY_BE_EMPTY = ("work_done",)

LATE = "lies after the day of the extract"
"""How the reason of the one refusal begins that the day of the extract decides."""

NO_VALUE = "holds no value, but every row needs one: fill it in, or set a constant in the source map"

_MOST_WHOLE = 2.0**53
"""Beyond it not every whole number is a Float64 (IEEE 754)."""

_WRITTEN_BY_FORMAT = {"xlsx": ("iso", "serial"), "parquet": ("iso",)}
"""Date orders that a file format writes of itself, whatever order its text cells are in."""


def type_rows(
    text: pl.DataFrame, *, conversion: Conversion, default_zone: str, as_of: date
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Type the rows of one kind.

    Args:
        text: `load_id`, `row_number` and every canonical input column of the kind as text, null where missing.
        conversion: Units, date orders, zone and decimal mark of the export.
        default_zone: tz database name where the conversion names none.
        as_of: Last day that a date may be.

    Returns:
        The typed rows (`load_id`, `row_number` and the columns of the kind's table that a row gives), and the refused
        ones (`load_id`, `row_number`, `column_name`, `value`, `reason`).
    """
    required = REQUIRED_INPUT[conversion.kind]
    typed, faults = text.select("load_id", "row_number"), {}
    for column in input_columns(conversion.kind):
        read = _read_column(text[column], column, conversion, default_zone)
        values = read.drop("fault")
        is_required = column in required and column not in MAY_BE_EMPTY
        faults[column] = _column_faults(text[column], read, conversion.kind, as_of=as_of, is_required=is_required)
        typed = typed.hstack(values)
    return _part(text, typed, faults)


def _read_column(text: pl.Series, column: str, conversion: Conversion, default_zone: str) -> pl.DataFrame:
    """Read one column into its stored columns and `fault`."""
    stored = STORED_AS.get(column, column)
    dtype = TABLES[conversion.kind].columns()[stored].dtype
    if dtype.is_temporal():
        orders = (conversion.date_order_of(column), *_WRITTEN_BY_FORMAT.get(conversion.format or "csv", ()))
        read = moments(text, orders=tuple(dict.fromkeys(orders)), zone=conversion.zone or default_zone)
        if dtype == pl.Date:
            return read.select(pl.col("on").alias(stored), "fault")
        return read.rename({"at": stored, "on": f"{stored.removesuffix('_at')}_on"})
    if dtype == pl.Boolean:
        return yes_no(text).rename({"value": stored})
    if column in VOCABULARIES:
        return VOCABULARIES[column](text).rename({"value": stored})
    if dtype.is_numeric():
        read = _read_number(text, column, conversion)
        return (_only_whole(read) if dtype.is_integer() else read).rename({"value": stored})
    return _read_words(text, is_kept_empty=column in MAY_BE_EMPTY).rename({"value": stored})


def _read_words(text: pl.Series, *, is_kept_empty: bool) -> pl.DataFrame:
    words = pl.col("text").fill_null("") if is_kept_empty else pl.col("text")
    return text.to_frame("text").select(value=words, fault=pl.lit(None, pl.String))


def _read_number(text: pl.Series, column: str, conversion: Conversion) -> pl.DataFrame:
    marks: Marks = "typed" if (conversion.format or "csv") != "csv" else "declared"
    if column == "odometer":
        return distances_km(text, unit=conversion.unit_of(column), decimal=conversion.decimal, marks=marks)
    if column == "volume":
        return volumes_litres(text, unit=conversion.unit_of(column), decimal=conversion.decimal, marks=marks)
    return numbers(text, decimal=conversion.decimal, marks=marks)


def _only_whole(read: pl.DataFrame) -> pl.DataFrame:
    is_whole = (pl.col("value") == pl.col("value").floor()) & (pl.col("value").abs() <= _MOST_WHOLE)
    return read.with_columns(
        fault=pl.coalesce("fault", pl.when(~is_whole).then(pl.lit("is not a whole number: mend it")))
    )


def _column_faults(text: pl.Series, read: pl.DataFrame, kind: str, *, as_of: date, is_required: bool) -> pl.Series:
    """Say for each cell why it cannot be used; null where it can."""
    stored = [name for name in read.columns if name != "fault"]
    damaged = pl.col("text").str.contains_any([NUL_SIGN, UNDECODABLE_SIGN])
    unreadable = pl.when(damaged).then(
        pl.lit("holds bytes that are not text in the declared encoding: set encoding, or mend the cell")
    )
    missing = pl.when(pl.lit(is_required) & pl.col(stored[0]).is_null()).then(pl.lit(NO_VALUE))
    bounds = [reason for name in stored for reason in _bound_faults(TABLES[kind].columns()[name], name, as_of)]
    return read.with_columns(text=text).select(pl.coalesce(unreadable, "fault", *bounds, missing)).to_series()


def _bound_faults(column: dy.Column, name: str, as_of: date) -> Iterator[pl.Expr]:
    """Yield, for every rule the table declares for a column, the reason where a value breaks it."""
    if column.dtype.is_temporal() and name.endswith("_on"):
        late = pl.lit(f"{LATE}, {as_of}: mend the date, or run with a later --as-of")
        yield pl.when(pl.col(name) > as_of).then(late)
    for rule, holds in column.validation_rules(pl.col(name)).items():
        if rule != "nullability":
            yield pl.when(~holds).then(pl.lit(rule_broken(column, rule)))


def rule_broken(column: dy.Column, rule: str) -> str:
    """Say in words which rule of a declared column a value breaks, and what to do."""
    unit = (column.metadata or {}).get("unit", "")
    if rule == "check__plausible_year":
        return f"lies before {EARLIEST_YEAR}: mend the date, or declare its order"
    if rule == "check__allowed":
        return f"must be one of {', '.join((column.metadata or {})['allowed'])}"
    if rule == "min_length":
        return NO_VALUE
    lowest = getattr(column, "min", None)
    above = getattr(column, "min_exclusive", None)
    highest = getattr(column, "max", None)
    least = f"above {above:,.10g}" if above is not None else f"at least {lowest:,.10g}" if lowest is not None else ""
    most = f"at most {highest:,.10g}" if highest is not None else ""
    bounds = " and ".join(bound for bound in (least, most) if bound) or "a finite number"
    return f"must be {bounds} {unit}: mend it, or check the declared unit".replace("  ", " ")


def _part(text: pl.DataFrame, typed: pl.DataFrame, faults: dict[str, pl.Series]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part the typed rows without fault from the refused ones, each with its first fault."""
    refused = [pl.DataFrame(schema=REFUSED_SCHEMA)]
    is_sound = pl.repeat(True, text.height, dtype=pl.Boolean, eager=True)
    for column, fault in faults.items():
        is_first = is_sound & fault.is_not_null()
        bad = text.filter(is_first).with_columns(fault=fault.filter(is_first))
        refused.append(refusals(bad, column_name=column, value=pl.col(column), reason=pl.col("fault")))
        is_sound &= ~is_first
    return typed.filter(is_sound), pl.concat(refused)
