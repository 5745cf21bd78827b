"""Canonical values as the cells of one export: its date order, units, decimal mark."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from models.simulation.layouts import Layout
from models.simulation.mistakes import Entry

Cell = str | int | float | None
Formatter = Callable[[Any], Cell]
_MOMENTS = ("opened_at", "completed_at", "topped_up_at", "noted_at", "read_at")
_DAYS = ("in_service_on", "out_of_service_on", "fitted_on", "removed_on")
_NUMBERS = (
    "labour_hours", "parts_cost", "labour_cost", "stage1_nm", "cover_flatness_mm", "sump_litres", "standard_hours",
    "engine_hours",
)  # fmt: skip
_SPREADSHEET_EPOCH = date(1899, 12, 30)
_QUART_LITRES = 0.946353
"""US quart (NIST Handbook 44, appendix C)."""
_DATE_ONLY = (
    "quillmouth oil log",
    "quillmouth inspections",
    "sarnholt oil",
    "sarnholt inspections",
    "fuel pump odometers",
)
"""Exports that write days without times."""


def formatters(layout: Layout, starts_on: date) -> list[tuple[str, Formatter]]:
    """Return, for each column in the file's order, its canonical name and how a value becomes a cell."""
    return [(column, _formatter(column, layout, starts_on)) for column in layout.columns]


def cells(entry: Entry, columns: list[tuple[str, Formatter]]) -> list[Cell]:
    """Write one row."""
    record, overrides = entry.record, entry.overrides
    row = [overrides[name] if name in overrides else write(record.get(name)) for name, write in columns]
    return row + ["???"] * entry.surplus


def _formatter(column: str, layout: Layout, starts_on: date) -> Formatter:
    if column in _MOMENTS:
        return _moment(layout.dates.get(column, "iso"), layout, starts_on)
    if column in _DAYS:
        return _day(layout.dates.get(column, "iso"), starts_on)
    if column == "volume":
        return _volume(layout)
    if column in _NUMBERS:
        return _number(layout)
    return _yes_no


def _yes_no(value: Any) -> Cell:
    if value is True or value is False:
        return "yes" if value else "no"
    cell: Cell = value
    return cell


def _number(layout: Layout) -> Formatter:
    if layout.decimal == ",":
        return lambda value: None if value is None else str(value).replace(".", ",")
    return _yes_no


def _day(order: str, starts_on: date) -> Formatter:
    pattern = "%d/%m/%Y" if order == "day_first" else "%Y-%m-%d"
    return lambda day: None if day is None else (starts_on + timedelta(days=day)).strftime(pattern)


def _moment(order: str, layout: Layout, starts_on: date) -> Formatter:
    """Write minutes since the start as a day, and a time unless the export leaves it out."""
    days: dict[int, str] = {}
    pattern = {"day_first": "%d.%m.%Y", "month_first": "%m/%d/%Y"}.get(order, "%Y-%m-%d")
    serial = (starts_on - _SPREADSHEET_EPOCH).days
    clock = {"day_first": _clock_24, "month_first": _clock_12}.get(order, _clock_iso)
    is_date_only = layout.name in _DATE_ONLY

    def write(minutes: int | None) -> Cell:
        if minutes is None:
            return None
        day, minute = divmod(minutes, 1440)
        if order == "serial":
            return round(serial + day + minute / 1440, 5)
        text = days.get(day)
        if text is None:
            text = days[day] = (starts_on + timedelta(days=day)).strftime(pattern)
        return text if is_date_only else text + clock(minute)

    return write


def _clock_24(minute: int) -> str:
    return f" {minute // 60:02d}:{minute % 60:02d}"


def _clock_12(minute: int) -> str:
    hour = minute // 60
    return f" {(hour - 1) % 12 + 1}:{minute % 60:02d} {'AM' if hour < 12 else 'PM'}"


def _clock_iso(minute: int) -> str:
    return f"T{minute // 60:02d}:{minute % 60:02d}:00"


def _volume(layout: Layout) -> Formatter:
    unit = layout.units.get("volume", "L")
    if unit == "cell":
        return _volume_with_unit
    if unit == "mL":
        return lambda litres: round(litres * 20) * 50
    if unit == "US qt":
        return lambda litres: max(0.5, round(litres / _QUART_LITRES * 4) / 4)
    return lambda litres: f"{litres:.1f}".replace(".", layout.decimal)


def _volume_with_unit(litres: float) -> str:
    """Write the unit as whoever was at the drum did: the same volume always in the same way."""
    habit = int(litres * 1e6) % 10
    if habit < 2:
        return f"{max(0.5, round(litres / _QUART_LITRES * 2) / 2):g} qt"
    if habit < 3:
        return f"{round(litres * 20) * 50} ml"
    return f"{litres:.1f}{('l', ' L', ' l', ' litres')[habit % 4]}"
