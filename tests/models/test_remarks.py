"""Records that are kept though they are odd."""

from datetime import UTC, date, datetime
from typing import Any

import polars as pl
import pytest

from models.remarks import remarks
from models.tables.records import TABLES

IN_SERVICE = date(2024, 3, 1)
DATED = {
    "work_orders": ("order_id", "opened"),
    "oil_top_ups": ("top_up_id", "topped_up"),
    "inspection_notes": ("note_id", "noted"),
    "odometer_readings": ("reading_id", "read"),
}


def _records(kind: str, *rows: dict[str, Any]) -> pl.DataFrame:
    """Records with the columns that matter here; the rest is empty."""
    schema = {name: column.dtype for name, column in TABLES[kind].columns().items()}
    own = [{"vehicle_id": "v", "load_id": "load", "row_number": place} | row for place, row in enumerate(rows, start=2)]
    return pl.DataFrame(own, schema=schema)


def _dated(kind: str, name: str, day: date, **others: Any) -> dict[str, Any]:
    key, moment = DATED[kind]
    at = datetime(day.year, day.month, day.day, 9, tzinfo=UTC)
    return {key: name, f"{moment}_at": at, f"{moment}_on": day} | others


def _remarks(evidence: pl.DataFrame | None = None, **kinds: pl.DataFrame) -> list[tuple[str, str, str, int]]:
    records = {kind: kinds.get(kind, _records(kind)) for kind in DATED}
    contradicted = {"origin_id": pl.String, "is_class_contradicted": pl.Boolean}
    found = remarks(
        vehicles=_records("vehicles", {"in_service_on": IN_SERVICE}),
        evidence=pl.DataFrame(schema=contradicted) if evidence is None else evidence,
        **records,
    )
    return found.select("kind", "record_id", "remark", "row_number").rows()


@pytest.mark.parametrize("kind", DATED)
def test_a_record_from_before_the_vehicle_was_in_service_is_named_with_its_row(kind: str) -> None:
    rows = [_dated(kind, "early", date(2024, 2, 29)), _dated(kind, "first day", IN_SERVICE)]
    found = _remarks(**{kind: _records(kind, *rows)})
    assert found == [(kind, "early", "dated before the vehicle was in service", 2)]


def test_an_order_completed_before_it_was_opened_is_named_and_one_at_the_same_minute_is_not() -> None:
    day = date(2024, 3, 5)
    at = datetime(2024, 3, 5, 9, tzinfo=UTC)
    orders = _records(
        "work_orders",
        _dated("work_orders", "fine", day, completed_at=at),
        _dated("work_orders", "odd", day, completed_at=datetime(2024, 3, 5, 8, 59, tzinfo=UTC)),
        _dated("work_orders", "open", day),
    )
    assert _remarks(work_orders=orders) == [("work_orders", "odd", "completed before it was opened", 3)]


def test_a_note_whose_filled_in_class_the_text_contradicts_is_named_once() -> None:
    notes = _records("inspection_notes", *(_dated("inspection_notes", name, date(2024, 4, 1)) for name in ("a", "b")))
    evidence = pl.DataFrame({"origin_id": ["a", "a", "b"], "is_class_contradicted": [True, True, False]})
    ((kind, note, remark, row),) = _remarks(evidence, inspection_notes=notes)
    assert (kind, note, row) == ("inspection_notes", "a", 2)
    assert "leak class" in remark
