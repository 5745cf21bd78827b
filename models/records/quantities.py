"""Numbers, distances and volumes as people write them: decimal marks, grouped thousands, units in the cell."""

import re
from typing import Literal

import polars as pl

_US_GALLON_LITRES = 3.785411784
"""231 cubic inches of 25.4 mm: exact (NIST Handbook 44, appendix C; from memory)."""
_IMPERIAL_GALLON_LITRES = 4.54609
"""Exact (Weights and Measures Act 1985, schedule 1; from memory)."""
LITRES_PER = {
    "L": 1.0,
    "mL": 0.001,
    "cL": 0.01,
    "dL": 0.1,
    "US qt": _US_GALLON_LITRES / 4,
    "US pt": _US_GALLON_LITRES / 8,
    "US gal": _US_GALLON_LITRES,
    "imp qt": _IMPERIAL_GALLON_LITRES / 4,
    "imp pt": _IMPERIAL_GALLON_LITRES / 8,
    "imp gal": _IMPERIAL_GALLON_LITRES,
}
"""Exact, so that one fact written in two units is one record."""

KILOMETRES_PER = {"km": 1.0, "mi": 1.609344}
"""International mile: exactly 1,609.344 m (yard and pound agreement of 1959)."""


def _choices(units: dict[str, float]) -> tuple[str, ...]:
    return (*units, "cell", *(f"cell or {unit}" for unit in units))


VOLUME_UNITS = _choices(LITRES_PER)
ODOMETER_UNITS = _choices(KILOMETRES_PER)

BLANK_WORDS = ("-", "--", "?", "n/a", "na", "#n/a", "nil", "null", "none", "unknown")
"""What people write in a cell that holds no date, number or choice (common practice)."""

PLAIN_NAMES = {
    "qt": ("qt", "qts", "quart", "quarts"),
    "pt": ("pt", "pts", "pint", "pints"),
    "gal": ("gal", "gals", "gallon", "gallons"),
}
"""How units are spelt that two systems have."""
_METRIC_NAMES = {
    "L": ("l", "lt", "ltr", "ltrs", "litre", "litres", "liter", "liters"),
    "mL": ("ml", "millilitre", "millilitres", "milliliter", "milliliters"),
    "cL": ("cl", "centilitre", "centilitres", "centiliter", "centiliters"),
    "dL": ("dl", "decilitre", "decilitres", "deciliter", "deciliters"),
}
_SYSTEM_NAMES = {"US": ("us",), "imp": ("imp", "imperial", "uk")}
_DISTANCE_NAMES = {
    "km": ("km", "kms", "kilometre", "kilometres", "kilometer", "kilometers"),
    "mi": ("mi", "mile", "miles"),
}

_NUMBER_AND_UNIT = r"^(?<number>[+-]?(?:\d[\d.,'’\s]*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(?<unit>[^\d\s].*)?$"
_PLAIN = r"^[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?$"
_SIMPLE = r"^[0-9]{{1,15}}(?:{mark}[0-9]{{1,9}})?$"
_GROUPED = r"^[+-]?[1-9]\d{0,2}(?:[,'’\s]\d{3})+(?:\.\d+)?$"
_OTHER_MARK = r"^[+-]?\d+,(?:\d{1,2}|\d{4,})$|^[+-]?(?:0|\d{4,}),\d+$"
_GROUPED_BY_OTHER_MARK = r"^[+-]?[1-9]\d{0,2},\d{3}$"
_CURRENCY_SIGN = r"^[€$£¥]\s*|\s*[€$£¥]$"

Marks = Literal["declared", "either", "typed"]
"""Which decimal marks count: the declared one; either where only one reading is possible (cells typed by hand, with
their unit); or, in files whose number cells always use a point, a text that could be both is refused."""


def numbers(text: pl.Series, *, decimal: str, marks: Marks = "declared") -> pl.DataFrame:
    """Read numbers.

    Args:
        text: The cells; null is missing. A currency sign beside the number is dropped.
        decimal: The decimal mark, '.' or ','; the other one, a space or an apostrophe (' or ’) may group thousands.
        marks: Which decimal marks count.

    Returns:
        `value` (Float64, null where missing or bad) and `fault` (why it is bad, null where it is not).
    """
    read = _simply_written(text, decimal)
    others = unread(text, read["value"])
    return filled_in(read, others, _with_care(text.gather(others), decimal, marks))


def _simply_written(text: pl.Series, decimal: str) -> pl.DataFrame:
    """Read cells that hold a few digits with at most a decimal mark in between; null elsewhere."""
    simple = text.zip_with(text.str.contains(_SIMPLE.format(mark=re.escape(decimal))), _none_of(text))
    pointed = simple if decimal == "." else simple.str.replace(decimal, ".", literal=True)
    value = pointed.cast(pl.Float64)
    return pl.DataFrame({"value": value}).with_columns(fault=pl.lit(None, pl.String))


def _none_of(text: pl.Series) -> pl.Series:
    return pl.repeat(None, len(text), dtype=pl.String, eager=True)


def unread(text: pl.Series, read: pl.Series) -> pl.Series:
    """Return the places of cells that hold something and are not read yet."""
    return (text.is_not_null() & read.is_null()).arg_true()


def filled_in(read: pl.DataFrame, places: pl.Series, rows: pl.DataFrame) -> pl.DataFrame:
    """Put rows with the same columns in the places of others."""
    if places.is_empty():
        return read
    return read.with_columns(column.scatter(places, rows[column.name]) for column in read)


def _with_care(text: pl.Series, decimal: str, marks: Marks) -> pl.DataFrame:
    stripped = text.str.replace_all(_CURRENCY_SIGN, "").to_frame("text")
    pointed = pl.col("text").str.replace_many({",": ".", ".": ","}) if decimal == "," else pl.col("text")
    grouped = pl.col("pointed").str.contains(_GROUPED)
    if marks == "typed" and decimal == ",":
        grouped &= ~pl.col("pointed").str.contains(_GROUPED_BY_OTHER_MARK)
    other = pl.col("pointed").str.contains(_OTHER_MARK) if marks != "declared" else pl.lit(value=False)
    plain = (
        pl.when(pl.col("pointed").str.contains(_PLAIN))
        .then("pointed")
        .when(grouped)
        .then(pl.col("pointed").str.replace_all(r"[,'’\s]", ""))
        .when(other)
        .then(pl.col("pointed").str.replace(",", ".", literal=True))
    )
    return (
        stripped.with_columns(_without_blank_words("text"))
        .with_columns(pointed=pointed)
        .select(value=plain.cast(pl.Float64, strict=False), missing=pl.col("text").is_null())
        .select(
            "value",
            fault=pl.when(~pl.col("missing") & pl.col("value").is_null()).then(
                pl.lit(f"is not a number with '{decimal}' as its decimal mark: mend the cell, or set decimal")
            ),
        )
    )


def _without_blank_words(column: str) -> pl.Expr:
    """Make missing what people write where there is no value."""
    return pl.when(~pl.col(column).str.to_lowercase().is_in(BLANK_WORDS)).then(column).alias(column)


def distances_km(text: pl.Series, *, unit: str, decimal: str, marks: Marks = "declared") -> pl.DataFrame:
    """Read odometer cells as kilometres; see `numbers` for the result and `VOLUME_UNITS` for the choices of unit."""
    names = {name: unit_ for unit_, spelled in _DISTANCE_NAMES.items() for name in spelled}
    return _measures(text, names, KILOMETRES_PER, unit=unit, decimal=decimal, marks=marks)


def volumes_litres(text: pl.Series, *, unit: str, decimal: str, marks: Marks = "declared") -> pl.DataFrame:
    """Read volume cells as litres; see `numbers` for the result.

    A plain quart, pint or gallon in a cell is American, or imperial where the column's own unit is imperial.
    """
    system = "imp" if "imp " in unit else "US"
    names = {name: unit_ for unit_, spelled in _METRIC_NAMES.items() for name in spelled}
    for plain, spelled in PLAIN_NAMES.items():
        for name in spelled:
            names[name] = f"{system} {plain}"
            names |= {f"{word} {name}": f"{of} {plain}" for of, words in _SYSTEM_NAMES.items() for word in words}
    return _measures(text, names, LITRES_PER, unit=unit, decimal=decimal, marks=marks)


def _measures(
    text: pl.Series, names: dict[str, str], factors: dict[str, float], *, unit: str, decimal: str, marks: Marks
) -> pl.DataFrame:
    """Read bare numbers in the column's own unit, and the other cells part by part."""
    default = unit.removeprefix("cell or ")
    if default not in factors:
        return _part_by_part(text, names, factors, unit=unit, decimal=decimal, marks=marks)
    read = _simply_written(text, decimal).with_columns(pl.col("value") * factors[default])
    others = unread(text, read["value"])
    by_part = _part_by_part(text.gather(others), names, factors, unit=unit, decimal=decimal, marks=marks)
    return filled_in(read, others, by_part)


def _part_by_part(
    text: pl.Series, names: dict[str, str], factors: dict[str, float], *, unit: str, decimal: str, marks: Marks
) -> pl.DataFrame:
    """Split each cell into number and unit, read the number and convert it."""
    in_cell = unit.startswith("cell")
    default = unit.removeprefix("cell or ") if unit != "cell" else None
    parts = (
        text.to_frame("text")
        .with_columns(_without_blank_words("text"))
        .with_columns(pl.col("text").str.extract_groups(_NUMBER_AND_UNIT).alias("parts"))
        .unnest("parts")
        .with_columns(pl.coalesce(pl.col("number").str.strip_chars(), "text").alias("number"))
    )
    word = (
        pl.col("unit")
        .str.to_lowercase()
        .str.replace_all(".", "", literal=True)
        .str.replace_all(r"\s+", " ")
        .str.strip_chars()
    )
    read = numbers(parts["number"], decimal=decimal, marks="either" if in_cell and marks == "declared" else marks)
    units = parts.select(
        "unit",
        named=pl.when(pl.col("unit").is_null())
        .then(pl.lit(default))
        .otherwise(word.replace_strict(names, default=None)),
    ).hstack(read)
    return units.select(
        value=pl.col("value") * pl.col("named").replace_strict(factors, default=None, return_dtype=pl.Float64),
        fault=pl.coalesce("fault", _unit_fault(unit, default, in_cell=in_cell, known=", ".join(factors))),
    )


def _unit_fault(unit: str, default: str | None, *, in_cell: bool, known: str) -> pl.Expr:
    """Say why a cell's unit cannot be used; null where it can."""
    is_there = pl.col("value").is_not_null()
    return (
        pl.when(is_there & pl.col("unit").is_null() & pl.lit(default is None))
        .then(pl.lit(f"names no unit: write it in the cell, or set units to 'cell or ...' ({known})"))
        .when(is_there & pl.col("named").is_null())
        .then(pl.lit(f"has an unknown unit: write one of {known}"))
        .when(is_there & pl.lit(not in_cell) & (pl.col("named") != pl.lit(unit)))
        .then(pl.lit(f"names another unit than the declared {unit}: set units to 'cell or {unit}'"))
    )
