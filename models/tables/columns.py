"""The kinds of column the tables are made of, each with its unit and its bounds.

`unit` and `allowed` in a column's metadata are what the checks and the table documentation read.
"""

from collections.abc import Sequence

import dataframely as dy

EARLIEST_YEAR = 1950
"""No engine with a cover gasket of a fleet in service is older: an earlier date is a typing error."""

MAX_ODOMETER_KM = 5_000_000.0
"""Beyond what any road engine is known to have covered; a reading above it is in other units or mistyped."""


def key(description: str) -> dy.String:
    """Part of what makes a row unique; never null or empty."""
    return dy.String(primary_key=True, min_length=1, description=description)


def reference(description: str, *, nullable: bool = False) -> dy.String:
    """The identifier of a row elsewhere."""
    return dy.String(nullable=nullable, min_length=1, description=description)


def words(description: str, *, nullable: bool = True) -> dy.String:
    """Free words; `''` is kept as it is."""
    return dy.String(nullable=nullable, description=description)


def one_of(allowed: Sequence[str], description: str, *, nullable: bool = False, primary_key: bool = False) -> dy.String:
    """One of a closed list of words."""
    words = list(allowed)
    return dy.String(
        nullable=nullable,
        primary_key=primary_key,
        check={"allowed": lambda column: column.is_in(words)},
        metadata={"allowed": words},
        description=description,
    )


def group(description: str) -> dy.String:
    """A group column; the empty string means all of them."""
    return dy.String(primary_key=True, description=f"{description}; '' means all")


def flag(description: str, *, nullable: bool = False) -> dy.Bool:
    """True or false."""
    return dy.Bool(nullable=nullable, description=description)


def moment(description: str, *, nullable: bool = False) -> dy.Datetime:
    """A UTC timestamp to the microsecond."""
    return dy.Datetime(
        nullable=nullable,
        time_unit="us",
        time_zone="UTC",
        check={"plausible_year": lambda column: column.dt.year() >= EARLIEST_YEAR},
        metadata={"unit": "UTC"},
        description=description,
    )


def day(description: str, *, nullable: bool = False, primary_key: bool = False) -> dy.Date:
    """A calendar day where it happened."""
    return dy.Date(
        nullable=nullable,
        primary_key=primary_key,
        check={"plausible_year": lambda column: column.dt.year() >= EARLIEST_YEAR},
        metadata={"unit": "local day"},
        description=description,
    )


def quantity(
    unit: str,
    description: str,
    *,
    nullable: bool = False,
    at_least: float | None = 0.0,
    above: float | None = None,
    at_most: float | None = None,
) -> dy.Float64:
    """A measured or estimated number with its unit."""
    lowest = None if above is not None else at_least
    return dy.Float64(
        nullable=nullable,
        min=lowest,
        min_exclusive=above,
        max=at_most,
        metadata={"unit": unit},
        description=description,
    )


def odometer(description: str = "odometer at that moment", *, nullable: bool = True) -> dy.Float64:
    """Kilometres shown or estimated, within what an engine can have run."""
    return quantity("km", description, nullable=nullable, at_most=MAX_ODOMETER_KM)


def share(description: str, *, nullable: bool = False) -> dy.Float64:
    """A probability or proportion between 0 and 1."""
    return quantity("1", description, nullable=nullable, at_most=1.0)


def count(description: str, *, nullable: bool = False) -> dy.Int64:
    """A whole number of things, zero or more."""
    return dy.Int64(nullable=nullable, min=0, metadata={"unit": "count"}, description=description)


def identifiers(description: str) -> dy.List:
    """The records a row was made from."""
    return dy.List(dy.String(), description=description)
