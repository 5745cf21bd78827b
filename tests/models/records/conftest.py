"""A small fleet as it lands, for tests that break one thing in it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import polars as pl
import pytest

from models.records import Conversion, LandedLoad, RecordsResult, build_records
from tests.landed_rows import landed_rows

AS_OF = date(2024, 6, 30)

FAMILIES = {
    "engine_family": "KESTREL-4",
    "cover_positions": "only",
    "fuel": "petrol",
    "plug_tubes": "yes",
    "bolts": "3",
    "layout": "0,0;40,0;80,0",
    "stage1_nm": "8",
    "settle_min": "10",
    "final_angle_deg": "90",
}
VEHICLE = {"vehicle_id": "V1", "engine_family": "KESTREL-4", "site": "North", "in_service_on": "2020-01-01"}
ORDER = {
    "order_id": "W1",
    "vehicle_id": "V1",
    "site": "North",
    "opened_at": "2024-03-04",
    "work_done": "cover gasket renewed",
}
ROWS: dict[str, dict[str, str]] = {
    "engine_families": FAMILIES,
    "vehicles": VEHICLE,
    "engine_fitments": {
        "vehicle_id": "V1",
        "engine_id": "E1",
        "engine_family": "KESTREL-4",
        "fitted_on": "2020-01-01",
    },
    "work_orders": ORDER,
    "repair_records": {"order_id": "W1", "cover_position": "only", "bolts_renewed": "yes"},
    "oil_top_ups": {"vehicle_id": "V1", "topped_up_at": "2024-03-04 08:15", "volume": "1.5", "odometer": "120000"},
    "inspection_notes": {"vehicle_id": "V1", "noted_at": "2024-03-04", "text": "dry at the cover", "leak_class": "I"},
    "odometer_readings": {"vehicle_id": "V1", "read_at": "2024-03-04", "odometer": "120000"},
}
"""A sound row of every kind."""


@dataclass
class Landing:
    """Loads as they would come out of the landing layer, and the records built from them."""

    loads: dict[str, list[LandedLoad]] = field(default_factory=dict)

    def add(
        self, kind: str, rows: Sequence[Mapping[str, str | None]], *, day: int = 1, name: str = "", **conversion: Any
    ) -> str:
        """Land rows of one kind, in a file of its own named after the day, and return its load_id."""
        header = tuple(dict.fromkeys(key for row in rows for key in row))
        return self.add_cells(kind, header, [[row.get(key) for key in header] for row in rows], day, name, **conversion)

    def add_cells(
        self,
        kind: str,
        header: Sequence[str],
        cells: Sequence[Sequence[str | None]],
        day: int = 1,
        name: str = "",
        **conversion: Any,
    ) -> str:
        loads = self.loads.setdefault(kind, [])
        load_id = f"{kind}-{len(loads) + 1}"
        loads.append(
            LandedLoad(
                load_id=load_id,
                source=kind,
                file=name or f"day {day} {load_id}.csv",
                loaded_at=datetime(2024, 7, day, tzinfo=UTC),
                header=tuple(header),
                conversion=Conversion(kind=kind, **conversion),
                rows=landed_rows(cells, width=len(header)),
            )
        )
        return load_id

    def build(self, **options: Any) -> RecordsResult:
        return build_records(self.loads, **{"as_of": AS_OF} | options)

    def outcomes(self, load_id: str) -> list[str]:
        """What became of each row of a load, in row order."""
        return self.build().outcomes.filter(pl.col("load_id") == load_id)["outcome"].to_list()


@pytest.fixture
def landing() -> Landing:
    """Nothing has landed."""
    return Landing()


@pytest.fixture
def fleet() -> Landing:
    """One engine family, one vehicle and one order have landed."""
    landing = Landing()
    for kind in ("engine_families", "vehicles", "work_orders"):
        landing.add(kind, [ROWS[kind]])
    return landing


@pytest.fixture
def sound_row() -> Callable[..., dict[str, str]]:
    """Make a sound row of a kind, with some columns changed."""

    def make(kind: str, **changed: str) -> dict[str, str]:
        return ROWS[kind] | changed

    return make
