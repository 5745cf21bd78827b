"""Notes and orders to dated statements about a cover."""

from datetime import UTC, date, datetime
from typing import Any

import polars as pl
import pytest

from models.evidence import evidence
from models.tables.ledger import Evidence

NOTED, OPENED, DONE = (datetime(2024, 3, day, 9, tzinfo=UTC) for day in (1, 5, 7))
_WORK = {"order_id": pl.String, "work": pl.String, "cover_position": pl.String}


def _notes(*texts: str, covers: str = "only", leak_class: str | None = None) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "note_id": [f"n{number}" for number in range(len(texts))],
            "vehicle_id": "v",
            "engine_id": "e",
            "cover_positions": covers,
            "distance_km": 1000.0,
            "noted_at": NOTED,
            "noted_on": NOTED.date(),
            "text": list(texts),
            "leak_class": pl.Series([leak_class] * len(texts), dtype=pl.String),
        }
    )


def _orders(complaint: str | None = None, work_done: str = "", completed_at: datetime | None = DONE) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "order_id": ["o"],
            "vehicle_id": "v",
            "engine_id": "e",
            "cover_positions": "only",
            "distance_km": 2000.0,
            "opened_at": OPENED,
            "opened_on": OPENED.date(),
            "completed_at": pl.Series([completed_at], dtype=pl.Datetime("us", "UTC")),
            "completed_on": pl.Series([completed_at.date() if completed_at else None], dtype=pl.Date),
            "complaint": pl.Series([complaint], dtype=pl.String),
            "work_done": work_done,
        }
    )


NO_NOTES, NO_ORDERS, NO_WORK = _notes(), _orders().clear(), pl.DataFrame(schema=_WORK)


def _work(work: str) -> pl.DataFrame:
    return pl.DataFrame({"order_id": ["o"], "work": work, "cover_position": "only"}, schema=_WORK)


def _rows(frame: pl.DataFrame) -> list[dict[str, Any]]:
    Evidence.validate(frame)
    return frame.to_dicts()


def test_a_note_is_dated_and_placed() -> None:
    (row,) = _rows(evidence(_notes("rocker cover weeping"), NO_ORDERS, NO_WORK))
    assert (row["noted_at"], row["noted_on"], row["odometer_km"]) == (NOTED, date(2024, 3, 1), 1000.0)
    assert (row["origin_kind"], row["origin_id"], row["origin_field"]) == ("inspection_notes", "n0", "text")
    assert (row["component"], row["polarity"], row["leak_class"]) == ("cover_gasket", "present", "I")


@pytest.mark.parametrize(
    ("text", "covers", "positions"),
    [
        ("LH rocker cover leaking", "left;right", ["left"]),
        ("both rocker covers leaking", "left;right", ["left", "right"]),
        ("rocker cover leaking", "left;right", [""]),
        ("rocker cover leaking N/S", "left;right", [""]),
        ("LH side of rocker cover leaking", "only", ["only"]),
        ("both ends of rocker cover leaking", "only", ["only"]),
    ],
)
def test_sides_become_covers_of_the_engine(text: str, covers: str, positions: list[str]) -> None:
    rows = _rows(evidence(_notes(text, covers=covers), NO_ORDERS, NO_WORK))
    assert sorted(row["cover_position"] for row in rows) == positions
    assert len({row["evidence_id"] for row in rows}) == len(rows)


@pytest.mark.parametrize(
    ("text", "filled_in", "polarity", "leak_class", "is_contradicted"),
    [
        ("rocker cover leaking", "II", "present", "II", False),
        ("rocker cover weeping", "I", "present", "I", False),
        ("rocker cover dripping", "I", "present", "III", True),
        ("rocker cover dry", "II", "absent", None, True),
        ("possible rocker cover leak", "II", "uncertain", None, True),
        ("tyres 5 mm all round", "II", "uncertain", "II", True),
        ("rocker cover leaking", None, "present", None, False),
    ],
)
def test_the_text_decides_and_the_class_fills_what_it_leaves_open(
    text: str, filled_in: str | None, polarity: str, leak_class: str | None, is_contradicted: bool
) -> None:
    (row,) = _rows(evidence(_notes(text, leak_class=filled_in), NO_ORDERS, NO_WORK))
    assert (row["component"], row["polarity"]) == ("cover_gasket", polarity)
    assert (row["leak_class"], row["is_class_contradicted"]) == (leak_class, is_contradicted)


def test_a_class_may_be_of_another_leak() -> None:
    rows = _rows(evidence(_notes("rocker cover dry, sump leaking", leak_class="III"), NO_ORDERS, NO_WORK))
    found = {row["component"]: (row["leak_class"], row["is_class_contradicted"]) for row in rows}
    assert found == {"cover_gasket": (None, False), "other_oil_leak": ("III", False)}


def test_complaint_counts_at_opening_and_finding_at_completion() -> None:
    orders = _orders("oil leak at rocker cover", "rocker cover leaking, customer declined")
    rows = _rows(evidence(NO_NOTES, orders, _work("none")))
    assert {(row["origin_field"], row["noted_at"]) for row in rows} == {("complaint", OPENED), ("work_done", DONE)}


def test_finding_of_an_order_left_open_counts_at_opening() -> None:
    orders = _orders(None, "rocker cover leaking, customer declined", completed_at=None)
    (row,) = _rows(evidence(NO_NOTES, orders, _work("none")))
    assert row["noted_at"] == OPENED


def test_finding_of_the_order_that_repairs_the_cover_is_left_out() -> None:
    orders = _orders("oil leak at rocker cover", "rocker cover leaking, new gasket fitted, dry")
    rows = _rows(evidence(NO_NOTES, orders, _work("repair")))
    assert [row["origin_field"] for row in rows] == ["complaint"]


def test_orders_without_a_leak_make_no_rows_and_notes_make_one() -> None:
    rows = _rows(evidence(_notes("brakes ok"), _orders("service", "oil and filter changed"), _work("none")))
    assert [(row["origin_kind"], row["component"]) for row in rows] == [("inspection_notes", "none")]


def test_rows_do_not_depend_on_the_order_of_records() -> None:
    notes = _notes("LH dry, RH rocker cover weeping", "sump leaking", "rocker cover dry", covers="left;right")
    orders = _orders("oil leak", "rocker cover leaking, declined")
    forward = evidence(notes, orders, _work("none"))
    assert forward.equals(evidence(notes.reverse(), orders, _work("none")))
    assert forward["evidence_id"].is_unique().all()


def test_nothing_read_gives_an_empty_table() -> None:
    assert _rows(evidence(NO_NOTES, NO_ORDERS, NO_WORK)) == []


def test_a_record_without_an_engine_is_about_a_single_cover() -> None:
    notes = _notes("both rocker covers leaking").with_columns(
        cover_positions=pl.lit(None, pl.String), engine_id=pl.lit(None, pl.String)
    )
    assert [row["cover_position"] for row in _rows(evidence(notes, NO_ORDERS, NO_WORK))] == ["only"]
