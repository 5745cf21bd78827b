"""Canonical rows of every kind, drawn before anything is written, and as the records must hold them.

Nothing here calls Releak's own reading: clocks are Python's zoneinfo, units their legal definitions.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from models.tables.records import OPTIONAL_INPUT, REQUIRED_INPUT

AS_OF = date(2024, 6, 30)
IDENTIFIERS = {
    "vehicle_id": ("V1", "007", "12", "T-4/b"),
    "order_id": ("W1", "0012", "2024/7", "95"),
    "engine_id": ("E1", "88"),
    "engine_family": ("KESTREL-4", "31"),
    "note_id": ("N1", "5"),
}
"""Numbers that read as numbers, some with zeros in front that must stay."""
NUMBERS = {
    "stage1_nm": (1, 500),
    "settle_min": (0, 1_440),
    "final_angle_deg": (0, 360),
    "sump_litres": (1, 500),
    "standard_hours": (1, 100),
    "labour_hours": (0, 2_000),
    "parts_cost": (-99_999, 99_999),
    "labour_cost": (-99_999, 99_999),
    "cover_flatness_mm": (0, 50),
    "engine_hours": (0, 500_000),
}
WHOLE = ("bolts",)
YES_NO = (
    *("plug_tubes", "bolts_renewed", "seals_renewed", "faces_cleaned", "ventilation_checked", "sequence_followed"),
    "run_up_check",
)
CHOICES = {
    "leak_class": {
        "I": ("I", "i", "1", "Class I"),
        "II": ("II", "2", "class ii"),
        "III": ("III", "cl. 3", "Class III"),
    },
    "cover_position": {"only": ("only", "Single"), "left": ("left", "LEFT"), "right": ("right", "Right")},
    "cover_positions": {
        "only": ("only", "single", "1"),
        "left;right": ("left;right", "Left / Right", "right, left", "2"),
    },
    "layout": {"0,0;40,0": ("0,0;40,0", "0, 0; 40, 0;"), "-1.5,0;7,80.25": ("-1.5,0;7,80.25",)},
}
DAYS = ("in_service_on", "out_of_service_on", "fitted_on", "removed_on")
MOMENTS = ("opened_at", "completed_at", "topped_up_at", "noted_at", "read_at")
MEASURES = {"odometer": "odometer_km", "volume": "volume_litres"}
"""Columns with units, and what they are stored as."""
UNITS = {
    "km": Decimal(1),
    "mi": Decimal("1.609344"),
    "L": Decimal(1),
    "dL": Decimal("0.1"),
    "cL": Decimal("0.01"),
    "mL": Decimal("0.001"),
    "US gal": Decimal("3.785411784"),
    "US qt": Decimal("3.785411784") / 4,
    "US pt": Decimal("3.785411784") / 8,
    "imp gal": Decimal("4.54609"),
    "imp qt": Decimal("4.54609") / 4,
    "imp pt": Decimal("4.54609") / 8,
}
"""Kilometres or litres in one, exactly: yard and pound agreement of 1959; US gallon of 231 cubic inches of 25.4 mm;
imperial gallon of the Weights and Measures Act 1985. From memory."""
THREE_DECIMALS = (125, 1_125)
"""So many miles are 201.168 and 1,810.512 km, so many mL 0.125 and 1.125 L: a point that could group thousands."""
ZONES = ("UTC", "Europe/Berlin", "America/Sao_Paulo", "Australia/Lord_Howe", "Asia/Kolkata", "America/St_Johns")
CLOCK_CHANGES = (datetime(2024, 3, 31, 2, 30), datetime(2023, 10, 29, 2, 30), datetime(2018, 11, 4, 0, 15))  # noqa: DTZ001
"""Hours that some zone skipped or had twice."""
PHRASES = ("cover gasket renewed; dry", "n/a", "NULL", "007", "1,5", "=1+1", "-", '5" hose', "#REF!", "true")

Fact = dict[str, Any]


@dataclass(frozen=True)
class Measure:
    """A figure as somebody read it off."""

    figure: Decimal
    unit: str

    def in_unit(self, unit: str) -> Decimal:
        """The figure in another unit of the same system: exact, with the digits it needs."""
        return (self.figure * UNITS[self.unit] / UNITS[unit]).normalize()

    @property
    def canonical(self) -> Decimal:
        """Kilometres or litres."""
        return self.figure * UNITS[self.unit]


@dataclass(frozen=True)
class Fleet:
    """What all rows of an example share.

    Args:
        signs: Signs that words may hold.
        zone: The workshop's.
        step: Length of the shortest time its clocks show.
        units: Measured column to the unit that people read.
        shared: Words that are the same in every row.
    """

    signs: str
    zone: ZoneInfo
    step: timedelta
    units: Mapping[str, str]
    shared: Mapping[str, str]


def input_columns(kind: str) -> tuple[str, ...]:
    """The canonical columns of a kind."""
    return REQUIRED_INPUT[kind] + OPTIONAL_INPUT[kind]


def fleets(signs: str) -> st.SearchStrategy[Fleet]:
    """What all rows of an example share."""
    some_words = words(signs)
    return st.builds(
        Fleet,
        signs=st.just(signs),
        zone=st.sampled_from(ZONES).map(ZoneInfo),
        step=st.sampled_from([timedelta(minutes=1), timedelta(seconds=1), timedelta(days=1)]),
        units=st.fixed_dictionaries(
            {"odometer": st.sampled_from(["km", "mi"]), "volume": st.sampled_from(["mL", "US qt", "imp pt"])}
        ),
        shared=st.dictionaries(st.sampled_from(["site", "fuel", "status", "reason"]), some_words, max_size=2),
    )


def words(signs: str) -> st.SearchStrategy[str]:
    """Words without blanks around them."""
    free = st.text(signs, min_size=1, max_size=9).map(str.strip).filter(bool)
    return st.sampled_from(PHRASES) | free


def facts(kind: str, fleet: Fleet) -> st.SearchStrategy[Fact]:
    """Canonical rows of a kind; a missing value is None."""
    values = _values(fleet)
    columns = {name: values.get(name, words(fleet.signs)) for name in REQUIRED_INPUT[kind]}
    columns |= {name: st.none() | values.get(name, words(fleet.signs)) for name in OPTIONAL_INPUT[kind]}
    if kind == "work_orders":
        columns["work_done"] |= st.just("")
    shared = {name: st.just(text) for name, text in fleet.shared.items() if name in columns}
    return st.fixed_dictionaries(columns | shared)


def _values(fleet: Fleet) -> dict[str, st.SearchStrategy[Any]]:
    """What each column may hold that holds more than words."""
    values: dict[str, st.SearchStrategy[Any]] = {name: st.sampled_from(ids) for name, ids in IDENTIFIERS.items()}
    values |= {name: st.integers(low * 100, high * 100).map(_hundredths) for name, (low, high) in NUMBERS.items()}
    values |= dict.fromkeys(WHOLE, st.integers(0, 60)) | dict.fromkeys(YES_NO, st.booleans())
    values |= {name: st.sampled_from(sorted(choices)) for name, choices in CHOICES.items()}
    values |= dict.fromkeys(DAYS, st.dates(date(1950, 1, 1), AS_OF)) | dict.fromkeys(MOMENTS, _local_times(fleet))
    return values | {name: _measures(unit) for name, unit in fleet.units.items()}


def _hundredths(number: int) -> Decimal:
    return Decimal(number) / 100


def _local_times(fleet: Fleet) -> st.SearchStrategy[datetime]:
    """Clock faces, the hours around changes of the clocks among them."""
    first = datetime(1995, 1, 1)  # noqa: DTZ001
    steps = st.integers(0, timedelta(days=10_000) // fleet.step).map(lambda steps: first + steps * fleet.step)
    return steps | st.sampled_from(CLOCK_CHANGES) if fleet.step < timedelta(days=1) else steps


def _measures(unit: str) -> st.SearchStrategy[Measure]:
    most, places = {"km": (400_000, 1), "mi": (250_000, 0), "mL": (20_000, 0)}.get(unit, (20, 2))
    lowest = 0 if unit in ("km", "mi") else 1
    figures = st.integers(lowest, most * 10**places) | st.sampled_from(THREE_DECIMALS)
    return figures.map(lambda figure: Measure(Decimal(figure) / 10**places, unit))


def in_utc(local: datetime, fleet: Fleet) -> datetime:
    """The moment that a clock face shows: the first of two, and counted on where it was skipped (PEP 495, fold 0)."""
    return local.replace(tzinfo=fleet.zone).astimezone(UTC)


def stored(fact: Fact, fleet: Fleet) -> Fact:
    """A canonical row as the records hold it."""
    row: Fact = {}
    for column, value in fact.items():
        if column in MOMENTS:
            row[column] = None if value is None else in_utc(value, fleet)
            row[column.replace("_at", "_on")] = None if value is None else value.date()
        elif column in MEASURES:
            row[MEASURES[column]] = None if value is None else value.canonical
        else:
            row[column] = value
    return row


def midnight(day: date) -> datetime:
    """The first moment of a day on the clock's face."""
    return datetime.combine(day, time())
