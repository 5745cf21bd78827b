"""People's names made pseudonyms: figures about technicians are for coaching, and by default nobody is named."""

from collections.abc import Mapping
from hashlib import blake2b

import polars as pl

from models.settings import FleetSettings

PEOPLE = {"work_orders": "technician", "inspection_notes": "author"}
"""Kind to the column that holds a person."""
DIGEST_BYTES = 4
"""Among 1,000 people two share a pseudonym with probability 1e-4."""


def with_pseudonyms(tables: Mapping[str, pl.DataFrame], *, fleet: FleetSettings) -> dict[str, pl.DataFrame]:
    """Replace every person by a pseudonym that is the same in all records, unless the fleet agreed to show names.

    Landing keeps the names as they came in; nothing after it does.

    Args:
        tables: Record kind to its table.
        fleet: Whether names are shown, and the key without which nobody finds a name by trying.
    """
    if fleet.show_technicians:
        return dict(tables)
    return {
        kind: table.with_columns(_pseudonyms(table[PEOPLE[kind]], fleet.pseudonym_key)) if kind in PEOPLE else table
        for kind, table in tables.items()
    }


def _pseudonyms(people: pl.Series, key: str) -> pl.Series:
    """Give each person the same digest wherever they stand; case and blanks do not make two of one."""
    names = people.drop_nulls().unique()
    secret = blake2b(key.encode()).digest()
    digests = [
        "P-" + blake2b(" ".join(name.casefold().split()).encode(), digest_size=DIGEST_BYTES, key=secret).hexdigest()
        for name in names
    ]
    return people.replace_strict(names, digests, default=None, return_dtype=pl.String)
