"""Orders whose lines are spread over several files."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from models.records import Conversion, LandedLoad, RecordsResult, build_records
from models.records.conversion import Kind
from tests.landed_rows import landed_rows

SPREAD = {"order_lines": "spread"}
VEHICLES = ({"vehicle_id": name, "engine_family": "K4", "site": "N", "in_service_on": "2020-01-01"} for name in "AB")


def _load(kind: Kind, file: str, rows: Sequence[dict[str, str]], **conversion: str) -> LandedLoad:
    header = tuple(rows[0]) if rows else ("order_id", "vehicle_id", "site", "opened_at", "work_done")
    return LandedLoad(
        load_id=f"{kind} {file}",
        source=kind,
        file=file,
        loaded_at=datetime(2024, 7, 1, tzinfo=UTC),
        header=header,
        conversion=Conversion.model_validate({"kind": kind} | conversion),
        rows=landed_rows([list(row.values()) for row in rows], width=len(header)),
    )


FLEET = _load("vehicles", "vehicles.csv", list(VEHICLES))


def _line(order_id: str, work_done: str, **others: str) -> dict[str, str]:
    return {"order_id": order_id, "vehicle_id": "A", "site": "N", "opened_at": "2024-03-04"} | {
        "work_done": work_done,
        "labour_hours": "1",
        **others,
    }


def _built(*orders: LandedLoad) -> RecordsResult:
    return build_records({"vehicles": [FLEET], "work_orders": orders}, as_of=date(2024, 6, 30))


def _outcomes(result: RecordsResult, load: LandedLoad) -> list[str]:
    return result.outcomes.filter(pl.col("load_id") == load.load_id)["outcome"].to_list()


def test_lines_spread_over_files_add_up() -> None:
    one = _load("work_orders", "b.csv", [_line("W1", "gasket renewed"), _line("W1", "cover cleaned")], **SPREAD)
    two = _load("work_orders", "a.csv", [_line("W1", "run up, dry"), _line("W1", "cover cleaned")], **SPREAD)
    result = _built(one, two)
    order = result.tables["work_orders"].row(0, named=True)
    assert (order["work_done"], order["labour_hours"]) == ("gasket renewed; cover cleaned; run up, dry", 3.0)
    assert _outcomes(result, one) == ["accepted", "duplicate"]
    assert _outcomes(result, two) == ["accepted", "accepted"]


def test_sheets_of_one_workbook_that_two_sources_read_add_up() -> None:
    sheets = [
        replace(_load("work_orders", "orders.xlsx", [_line("W1", work)], **SPREAD), source=sheet, load_id=sheet)
        for sheet, work in (("jan", "gasket renewed"), ("feb", "run up"))
    ]
    assert _built(*sheets).tables["work_orders"]["labour_hours"].to_list() == [2.0]


def test_without_being_told_the_later_file_brings_the_order_whole() -> None:
    one = _load("work_orders", "1.csv", [_line("W1", "gasket renewed")])
    two = _load("work_orders", "2.csv", [_line("W1", "run up, dry")])
    result = _built(one, two)
    assert result.tables["work_orders"]["work_done"].to_list() == ["run up, dry"]
    assert _outcomes(result, one) == ["superseded"]


def test_a_correction_brings_the_order_whole_though_its_name_comes_first() -> None:
    lines = [
        _load("work_orders", f"orders_{number}.csv", [_line("W1", work), _line("W2", work)], **SPREAD)
        for number, work in enumerate(("gasket renewed", "run up"))
    ]
    corrected = _load("work_orders", "Corrected orders.csv", [_line("W1", "re-tightened only")], **SPREAD)
    result = _built(*lines, corrected)
    assert result.tables["work_orders"]["work_done"].to_list() == ["re-tightened only", "gasket renewed; run up"]
    assert _outcomes(result, lines[0]) == ["superseded", "accepted"]


def test_a_file_replaced_under_its_own_name_takes_its_earlier_lines_back() -> None:
    rest = _load("work_orders", "rest.csv", [_line("W1", "run up")], **SPREAD)
    before = _load("work_orders", "orders.csv", [_line("W1", "gasket renewd")], **SPREAD)
    after = _load("work_orders", "orders.csv", [_line("W1", "gasket renewed")], **SPREAD)
    before = LandedLoad(**vars(before) | {"load_id": "before", "loaded_at": datetime(2024, 6, 1, tzinfo=UTC)})
    result = _built(rest, after, before)
    assert result.tables["work_orders"]["work_done"].to_list() == ["gasket renewed; run up"]
    assert _outcomes(result, before) == ["superseded"]


LINES = st.builds(
    _line,
    st.sampled_from(["W1", "W2"]),
    st.sampled_from(["gasket renewed", "run up", "cleaned", ""]),
    vehicle_id=st.sampled_from(["A"] * 5 + ["B", "unknown"]),
    opened_at=st.sampled_from(["2024-03-04", "2024-03-05", "2024-13-01"]),
    technician=st.sampled_from(["T1", "T2", ""]),
)


@settings(max_examples=60, deadline=None)
@given(
    lines=st.lists(LINES, max_size=9),
    parts=st.lists(st.sampled_from("abc"), min_size=9, max_size=9),
    places=st.randoms(use_true_random=False),
)
def test_however_an_export_is_split_its_records_are_the_same(lines, parts, places) -> None:
    whole = _built(_load("work_orders", "orders.csv", lines, **SPREAD))
    shuffled = places.sample(list(zip(parts, lines, strict=False)), k=len(lines))
    files = [
        _load("work_orders", f"{name}.csv", [line for part, line in shuffled if part == name], **SPREAD)
        for name in "bca"
    ]
    split = _built(*files)
    orders = [result.tables["work_orders"].drop("load_id", "row_number") for result in (whole, split)]
    assert orders[0].equals(orders[1])
    fates = [
        Counter(result.outcomes.select("outcome", "column_name", "value", "reason").rows()) for result in (whole, split)
    ]
    assert fates[0] == fates[1]
