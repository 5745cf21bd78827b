"""Days and times as exports write them, to UTC timestamps with the local day kept beside them.

A naive time is local in the source's zone; a day alone is that day's local midnight; a time with an offset is taken at
its word. Where clocks change, a local time that happens twice is the first of the two, and one that never happens is
counted on from before the change (02:30 in the skipped hour is 03:30 after it): both are Python's `fold=0` (PEP 495).
A date that does not fit its declared order is refused, never guessed; so is a two-digit year.
"""

import re
from datetime import timedelta

import polars as pl

from models.records.quantities import BLANK_WORDS, filled_in, unread

SPREADSHEET_EPOCH = "1899-12-30"
"""Serial 1 is 1900-01-01 and the day 1900-02-29, which never was, is counted: right from 1900-03-01 on (ECMA-376)."""

_CLOCK = r"(?:[ T,]+(?<hour>\d{1,2})[:.](?<minute>\d{2})(?:[:.](?<second>\d{2})(?:[.,](?<fraction>\d{1,9}))?)?"
_HALF = r"\s*(?<half>[AaPp])?(?:\.?[Mm]\.?)?)?$"
_PATTERNS = {
    "iso": r"^(?<year>\d{4})-(?<month>\d{2})-(?<day>\d{2})"
    + _CLOCK
    + r"\s*(?<half>[AaPp])?(?<offset>Z|UTC|[+-]\d{2}:?\d{2})?)?$",
    "day_first": r"^(?<day>\d{1,2})[./ -](?<month>\d{1,2})[./ -](?<year>\d{4})" + _CLOCK + _HALF,
    "month_first": r"^(?<month>\d{1,2})[./ -](?<day>\d{1,2})[./ -](?<year>\d{4})" + _CLOCK + _HALF,
}
_TWO_DIGIT_YEAR = r"^\d{1,2}[./ -]\d{1,2}[./ -]\d{2}(?:\D|$)"
_YEAR_TOO_SHORT = "has a two-digit year, which is never guessed: export it with four digits"
_SERIAL = r"^\d{4,5}(?:\.\d+)?$"
_LEAP_SECOND = "60"
"""What Polars counts on into the next minute, and so perhaps the next day: no clock of a workshop shows it."""
_FIRST_YEAR_OF_FOUR_DIGITS = 1000
_BEFORE_ANY_CHANGE = timedelta(hours=3)
"""Longer than any skipped stretch of local time within a day (common practice: one hour)."""

_SHAPES = {
    "iso": "an ISO date (2024-03-31 or 2024-03-31T14:05)",
    "day_first": "a day-first date (31/03/2024 or 31.03.2024 14:05)",
    "month_first": "a month-first date (03/31/2024 or 03/31/2024 2:05 PM)",
    "serial": "a spreadsheet's serial number (45382 or 45382.5)",
}


_DAYS = {
    "iso": ("%Y-%m-%d",),
    "day_first": ("%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y"),
    "month_first": ("%m/%d/%Y", "%m-%d-%Y", "%m.%d.%Y"),
}
_CLOCKS = ("", " %H:%M", " %H:%M:%S", "T%H:%M", "T%H:%M:%S", " %H:%M:%S.%6f")
_DIGITS = {"%Y": "[12][0-9]{3}", "%S": "[0-5][0-9]", "%6f": "[0-9]{6}", ".": "[.]"}
"""The digits of the rest are two; years and seconds beyond these are read with care."""
_PLAIN_FORMS = {
    order: {
        day + clock: re.sub(r"%6f|%[A-Za-z]|[.]", lambda part: _DIGITS.get(part[0], "[0-9]{2}"), day + clock)
        for day in days
        for clock in _CLOCKS
    }
    for order, days in _DAYS.items()
}
"""Common ways to write moments: strptime format to the shape of such a text, as a pattern."""
_SHAPES_AT_ONCE = 3
"""A source writes one or two (common practice); texts of further shapes are read part by part."""


def moments(text: pl.Series, *, orders: tuple[str, ...], zone: str) -> pl.DataFrame:
    """Read days and times.

    Args:
        text: The cells; null is missing.
        orders: The declared date order or strptime format, then others that the file format writes of itself.
        zone: tz database name of naive times.

    Returns:
        `at` (UTC microseconds), `on` (the local day) and `fault` (why it is bad, null where it is not); all null
        where the cell is missing.
    """
    present = text.to_frame("text").select(
        text=pl.when(~pl.col("text").str.to_lowercase().is_in(BLANK_WORDS)).then("text")
    )["text"]
    readings = [_local_times(present, order) for order in orders]
    local = pl.DataFrame(
        {
            "text": present,
            "naive": _first([reading["naive"] for reading in readings]),
            "offset": _first([reading["offset"] for reading in readings]),
            "fault": readings[0]["fault"],
        }
    )
    return local.with_columns(at=_in_utc(local, zone)).select(
        "at",
        on=pl.when(pl.col("offset").is_null())
        .then(pl.col("naive").dt.date())
        .otherwise(pl.col("at").dt.convert_time_zone(zone).dt.date()),
        fault=pl.when(pl.col("text").is_not_null() & pl.col("at").is_null()).then("fault"),
    )


def _first(columns: list[pl.Series]) -> pl.Series:
    return pl.select(pl.coalesce(columns)).to_series()


def _in_utc(local: pl.DataFrame, zone: str) -> pl.Series:
    """Turn `naive` and `offset` (minutes east of UTC, null where local) into UTC."""
    naive = pl.col("naive")
    zoned = naive.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null").dt.convert_time_zone("UTC")
    once = local.select(zoned).to_series()
    if once.null_count() > local["naive"].null_count():
        before = (naive - _BEFORE_ANY_CHANGE).dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
        skipped = local.select(before.dt.convert_time_zone("UTC") + _BEFORE_ANY_CHANGE).to_series()
        once = once.zip_with(once.is_not_null(), skipped)
    aware = (naive - pl.duration(minutes=pl.col("offset"))).dt.replace_time_zone("UTC")
    return local.select(pl.when(pl.col("offset").is_null()).then(once).otherwise(aware)).to_series()


def _local_times(text: pl.Series, order: str) -> pl.DataFrame:
    """Read `naive` (the clock's face), `offset` (minutes) and `fault` in one order."""
    if order == "serial":
        return _from_serials(text)
    if order in _PATTERNS:
        return _from_pattern(text, order)
    return _from_format(text, order)


def _from_pattern(text: pl.Series, order: str) -> pl.DataFrame:
    """Read plainly written texts at once, and the others part by part."""
    naive = _plainly_written(text, order)
    others = unread(text, naive)
    read = pl.DataFrame({"naive": naive}).with_columns(offset=pl.lit(None, pl.Int32), fault=pl.lit(None, pl.String))
    return filled_in(read, others, _part_by_part(text.gather(others), order))


def _plainly_written(text: pl.Series, order: str) -> pl.Series:
    """Read the clock's face where a text has one of the commonest shapes and is a moment; null elsewhere."""
    naive = pl.repeat(None, len(text), dtype=pl.Datetime("us"), eager=True)
    for _ in range(_SHAPES_AT_ONCE):
        others = unread(text, naive)
        first = str(text[others[0]]) if len(others) else ""
        form = next((form for form, shape in _PLAIN_FORMS[order].items() if re.fullmatch(shape, first)), None)
        if form is None:
            break
        alike = text.zip_with(text.str.contains(f"^{_PLAIN_FORMS[order][form]}$"), pl.Series([None], dtype=pl.String))
        found = alike.str.to_datetime(form, time_unit="us", strict=False)
        naive = naive.zip_with(naive.is_not_null(), found)
    return naive


def _part_by_part(text: pl.Series, order: str) -> pl.DataFrame:
    parts = text.to_frame("text").with_columns(pl.col("text").str.extract_groups(_PATTERNS[order]).alias("parts"))
    parts = parts.unnest("parts")
    if "offset" not in parts.columns:
        parts = parts.with_columns(offset=pl.lit(None, pl.String))
    day = pl.concat_str("year", pl.col("month").str.zfill(2), pl.col("day").str.zfill(2), separator="-")
    clock = pl.concat_str(
        _hour_of_day(), pl.col("minute").fill_null("00"), pl.col("second").fill_null("00"), separator=":"
    )
    fraction = pl.col("fraction").fill_null("0").str.pad_end(9, "0").str.slice(0, 6)
    written = pl.concat_str(day, pl.lit(" "), clock, pl.lit("."), fraction)
    return parts.select(
        naive=pl.when(pl.col("second").fill_null("00") != _LEAP_SECOND)
        .then(written)
        .str.to_datetime("%Y-%m-%d %H:%M:%S.%6f", time_unit="us", strict=False),
        offset=_offset_minutes(),
        fault=pl.when(pl.col("year").is_not_null())
        .then(pl.lit("is not a day in the calendar or a time on the clock: mend it in the source"))
        .when(pl.col("text").str.contains(_TWO_DIGIT_YEAR))
        .then(pl.lit(_YEAR_TOO_SHORT))
        .otherwise(pl.lit(f"is not {_SHAPES[order]}: mend it, or declare its order under dates")),
    )


def _hour_of_day() -> pl.Expr:
    """Two digits of the 24-hour clock; null where a 12-hour clock shows no such hour."""
    hour = pl.col("hour").cast(pl.Int8)
    is_afternoon = pl.col("half").str.to_lowercase() == "p"
    on_24 = hour % 12 + pl.when(is_afternoon).then(12).otherwise(0)
    return (
        pl.when(pl.col("half").is_null())
        .then(pl.col("hour").fill_null("00"))
        .when(hour.is_between(1, 12))
        .then(on_24.cast(pl.String))
        .str.zfill(2)
    )


def _offset_minutes() -> pl.Expr:
    """Minutes east of UTC of '+01:00', '-0330', 'Z'; null where no offset is written."""
    offset = pl.col("offset")
    minutes = offset.str.slice(1, 2).cast(pl.Int32, strict=False) * 60 + offset.str.slice(-2).cast(
        pl.Int32, strict=False
    )
    signed = pl.when(offset.str.starts_with("-")).then(-minutes).otherwise(minutes)
    return pl.when(offset.is_in(["Z", "UTC"])).then(pl.lit(0, pl.Int32)).otherwise(signed)


def _from_serials(text: pl.Series) -> pl.DataFrame:
    """Read days since the spreadsheet epoch, the fraction being the time of day to the nearest second."""
    days = pl.when(pl.col("text").str.contains(_SERIAL)).then("text").cast(pl.Float64, strict=False)
    seconds = (days * 86_400).round().cast(pl.Int64)
    return text.to_frame("text").select(
        naive=pl.lit(SPREADSHEET_EPOCH).str.to_datetime("%Y-%m-%d", time_unit="us") + pl.duration(seconds=seconds),
        offset=pl.lit(None, pl.Int32),
        fault=pl.lit(f"is not {_SHAPES['serial']}: mend it, or declare its order under dates"),
    )


def _from_format(text: pl.Series, date_format: str) -> pl.DataFrame:
    """Read one strptime format; a format without a time means local midnight, a year has four digits."""
    has_time = any(directive in date_format for directive in ("%H", "%I", "%T", "%R", "%X", "%k", "%l"))
    column = pl.col("text").str
    if has_time:
        parsed = column.to_datetime(date_format, time_unit="us", strict=False)
    else:
        parsed = column.to_date(date_format, strict=False).cast(pl.Datetime("us"))
    is_aware = "%z" in date_format
    naive = parsed.dt.replace_time_zone(None) if is_aware else parsed
    is_sound = (parsed.dt.year() >= _FIRST_YEAR_OF_FOUR_DIGITS) & ~_shows_leap_second(date_format)
    return text.to_frame("text").select(
        naive=pl.when(is_sound).then(naive),
        offset=pl.when(is_sound & pl.lit(is_aware)).then(pl.lit(0, pl.Int32)),
        fault=pl.when(pl.col("text").str.contains(_TWO_DIGIT_YEAR))
        .then(pl.lit(_YEAR_TOO_SHORT))
        .otherwise(
            pl.lit(f"does not fit the declared format {date_format!r}: mend it, or declare its order under dates")
        ),
    )


def _shows_leap_second(date_format: str) -> pl.Expr:
    """Say whether a text fits a format with its seconds being 60."""
    with_seconds = re.sub("%[TX]", "%H:%M:%S", date_format)
    at_leap = re.sub("%[-_0]?S", _LEAP_SECOND, with_seconds)
    if at_leap == with_seconds:
        return pl.lit(value=False)
    return pl.col("text").str.to_datetime(at_leap, strict=False).is_not_null()
