"""Days and times to UTC, with the local day kept. The reference for clock changes is Python's own zoneinfo."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.records.moments import moments


def _utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def _read(text: str | None, order: str = "iso", zone: str = "UTC") -> dict[str, object]:
    return moments(pl.Series([text], dtype=pl.String), orders=(order,), zone=zone).row(0, named=True)


@pytest.mark.parametrize(
    ("text", "order", "expected"),
    [
        ("2024-03-04", "iso", _utc(2024, 3, 4)),
        ("2024-03-04T17:05", "iso", _utc(2024, 3, 4, 17, 5)),
        ("2024-03-04 17:05:06.25", "iso", _utc(2024, 3, 4, 17, 5, 6, 250_000)),
        ("04/03/2024", "day_first", _utc(2024, 3, 4)),
        ("4.3.2024 7:05", "day_first", _utc(2024, 3, 4, 7, 5)),
        ("04-03-2024 05:05 PM", "day_first", _utc(2024, 3, 4, 17, 5)),
        ("03/04/2024", "month_first", _utc(2024, 3, 4)),
        ("3/4/2024 12:05 am", "month_first", _utc(2024, 3, 4, 0, 5)),
        ("3/4/2024 12:05:09 pm", "month_first", _utc(2024, 3, 4, 12, 5, 9)),
        ("4-Mar-2024", "%d-%b-%Y", _utc(2024, 3, 4)),
        ("20240304 1705", "%Y%m%d %H%M", _utc(2024, 3, 4, 17, 5)),
        ("20240304 170559", "%Y%m%d %H%M%S", _utc(2024, 3, 4, 17, 5, 59)),
        # Microsoft's own documented example: 39448 is 2008-01-01.
        ("39448", "serial", _utc(2008, 1, 1)),
        ("39448.75", "serial", _utc(2008, 1, 1, 18)),
    ],
)
def test_a_date_is_read_in_its_declared_order(text: str, order: str, expected: datetime) -> None:
    assert _read(text, order) == {"at": expected, "on": expected.date(), "fault": None}


@pytest.mark.parametrize(
    ("text", "order", "reason"),
    [
        ("2024-02-30", "iso", "calendar"),
        ("2024-13-01", "iso", "calendar"),
        ("2024-03-04 25:00", "iso", "clock"),
        ("2024-03-04 23:59:60", "iso", "clock"),
        ("4.3.2024 23:59:60", "day_first", "clock"),
        ("20240304 235960", "%Y%m%d %H%M%S", "declared format"),
        ("4.3.2024 23:59:60", "%d.%m.%Y %T", "declared format"),
        ("04.03.24", "%d.%m.%Y", "two-digit year"),
        ("04.03.24 10:00", "%d.%m.%Y %H:%M", "two-digit year"),
        ("31/04/2024", "day_first", "calendar"),
        ("03/13/2024", "day_first", "calendar"),
        ("13/03/2024", "month_first", "calendar"),
        ("4/3/2024 13:05 PM", "month_first", "clock"),
        ("04/03/24", "day_first", "two-digit year"),
        ("04.03.24 10:00", "day_first", "two-digit year"),
        ("04/03/2024", "iso", "not an ISO date"),
        ("2024-03-04", "day_first", "not a day-first date"),
        ("yesterday", "iso", "not an ISO date"),
        ("45000", "iso", "not an ISO date"),
        ("2024-03-04", "serial", "serial number"),
        ("4-Mrz-2024", "%d-%b-%Y", "declared format"),
    ],
)
def test_a_date_that_does_not_fit_is_a_fault_and_never_guessed(text: str, order: str, reason: str) -> None:
    read = _read(text, order)
    assert read["at"] is None
    assert reason in str(read["fault"])


@pytest.mark.parametrize("text", [None, "-", "n/a"])
def test_a_missing_date_is_no_fault(text: str | None) -> None:
    assert _read(text) == {"at": None, "on": None, "fault": None}


def test_a_day_alone_is_local_midnight_and_keeps_its_day() -> None:
    read = _read("2024-07-01", zone="Pacific/Auckland")
    assert read["at"] == _utc(2024, 6, 30, 12)
    assert read["on"] == date(2024, 7, 1)


@pytest.mark.parametrize(
    ("text", "utc", "day"),
    [
        ("2024-06-30T23:30:00Z", _utc(2024, 6, 30, 23, 30), date(2024, 7, 1)),
        ("2024-07-01T01:30:00+02:00", _utc(2024, 6, 30, 23, 30), date(2024, 7, 1)),
        ("2024-06-30 20:00-0330", _utc(2024, 6, 30, 23, 30), date(2024, 7, 1)),
    ],
)
def test_an_offset_wins_over_the_zone(text: str, utc: datetime, day: date) -> None:
    assert _read(text, zone="Europe/Berlin") == {"at": utc, "on": day, "fault": None}


def test_a_skipped_time_is_counted_on_and_a_repeated_one_is_the_first() -> None:
    # Europe/Berlin 2024: clocks went 02:00 -> 03:00 on 31 March and 03:00 -> 02:00 on 27 October.
    assert _read("2024-03-31 02:30", zone="Europe/Berlin")["at"] == _utc(2024, 3, 31, 1, 30)
    assert _read("2024-10-27 02:30", zone="Europe/Berlin")["at"] == _utc(2024, 10, 27, 0, 30)


@given(
    minutes=st.integers(0, 60 * 24 * 366 * 4),
    zone=st.sampled_from(["Europe/Berlin", "America/Sao_Paulo", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kolkata"]),
)
def test_every_local_minute_agrees_with_zoneinfo(minutes: int, zone: str) -> None:
    local = _utc(2010, 1, 1).replace(tzinfo=None) + timedelta(minutes=minutes)
    read = _read(local.isoformat(), zone=zone)
    if zone != "Pacific/Apia" or local.date() != date(2011, 12, 30):
        assert read["at"] == local.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    assert read["on"] == local.date()


CLOCKS = {" 07:05": (7, 5), "T23:59:58": (23, 59, 58), " 24:00": None, " 7:05": (7, 5), "": (), " 12:00:61": None}


@given(
    written=st.lists(
        st.tuples(st.integers(1, 32), st.integers(1, 13), st.integers(1, 9999), st.sampled_from(list(CLOCKS))),
        max_size=9,
    ),
    separators=st.text("./-", min_size=9, max_size=9),
)
def test_texts_of_many_shapes_side_by_side_are_read_as_python_reads_each(
    written: list[tuple[int, int, int, str]], separators: str
) -> None:
    texts = [
        f"{d:02}{mark}{m:02}{mark}{y:04}{clock}" for (d, m, y, clock), mark in zip(written, separators, strict=False)
    ]
    read = moments(pl.Series(texts, dtype=pl.String), orders=("day_first",), zone="UTC")["at"].to_list()
    assert read == [_by_python(day, month, year, CLOCKS[clock]) for day, month, year, clock in written]


def _by_python(day: int, month: int, year: int, clock: tuple[int, ...] | None) -> datetime | None:
    try:
        return None if clock is None else _utc(year, month, day, *clock)
    except ValueError:
        return None


def test_a_workbook_writes_iso_and_serials_of_itself() -> None:
    text = pl.Series(["05/03/2024", "2024-03-05 00:00:00", "45356"])
    read = moments(text, orders=("day_first", "iso", "serial"), zone="UTC")
    assert read["on"].to_list() == [date(2024, 3, 5)] * 3


def test_times_that_a_format_writes_of_itself_are_local_whatever_offset_the_declared_format_has() -> None:
    text = pl.Series(["2024-03-31T02:30+0200", "2024-07-31 02:30:00.000000"])
    read = moments(text, orders=("%Y-%m-%dT%H:%M%z", "iso"), zone="Australia/Lord_Howe")
    # Lord Howe Island is 10:30 ahead of UTC in winter.
    assert read["at"].to_list() == [_utc(2024, 3, 31, 0, 30), _utc(2024, 7, 30, 16)]
