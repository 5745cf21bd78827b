"""Whatever lands, every row has one outcome, and the records do not depend on the order rows are handed over."""

from datetime import UTC, date, datetime

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from models.records import Conversion, LandedLoad, build_records, tally
from models.records.conversion import input_columns
from models.records.landed import LandedRows
from models.tables.audit import RefusedRows
from models.tables.records import TABLES
from tests.landed_rows import landed_rows

SOUND: dict[str, dict[str, str]] = {
    "engine_families": {"engine_family": "K4", "cover_positions": "only", "fuel": "petrol", "plug_tubes": "yes",
                        "bolts": "2", "layout": "0,0;1,1", "stage1_nm": "8", "settle_min": "5",
                        "final_angle_deg": "90"},
    "vehicles": {"vehicle_id": "V1", "engine_family": "K4", "site": "N", "in_service_on": "2020-01-01"},
    "engine_fitments": {"vehicle_id": "V1", "engine_id": "E1", "engine_family": "K4", "fitted_on": "2020-01-01"},
    "work_orders": {"order_id": "W1", "vehicle_id": "V1", "site": "N", "opened_at": "2024-01-05", "work_done": "x"},
    "repair_records": {"order_id": "W1", "cover_position": "only"},
    "oil_top_ups": {"vehicle_id": "V1", "topped_up_at": "2024-01-05", "volume": "1"},
    "inspection_notes": {"vehicle_id": "V1", "noted_at": "2024-01-05", "text": "dry"},
    "odometer_readings": {"vehicle_id": "V1", "read_at": "2024-01-05", "odometer": "9"},
}  # fmt: skip
CELLS = st.one_of(
    st.sampled_from(
        ["V1", "V2", "W2", "K4", "only", "yes", "II", "2024-01-06 10:00", "2023-02-29", "1.5", "2 qt", "0"]
    ),
    st.sampled_from(["-3", "12000", "7,5", "0,0;1,1", "", None, "n/a", "N", "x\ufffd"]),
    st.text(max_size=6),
)


@st.composite
def _rows(draw: st.DrawFn, kind: str) -> list[str | None]:
    """A sound row with up to two cells changed, now and then one cell short."""
    cells = dict.fromkeys(input_columns(kind)) | SOUND[kind]
    for column in draw(st.lists(st.sampled_from(list(cells)), max_size=2)):
        cells[column] = draw(CELLS)
    return list(cells.values())[: draw(st.sampled_from([None] * 9 + [-1]))]


@st.composite
def _loads(draw: st.DrawFn, kind: str) -> list[LandedLoad]:
    landed = draw(st.lists(st.lists(_rows(kind), max_size=6), max_size=3))
    days = draw(st.lists(st.integers(1, 2), min_size=3, max_size=3))
    return [
        LandedLoad(
            load_id=f"{kind}-{number}",
            source=kind,
            file=f"{number}.csv",
            loaded_at=datetime(2024, 7, day, tzinfo=UTC),
            header=input_columns(kind),
            conversion=Conversion(kind=kind),
            rows=landed_rows(rows, width=len(input_columns(kind))),
        )
        for number, (rows, day) in enumerate(zip(landed, days, strict=False))
    ]


@settings(max_examples=25, deadline=None)
@given(landed=st.fixed_dictionaries({kind: _loads(kind) for kind in TABLES}), seed=st.integers(0, 99))
def test_every_row_that_lands_has_one_outcome(landed: dict[str, list[LandedLoad]], seed: int) -> None:
    result = build_records(landed, as_of=date(2024, 6, 30))
    read = {load.load_id: load.rows.height for loads in landed.values() for load in loads if load.rows.height}
    counts = tally(result.outcomes)
    assert dict(counts.select("load_id", "rows_read").rows()) == read
    parts = counts.select(pl.sum_horizontal("accepted", "refused", "duplicate", "superseded")).to_series()
    assert parts.equals(counts["rows_read"].rename("accepted"))
    assert result.outcomes.select("load_id", "row_number").is_unique().all()
    RefusedRows.validate(result.refused, cast=True)
    accepted = dict(counts.select("load_id", "accepted").rows())
    for kind, schema in TABLES.items():
        table = schema.validate(result.tables[kind])
        rows = table["line_count"].sum() if kind == "work_orders" else table.height
        assert rows == sum(accepted.get(load.load_id, 0) for load in landed[kind])
    _same_whatever_the_order(landed, result.tables, seed)


def _shuffled(rows: LandedRows, seed: int) -> LandedRows:
    return LandedRows(*(part.sample(fraction=1.0, shuffle=True, seed=seed) for part in (rows.whole, rows.ragged)))


def _same_whatever_the_order(landed: dict[str, list[LandedLoad]], tables: dict[str, pl.DataFrame], seed: int) -> None:
    shuffled = {
        kind: [LandedLoad(**vars(load) | {"rows": _shuffled(load.rows, seed)}) for load in reversed(loads)]
        for kind, loads in landed.items()
    }
    again = build_records(shuffled, as_of=date(2024, 6, 30)).tables
    assert all(tables[kind].equals(again[kind]) for kind in TABLES)
