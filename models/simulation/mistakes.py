"""What goes wrong between the workshop and the export: mistyped odometers, repeated rows, rows nobody can accept."""

from dataclasses import dataclass, field
from typing import Any

from models.simulation.chance import Chance
from models.simulation.fleet import Calendar
from models.simulation.layouts import LAYOUTS

MILE_KM = 1.609344
"""International mile (NIST Special Publication 811, appendix B.8)."""
_ODOMETER_SLIP = 0.014
DUPLICATED = 0.003
INSTRUMENT_DIGITS = 6
"""Forms take no more digits than an instrument has."""
Record = dict[str, Any]
LAYOUT_NUMBERS = {layout.name: place for place, layout in enumerate(LAYOUTS)}
"""Layout name to its place in `LAYOUTS`."""


@dataclass(slots=True)
class Entry:
    """One row to be exported: which layout and file stem, the day it sorts by, canonical values, overriding cells.

    `refused` names the canonical column that cannot be accepted, and why; '' for both where the row is sound.
    """

    layout: int
    stem: str
    day: int
    record: Record
    overrides: dict[str, str] = field(default_factory=dict)
    refused: tuple[str, str] = ("", "")
    surplus: int = 0


def typed_odometer(shown_km: float, *, is_miles: bool, chance: Chance) -> int:
    """Return the whole number somebody typed for an odometer: mostly what the instrument shows, in the site's units."""
    right = round(shown_km / MILE_KM if is_miles else shown_km)
    if not chance.happens(_ODOMETER_SLIP):
        return right
    kind = chance.pick(("transposed", "extra digit", "trip meter", "units"))
    if kind == "trip meter":
        return chance.whole(12, 880)
    if kind == "units":
        return round(shown_km if is_miles else shown_km / MILE_KM)
    digits = str(right)
    place = chance.whole(0, max(0, len(digits) - 2))
    if len(digits) < 2 or (kind == "extra digit" and len(digits) < INSTRUMENT_DIGITS):
        return int(digits[:place] + digits[place] + digits[place:])
    return int(digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :])


def refused_entries(vehicle_ids: list[str], days: Calendar, chance: Chance) -> list[Entry]:
    """Make rows that must be refused, each for one reason; no truth rests on them.

    Args:
        vehicle_ids: Vehicles of the chunk.
        days: The days simulated.
        chance: Draws.
    """

    def entry(name: str, record: Record, column: str, why: str, surplus: int = 0, **overrides: str) -> Entry:
        day = chance.whole(10, days.extract - 10) if days.extract > 20 else 1
        base: Record = {"vehicle_id": chance.pick(vehicle_ids), "odometer": None, **record}
        base.update(dict.fromkeys(("noted_at", "opened_at", "topped_up_at"), day * 1440 + 600))
        number = f"{chance.whole(0, 10**9):09d}"
        base |= {"note_id": f"N-X{number}", "order_id": f"O-X{number}"} | record
        place = LAYOUT_NUMBERS[name]
        year = days.on(day).year
        return Entry(
            place, LAYOUTS[place].stem.format(year=year, part="{part}"), day, base, overrides, (column, why), surplus
        )

    note = {"text": "tyres ok, lights ok"}
    order = {"work_done": "bulb replaced", "site": "Port Eddering", "complaint": ""}
    oil = {"volume": 1.0, "reason": ""}
    return [
        entry("port eddering checks", note, "noted_at", "not in the calendar", noted_at="31.02.2025 09:10"),
        entry("quillmouth inspections", note, "noted_at", "day first in a month-first column", noted_at="27/03/2025"),
        entry("quillmouth orders", order, "opened_at", "after the extract", opened_at="07/15/2027 8:05 AM"),
        entry("sarnholt oil", oil, "volume", "negative", volume="-500"),
        entry("fennigar oil", oil, "volume", "zero", volume="0 l"),
        entry("fennigar oil", oil, "volume", "impossible unit", volume="2 buckets"),
        entry("quillmouth inspections", {**note, "vehicle_id": f"U-X{chance.whole(1, 99_999):05d}"}, "vehicle_id",
              "unknown vehicle"),
        entry("port eddering oil", {**oil, "vehicle_id": ""}, "vehicle_id", "missing"),
        entry("sarnholt orders", {**order, "order_id": ""}, "order_id", "missing"),
        entry("port eddering checks", {**note, "text": "tyres ok"}, "", "too many cells", surplus=2),
        entry("fennigar notes", note, "noted_at", "after the extract", noted_at="2027-01-09T10:00:00"),
    ]  # fmt: skip
