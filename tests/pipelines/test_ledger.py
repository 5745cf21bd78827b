"""From rows of text to episodes, whatever the rows: what must not depend on their order, their files, or the future."""

import random
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from models.records import Conversion, LandedLoad, build_records
from models.settings import Settings
from models.tables.ledger import TABLES
from pipelines.ledger import STEPS, step_options, tables_read
from tests.landed_rows import landed_rows

Row = dict[str, str]
Rows = dict[str, list[Row]]

FIRST_DAY, LAST_DAY = date(2023, 1, 1), date(2024, 6, 30)
FAMILIES = [
    {
        "engine_family": family,
        "cover_positions": covers,
        "fuel": "petrol",
        "plug_tubes": "yes",
        "bolts": "3",
        "layout": "0,0;40,0;80,0",
        "stage1_nm": "8",
        "settle_min": "10",
        "final_angle_deg": "90",
        "sump_litres": "5",
    }
    for family, covers in (("ONE", "only"), ("TWO", "left;right"))
]
NOTES = (
    "oil weeping from rocker cover gasket",
    "LH rocker cover leaking, RH dry",
    "rocker cover dry",
    "rocker cover gasket done in March, dry since",
    "sump weeping, rocker cover dry",
    "oil in plug wells",
    "smell of burning oil",
    "possible rocker cover leak, please check",
    "brakes checked",
)
WORK = (
    "rocker cover gasket renewed",
    "LH rocker cover gasket, plug tube seals and bolts renewed",
    "rocker cover bolts re-tightened",
    "rocker cover removed for injectors, old gasket refitted",
    "engine removed for overhaul",
    "brake pads renewed",
    "brake pads renewed, noticed rocker cover weeping",
)
COMPLAINTS = ("", "", "oil leak", "rocker cover leaking", "oil smell", "squeaky brakes")
DRY_LOOKS = ("rocker cover dry", "LH rocker cover dry", "no sign of oil at the rocker cover")

DAY = st.integers(0, (LAST_DAY - FIRST_DAY).days).map(lambda days: FIRST_DAY + timedelta(days=days))
ODOMETER = st.sampled_from(["", "", "right", "right", "far out", "replaced"])
EVENT = st.one_of(
    st.tuples(st.just("inspection_notes"), DAY, st.sampled_from(NOTES), ODOMETER),
    st.tuples(
        st.just("work_orders"),
        DAY,
        st.tuples(st.sampled_from(WORK), st.sampled_from(COMPLAINTS), st.integers(-1, 9)),
        ODOMETER,
    ),
    st.tuples(st.just("oil_top_ups"), DAY, st.sampled_from(["0.5", "1", "4"]), ODOMETER),
    st.tuples(st.just("odometer_readings"), DAY, st.just(""), st.just("right")),
    st.tuples(st.just("engine_fitments"), DAY, st.sampled_from(["E1", "E2"]), st.just("")),
)
FLEET = st.lists(st.lists(EVENT, min_size=4, max_size=14), min_size=5, max_size=8)


def odometer_on(day: date, kind: str) -> str:
    """What an instrument shows: 80 km a day, a typing error, or a new one since the middle."""
    km = 100_000 + 80 * (day - FIRST_DAY).days
    return {"": "", "right": str(km), "far out": str(km * 10), "replaced": str(km - 100_000)}[kind]


def rows_of(fleet: Sequence[Sequence[tuple]]) -> Rows:
    """The rows of each kind that tell of these events."""
    rows: Rows = {"engine_families": FAMILIES, "vehicles": []}
    for number, events in enumerate(fleet):
        vehicle = {"vehicle_id": f"V{number}"}
        family = ("ONE", "TWO")[number % 2]
        rows["vehicles"].append(
            vehicle | {"engine_family": family, "site": "North", "in_service_on": "2020-01-01", "engine_id": "E1"}
        )
        for place, (kind, day, said, odometer) in enumerate(events):
            told = EVENT_ROWS[kind](f"V{number}-{place}", day, said)
            shown = {"odometer": odometer_on(day, odometer)} if kind != "engine_fitments" else {"engine_family": family}
            rows.setdefault(kind, []).append(vehicle | told | shown)
    return rows


def order_row(name: str, day: date, said: tuple[str, str, int]) -> Row:
    work_done, complaint, run_days = said
    completed = str(min(day + timedelta(days=run_days), LAST_DAY)) if run_days >= 0 else ""
    order = {"order_id": name, "site": "North", "opened_at": str(day), "completed_at": completed}
    return order | {"work_done": work_done, "complaint": complaint}


EVENT_ROWS = {
    "inspection_notes": lambda name, day, said: {"note_id": name, "noted_at": str(day), "text": said},
    "work_orders": order_row,
    "oil_top_ups": lambda name, day, said: {"topped_up_at": str(day), "volume": said},
    "odometer_readings": lambda name, day, said: {"read_at": str(day)},
    "engine_fitments": lambda name, day, said: {"engine_id": said, "fitted_on": str(day)},
}
"""Kind of event to what its row says beside vehicle and odometer."""


def loads_of(files: Sequence[Rows]) -> dict[str, list[LandedLoad]]:
    """Every kind's rows as they land, one load a file."""
    landed: dict[str, list[LandedLoad]] = {}
    for number, file in enumerate(files):
        for kind, rows in file.items():
            header = tuple(dict.fromkeys(key for row in rows for key in row))
            cells = [[row[key] for key in header] for row in rows]
            landed.setdefault(kind, []).append(
                LandedLoad(
                    load_id=f"{kind}-{number}",
                    source=kind,
                    file=f"{kind}-{number}.csv",
                    loaded_at=datetime(2024, 7, 1, tzinfo=UTC),
                    header=header,
                    conversion=Conversion(kind=kind),
                    rows=landed_rows(cells, width=len(header)),
                )
            )
    return landed


def ledger_of(*files: Rows, as_of: date = LAST_DAY) -> dict[str, pl.DataFrame]:
    """Take files of rows to the ledger as a run does."""
    tables = dict(build_records(loads_of(files), as_of=as_of).tables)
    for table in TABLES:
        read = {name: tables[name] for name in tables_read(table)}
        tables[table] = STEPS[table](**read, **step_options(table, Settings(), as_of))
    return {table: tables[table] for table in TABLES}


def assert_same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    assert [table for table in TABLES if not one[table].equals(other[table])] == []


@settings(max_examples=8, deadline=None)
@given(FLEET, st.integers(0, 1_000))
def test_neither_the_order_of_rows_nor_their_files_matter(fleet: list[list[tuple]], seed: int) -> None:
    rows, chance = rows_of(fleet), random.Random(seed)
    parts: tuple[Rows, Rows] = ({}, {})
    for kind, of_kind in rows.items():
        for row in chance.sample(of_kind, len(of_kind)):
            chance.choice(parts).setdefault(kind, []).append(row)
    assert_same(ledger_of(*parts), ledger_of(rows))


@settings(max_examples=8, deadline=None)
@given(FLEET, DAY)
def test_records_of_later_days_never_change_an_earlier_one(fleet: list[list[tuple]], as_of: date) -> None:
    rows = rows_of(fleet)
    dated = ("noted_at", "opened_at", "completed_at", "topped_up_at", "read_at", "fitted_on")
    by_then = {
        kind: [row for row in of_kind if all(row.get(column, "") <= str(as_of) for column in dated)]
        for kind, of_kind in rows.items()
    }
    known = {kind: of_kind for kind, of_kind in by_then.items() if of_kind}
    assert_same(ledger_of(rows, as_of=as_of), ledger_of(known, as_of=as_of))


@settings(max_examples=8, deadline=None)
@given(FLEET, st.lists(st.tuples(DAY, st.sampled_from(DRY_LOOKS)), min_size=8, max_size=8))
def test_a_dry_look_never_adds_a_re_leak_nor_takes_one_away(
    fleet: list[list[tuple]], looks: list[tuple[date, str]]
) -> None:
    rows = rows_of(fleet)
    dry = [
        {"note_id": f"V{number}-dry", "vehicle_id": f"V{number}", "noted_at": str(day), "text": text}
        for number, (day, text) in enumerate(looks[: len(fleet)])
    ]
    before, after = ledger_of(rows), ledger_of(rows, {"inspection_notes": dry})
    columns = ["episode_id", "ended_on", "first_wet_at"]
    leaks = [ledger["episodes"].filter(status="re-leak").select(columns) for ledger in (before, after)]
    assert leaks[0].equals(leaks[1])
