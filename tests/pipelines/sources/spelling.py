"""How exports spell one value, and how they spoil it: each bad cell with the reason it must be refused for."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from models.tables.records import REQUIRED_INPUT
from tests.pipelines.sources.facts import (
    AS_OF,
    CHOICES,
    DAYS,
    MEASURES,
    MOMENTS,
    NUMBERS,
    WHOLE,
    YES_NO,
    Fact,
    Fleet,
    input_columns,
    midnight,
)
from tests.pipelines.sources.written_files import Cell

Draw = Callable[[st.SearchStrategy[Any]], Any]

UNIT_WORDS = {
    "km": ("km", "KM", "kms", "Kilometres"),
    "mi": ("mi", "miles", "Mi."),
    "L": ("L", "l", "ltr", "litres"),
    "dL": ("dl", "deciliter"),
    "cL": ("cl", "CL"),
    "mL": ("ml", "mL", "millilitres"),
    "US gal": ("US gal", "gal", "gallons"),
    "US qt": ("US qt", "qt", "qts.", "Quarts"),
    "US pt": ("US pt", "pt", "us pints"),
    "imp gal": ("imp gal", "UK gallons"),
    "imp qt": ("imp qt", "imperial quart"),
    "imp pt": ("imp pt", "imp. pints", "UK pt"),
}
"""A bare quart, pint or gallon is American where no imperial unit is declared."""
INTERCHANGEABLE = {
    "km": ("km",),
    "mi": ("mi", "km"),
    "mL": ("mL", "cL", "dL", "L"),
    "US qt": ("US qt", "US pt", "US gal"),
    "imp pt": ("imp pt", "imp qt", "imp gal"),
}
"""Unit of a figure to the units it can be written in exactly."""
FORMATS_OF_TIMES = {
    timedelta(days=1): ("%d.%m.%Y", "%Y%m%d", "%d-%b-%Y", "%B %d, %Y"),
    timedelta(minutes=1): ("%Y%m%d %H%M", "%d %b %Y, %I:%M %p", "%Y-%m-%dT%H:%M%z"),
    timedelta(seconds=1): ("%d.%m.%Y %H.%M.%S", "%Y%m%d%H%M%S", "%m/%d/%Y %I:%M:%S %p"),
}
TRANSLATED = ("site", "job_code", "status", "technician", "vehicle_class")
BLANK_WORDS = ("n/a", "N/A", "-", "?", "unknown", "null")
EPOCH = datetime(1899, 12, 30)  # noqa: DTZ001
"""Serial 1 is 1900-01-01 and 1900 counts as a leap year (ECMA-376)."""

NO_VALUE = "holds no value"
NO_NUMBER = "is not a number"
NO_TEXT = "bytes that are not text"


@dataclass(frozen=True)
class Spelling:
    """How one file spells things.

    Args:
        format: csv, jsonl, xlsx or parquet.
        decimal: The decimal mark.
        grouping: Mark between thousands.
        orders: Date column to its declared order or format.
        units: Measured column to its declared unit, as a source map names it.
        written_in: Measured column to the unit that figures are written in.
        styles: Column to what its cells are in a typed format.
        values: Column to the file's word for a canonical one.
        fleet: What all rows share.
    """

    format: str
    decimal: str
    grouping: str
    orders: Mapping[str, str]
    units: Mapping[str, str]
    written_in: Mapping[str, str]
    styles: Mapping[str, str]
    values: Mapping[str, Mapping[str, str]]
    fleet: Fleet

    @property
    def is_text(self) -> bool:
        """Whether every cell is text."""
        return self.format == "csv"


@st.composite
def spellings(draw: Draw, kind: str, known: list[Fact], fleet: Fleet) -> Spelling:
    """How a file of one kind spells things."""
    columns = input_columns(kind)
    how_format = draw(st.sampled_from(["csv", "csv", "xlsx", "parquet", "jsonl"]))
    decimal = draw(st.sampled_from(".,"))
    grouping = draw(st.sampled_from([mark for mark in ",. '\u00a0\u202f’" if mark != decimal and _is_in(mark, fleet)]))
    orders = {}
    for name in columns:
        if name in DAYS or name in MOMENTS:
            forms = FORMATS_OF_TIMES[timedelta(days=1) if name in DAYS else fleet.step]
            orders[name] = draw(st.sampled_from(["iso", "day_first", "month_first", "serial", *forms]))
    written_in, units = {}, {}
    for name in (name for name in columns if name in MEASURES):
        written_in[name] = draw(st.sampled_from(INTERCHANGEABLE[fleet.units[name]]))
        units[name] = draw(st.sampled_from([written_in[name], written_in[name], "cell", f"cell or {written_in[name]}"]))
    settings = orders | units
    kinds = {name: draw(st.sampled_from(_styles(name, settings.get(name, ""), how_format))) for name in columns}
    return Spelling(how_format, decimal, grouping, orders, units, written_in, kinds, _values(draw, kind, known), fleet)


def _is_in(mark: str, fleet: Fleet) -> bool:
    return mark in ",. '\u00a0" or (mark == "’" and "€" in fleet.signs) or "Ω" in fleet.signs


def _values(draw: Draw, kind: str, known: list[Fact]) -> dict[str, dict[str, str]]:
    """Words of the file for some canonical ones."""
    values: dict[str, dict[str, str]] = {}
    for name in input_columns(kind):
        if name in TRANSLATED and draw(st.booleans()):
            values[name] = {fact[name]: f"§{number}" for number, fact in enumerate(known) if fact[name]}
            if name not in REQUIRED_INPUT[kind]:
                values[name][""] = "§ none"
    return values


def spelled(draw: Draw, column: str, value: Any, how: Spelling) -> str:
    """Write one value as text."""
    if value is None or value == "":
        return _nothing(draw, column, how)
    if column in how.values:
        return how.values[column][value]
    if column in MEASURES:
        return _measure(draw, column, value.in_unit(how.written_in[column]), how)
    if column in NUMBERS or column in WHOLE:
        return _number(draw, Decimal(value), how, sign="€" if column.endswith("_cost") else "")
    if column in DAYS or column in MOMENTS:
        step = timedelta(days=1) if column in DAYS else how.fleet.step
        return _time(draw, _clock_face(value), how.orders[column], step, how)
    return draw(st.sampled_from(_choices(column, value)))


def _choices(column: str, value: Any) -> tuple[str, ...]:
    if column in YES_NO:
        return ("yes", "Y", "TRUE", "1") if value else ("no", "N", "False", "0")
    return CHOICES[column][value] if column in CHOICES else (str(value),)


def _clock_face(value: date) -> datetime:
    return value if isinstance(value, datetime) else midnight(value)


def _nothing(draw: Draw, column: str, how: Spelling) -> str:
    blanks = ["", " "]
    if column in {*MEASURES, *NUMBERS, *WHOLE, *YES_NO, *DAYS, *MOMENTS, "leak_class"}:
        blanks += BLANK_WORDS
    if "" in how.values.get(column, {}):
        blanks.append(how.values[column][""])
    return draw(st.sampled_from(blanks))


def _number(draw: Draw, figure: Decimal, how: Spelling, sign: str = "") -> str:
    """Digits with the declared mark, thousands grouped or not, now and then a sign of a currency."""
    whole, _, rest = format(figure.normalize(), "f").partition(".")
    rest += draw(st.sampled_from(["", "", "0"])) if rest else draw(st.sampled_from(["", "", "00"]))
    if len(whole.lstrip("-")) > 3 and draw(st.booleans()):
        grouped = f"{int(whole):,}"
        if _is_one_reading(grouped, rest, how):
            whole = grouped.replace(",", how.grouping)
    text = f"{whole}{how.decimal}{rest}" if rest else whole
    return f"{sign} {text}" if sign and "€" in how.fleet.signs and draw(st.booleans()) else text


def _is_one_reading(grouped: str, rest: str, how: Spelling) -> bool:
    """Where number cells always have a point, 1.234 beside a decimal comma could be either."""
    return how.is_text or how.decimal == "." or how.grouping != "." or bool(rest) or grouped.count(",") > 1


def _measure(draw: Draw, column: str, figure: Decimal, how: Spelling) -> str:
    text, setting, unit = _number(draw, figure, how), how.units[column], how.written_in[column]
    is_bare = setting.removeprefix("cell or ") == unit and draw(st.booleans())
    return text if is_bare else text + draw(st.sampled_from(["", " "])) + draw(st.sampled_from(UNIT_WORDS[unit]))


def _time(draw: Draw, local: datetime, order: str, step: timedelta, how: Spelling) -> str:
    if order == "serial":
        return format(serial(local), "f")
    if "%" in order:
        return _with_offset(local, how).strftime(order)
    day = f"{local:%Y-%m-%d}"
    if order != "iso":
        mark = draw(st.sampled_from("./-"))
        parts = [f"{part:02}" if draw(st.booleans()) else str(part) for part in (local.day, local.month)]
        day = mark.join([*(parts if order == "day_first" else reversed(parts)), str(local.year)])
    if step == timedelta(days=1):
        return day
    seconds = "" if step == timedelta(minutes=1) else ":%S"
    if order == "iso":
        offset = draw(st.sampled_from(["", "", f"{_with_offset(local, how):%z}"]))
        return day + local.strftime(draw(st.sampled_from([" ", "T"])) + f"%H:%M{seconds}") + offset
    clock = draw(st.sampled_from([f"%H:%M{seconds}", f"%I:%M{seconds} %p"]))
    return f"{day} {local.strftime(clock)}"


def _with_offset(local: datetime, how: Spelling) -> datetime:
    return local.replace(tzinfo=how.fleet.zone)


def serial(local: datetime) -> Decimal:
    """Days since the spreadsheet's epoch."""
    since = local - EPOCH
    return round(Decimal(since.days) + Decimal(since.seconds) / 86_400, 10).normalize()


def native(column: str, value: Any, how: Spelling) -> Cell:
    """Write one value as a typed cell in its column's style; None where that has none for it."""
    style = how.styles[column]
    if value in (None, "") or style == "text":
        return None
    if column in MEASURES or column in NUMBERS:
        return _unambiguous(value.in_unit(how.written_in[column]) if column in MEASURES else value, how)
    if column in DAYS or column in MOMENTS:
        local = _clock_face(value)
        aware = _with_offset(local, how).astimezone(UTC)
        return {"date": local.date(), "datetime": local, "serial": serial(local), "aware": aware}[style]
    if column in YES_NO:
        return bool(value) if style == "bool" else int(value)
    return int(value) if re.fullmatch(r"0|[1-9][0-9]*", str(value)) else None


def _unambiguous(figure: Decimal, how: Spelling) -> Decimal | None:
    """Where a comma is declared, 1.234 could be text with its thousands grouped: nobody can tell."""
    text = format(figure.normalize(), "f")
    return None if how.decimal == "," and re.fullmatch(r"-?[1-9][0-9]{0,2}\.[0-9]{3}", text) else figure


def _styles(column: str, setting: str, how_format: str) -> tuple[str, ...]:
    """What a typed format may hold a column as."""
    if how_format == "csv":
        return ("text",)
    if column in DAYS or column in MOMENTS:
        kinds = {"jsonl": (), "xlsx": ("datetime", "serial"), "parquet": ("datetime",)}[how_format]
        if column in DAYS and how_format != "jsonl":
            kinds += ("date",)
        if column in MOMENTS and how_format == "parquet":
            kinds += ("aware",)
        return ("text", *kinds, *(("serial",) if setting == "serial" and how_format == "jsonl" else ()))
    if column in MEASURES:
        return ("text",) if setting == "cell" else ("text", "number")
    if column in NUMBERS or column in WHOLE or column.endswith("_id"):
        return ("text", "number")
    return ("text", "bool", "number") if column in YES_NO else ("text",)


def bad_cells(column: str, how: Spelling, *, is_required: bool) -> list[tuple[str, str]]:
    """Cells that a column cannot hold, each with words of the reason."""
    bad = [("", NO_VALUE), (" ", NO_VALUE)] if is_required and column != "work_done" else []
    if column in DAYS or column in MOMENTS:
        return bad + _bad_times(how.orders[column], how)
    if column in MEASURES:
        return bad + _bad_measures(column, how)
    if column in NUMBERS or column in WHOLE:
        return bad + _bad_numbers(column, how)
    if column in YES_NO:
        return [*bad, ("maybe", "neither yes nor no"), ("2", "neither yes nor no")]
    if column in CHOICES:
        clause = {"cover_positions": "does not name the covers", "layout": "is not a bolt layout"}
        return [*bad, ("4", clause.get(column, f"is not a {column.replace('_', ' ')}"))]
    return bad


def _bad_times(order: str, how: Spelling) -> list[tuple[str, str]]:
    late = AS_OF + timedelta(days=3)
    bad = [(_plainly(late, order, how), "lies after the day of the extract")]
    if order == "serial":
        text = [("123456", "is not a spreadsheet's serial"), ("12", "is not a spreadsheet's serial")]
        return [*bad, *text, (_plainly(date(1905, 6, 22), order, how), "lies before 1950")]
    if "%" in order:
        return [*bad, ("31.02.23", "two-digit year"), ("soon", "does not fit the declared format")]
    bad.append((_plainly(date(1905, 6, 22), order, how), "lies before 1950"))
    calendar, short, other = "not a day in the calendar", "two-digit year", "is not a"
    shown = {
        "iso": [("2023-02-29", calendar), ("2024-13-01", calendar), ("24-03-04", short), ("04/03/2024", other)],
        "day_first": [("31/04/2024", calendar), ("29.02.2023", calendar), ("04/03/24", short), ("4/Mar/2024", other)],
        "month_first": [("04-31-2024", calendar), ("13/04/2024", calendar), ("3/4/24 10:00", short), ("soon", other)],
    }[order]
    day = "2024-03-04" if order == "iso" else "4.3.2024"
    clocks = [(f"{day} {clock}", "a time on the clock") for clock in ("24:00", "10:60", "23:59:60")]
    return bad + shown + clocks


def _plainly(day: date, order: str, how: Spelling) -> str:
    if order == "serial":
        return format(serial(midnight(day)), "f")
    formats = {"iso": "%Y-%m-%d", "day_first": "%d/%m/%Y", "month_first": "%m/%d/%Y"}
    return _with_offset(midnight(day), how).strftime(formats.get(order, order))


def _bad_measures(column: str, how: Spelling) -> list[tuple[str, str]]:
    setting, unit = how.units[column], how.written_in[column]
    in_unit = f" {UNIT_WORDS[unit][0]}"
    lowest = ("0", "must be above 0") if column == "volume" else ("-7", "must be at least 0")
    most = f"at most {'500 L' if column == 'volume' else '5,000,000 km'}"
    bad = [(lowest[0] + in_unit, lowest[1]), (f"-1{how.decimal}5{in_unit}", "must be a"), (f"99000000{in_unit}", most)]
    bad += [("3 furlongs", "an unknown unit"), ("some" + in_unit, NO_NUMBER)]
    if setting == "cell":
        bad.append(("12", "names no unit"))
    if not setting.startswith("cell"):
        other = {"km": "12 miles", "mi": "12 km"}.get(unit, "12 US gal" if "imp" in unit else "12 imp gal")
        bad.append((other, f"names another unit than the declared {unit}"))
    return bad


def _bad_numbers(column: str, how: Spelling) -> list[tuple[str, str]]:
    bad = [("twelve", NO_NUMBER), ("1 1/2", NO_NUMBER), ("1.2,3.4", NO_NUMBER), ("nan", NO_NUMBER)]
    if how.is_text:
        bad.append(("12,5" if how.decimal == "." else "12.5", NO_NUMBER))
    if column in WHOLE:
        bad += [(text, "is not a whole number") for text in (f"3{how.decimal}5", "1e999", "1e30")]
    else:
        bad.append(("1e999", "must be"))
    if not column.endswith("_cost"):
        bad.append(("-4", "must be "))
    return [*bad, ("999999999", "at most")] if column in NUMBERS and not column.endswith("_cost") else bad
