"""How text rows become typed, canonical, deduplicated records with nothing ever lost.

`landed` holds rows as they came in; `conversion` says how one export's words are to be read and `canonical` picks the
canonical columns out of its cells; `quantities`, `moments` and `vocabularies` read one cell; `typing` reads whole rows
by the declared tables; `identity` gives rows their content; `references` holds rows whose vehicle, family or order has
not arrived; `reconcile` tells duplicates from corrections and folds order lines; `build` does it all for every kind;
`pseudonyms` hides people.
"""

from models.records.build import (
    LandedLoad,
    RecordsResult,
    build_records,
    in_load_order,
    judge_records,
    ranked,
    tally,
    type_landed,
)
from models.records.canonical import header_fault
from models.records.conversion import Conversion
from models.records.landed import LandedRows
from models.records.pseudonyms import with_pseudonyms
from models.records.reconcile import ADDED_UP
from models.records.typing import LATE

__all__ = [
    "ADDED_UP",
    "LATE",
    "Conversion",
    "LandedLoad",
    "LandedRows",
    "RecordsResult",
    "build_records",
    "header_fault",
    "in_load_order",
    "judge_records",
    "ranked",
    "tally",
    "type_landed",
    "with_pseudonyms",
]
