"""How one export spells its columns, units, dates, numbers and words."""

import re
from fnmatch import fnmatchcase
from functools import cache
from typing import Annotated, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from models.records.quantities import ODOMETER_UNITS, VOLUME_UNITS
from models.tables.records import OPTIONAL_INPUT, REQUIRED_INPUT, TABLES

Kind = Literal[
    "engine_families",
    "vehicles",
    "engine_fitments",
    "work_orders",
    "repair_records",
    "oil_top_ups",
    "inspection_notes",
    "odometer_readings",
]
FileFormat = Literal["csv", "xlsx", "parquet", "jsonl"]
DATE_ORDERS = ("iso", "day_first", "month_first", "serial")
UNIT_CHOICES = {"odometer": ODOMETER_UNITS, "volume": VOLUME_UNITS}
CANONICAL_UNITS = {"odometer": "km", "volume": "L"}


def input_columns(kind: str) -> tuple[str, ...]:
    """Return the canonical columns of a kind as a file spells them, required ones first."""
    return REQUIRED_INPUT[kind] + OPTIONAL_INPUT[kind]


def date_columns(kind: str) -> tuple[str, ...]:
    """Return the canonical columns of a kind that hold a day or a moment."""
    types = TABLES[kind].columns()
    return tuple(name for name in input_columns(kind) if name in types and types[name].dtype.is_temporal())


def unit_columns(kind: str) -> tuple[str, ...]:
    """Return the canonical columns of a kind that come in units their source declares."""
    return tuple(name for name in input_columns(kind) if name in UNIT_CHOICES)


@cache
def _zones() -> set[str]:
    """The names of the tz database, which are read from the disk."""
    return available_timezones()


def _known_zone(name: str) -> str:
    if name not in _zones():
        raise ValueError("a tz database name such as 'Europe/Lisbon'")
    return name


def date_format_fault(text: str) -> str | None:
    """Say what a date format must be, where it is not one; None where it is."""
    if text in DATE_ORDERS:
        return None
    directives = set(re.findall(r"%[-_0]?([A-Za-z])", text))
    if "y" in directives:
        return "a format with a four-digit year (%Y): a two-digit year is never guessed"
    has_day = {"Y", "d"} <= directives and directives & {"m", "b", "B"}
    if not (has_day or {"Y", "j"} <= directives or directives & {"F", "D"}):
        return "iso, day_first, month_first, serial or a format such as '%d.%m.%Y %H:%M'"
    return None


class Conversion(BaseModel):
    """How the cells of one export become canonical values. Frozen; survives a round trip through JSON."""

    model_config = ConfigDict(frozen=True, extra="forbid", coerce_numbers_to_str=True)

    kind: Kind = Field(description="record kind that each row is")
    format: FileFormat | None = Field(default=None, description="file format; by the file's suffix where not given")
    zone: Annotated[str, AfterValidator(_known_zone)] | None = Field(
        default=None, description="tz database name of the naive times in the file; the fleet's zone where not given"
    )
    columns: dict[str, str] = Field(
        default={}, description="canonical column to the file's header; one left out is found under its own name"
    )
    units: dict[str, str] = Field(
        default={},
        description="odometer: km, mi; volume: L, mL, cL, dL, US or imp qt, pt, gal; 'cell' where the unit stands in "
        "each cell, 'cell or L' where some cells are bare numbers in litres",
    )
    dates: dict[str, str] = Field(
        default={}, description="date column to iso (default), day_first, month_first, serial or a strptime format"
    )
    decimal: Literal[".", ","] = Field(default=".", description="decimal mark; the other one may group thousands")
    constants: dict[str, str] = Field(default={}, description="canonical column to the value every row has")
    made_from: dict[str, tuple[str, ...]] = Field(
        default={},
        description="canonical column that the export lacks to the canonical columns whose cells, joined, make it: "
        "an order number from vehicle and day makes one order of a day's lines",
    )
    values: dict[str, dict[str, str]] = Field(
        default={}, description="canonical column to {word found = canonical word}; '' makes a missing value"
    )
    order_lines: Literal["whole", "spread"] = Field(
        default="whole",
        description="whole: a file brings all lines of an order, and of two files the later one's stand; spread: the "
        "lines of an order may be spread over the source's files and add up",
    )
    corrections: str = Field(
        default="*correct*",
        min_length=1,
        description="glob of the file names that, where lines are spread, bring an order whole in place of what the "
        "other files say",
    )

    @model_validator(mode="after")
    def _names_are_canonical(self) -> "Conversion":
        """Check that every key names a column of the kind and every unit and date order is known."""
        known = input_columns(self.kind)
        for table, allowed in {
            "columns": known,
            "units": unit_columns(self.kind),
            "dates": date_columns(self.kind),
            "constants": known,
            "made_from": known,
            "values": known,
        }.items():
            for name in getattr(self, table):
                if name not in allowed:
                    raise MisnamedError((table,), name, allowed, is_key=True)
        self._check_choices()
        self._check_given_once()
        return self

    def _check_choices(self) -> None:
        for name, unit in self.units.items():
            if unit not in UNIT_CHOICES[name]:
                raise MisnamedError(("units", name), unit, UNIT_CHOICES[name])
        for name, order in self.dates.items():
            if fault := date_format_fault(order):
                raise MisnamedError(("dates", name), order, (), fault)

    def _check_given_once(self) -> None:
        for table, other in (("constants", self.columns), ("made_from", self.columns), ("made_from", self.constants)):
            for name in getattr(self, table):
                if name in other:
                    raise MisnamedError((table,), name, (), "left out, because it is given already", is_key=True)
        sources = tuple(name for name in input_columns(self.kind) if name not in self.made_from)
        for name, parts in self.made_from.items():
            for part in parts:
                if part not in sources:
                    raise MisnamedError(("made_from", name), part, sources)

    def adds_up(self, file: str) -> bool:
        """Say whether a file's order lines add to those of the source's other files."""
        return self.order_lines == "spread" and not fnmatchcase(file.casefold(), self.corrections.casefold())

    def unit_of(self, column: str) -> str:
        """Return the declared unit of a column, or the canonical one."""
        return self.units.get(column, CANONICAL_UNITS[column])

    def date_order_of(self, column: str) -> str:
        """Return the declared date order or format of a column; ISO where none is."""
        return self.dates.get(column, "iso")


class MisnamedError(ValueError):
    """A word in a conversion that is none of the allowed ones.

    Args:
        path: The keys that lead to the word.
        found: The word.
        allowed: What it may be, as a list of words.
        clause: What it must be, as a clause, where a list does not say it.
        is_key: Whether the word is a key of the table at `path` and not its value.
    """

    def __init__(
        self, path: tuple[str, ...], found: str, allowed: tuple[str, ...], clause: str = "", *, is_key: bool = False
    ) -> None:
        self.path, self.found, self.allowed, self.is_key = path, found, allowed, is_key
        self.clause = clause or f"one of {', '.join(allowed)}"
        super().__init__(f"{'.'.join(path)} holds {found!r}; it must be {self.clause}")
