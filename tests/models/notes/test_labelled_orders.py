"""The reading of orders against orders labelled by hand; README.md beside them says how."""

import csv
from pathlib import Path

import polars as pl
import pytest

from models.notes import read_orders

FAMILIES = pl.DataFrame(
    {
        "engine_family": ["A-4"],
        "cover_positions": ["only"],
        "gasket_part": ["A4-G01"],
        "seal_part": ["A4-S04"],
        "bolt_part": ["A4-B22"],
    }
)
REPAIR = "repair"
LABELLED, BLIND = "labelled_orders.csv", "blind_orders.csv"
FLOORS = {
    (LABELLED, "tuning"): (0.94, 0.94, 0.94),
    (LABELLED, "untouched"): (0.97, 0.94, 0.91),
    (LABELLED, "later"): (0.96, 0.88, 0.84),
    (BLIND, "tuning"): (0.97, 0.96, 0.88),
    (BLIND, "untouched"): (0.92, 0.89, 0.78),
}
"""Least precision and recall of "is a cover repair", and share of the repairs whose method and modifiers are right."""


def _labelled(file: str, half: str) -> list[dict[str, str]]:
    with Path(__file__).with_name(file).open(encoding="utf-8", newline="") as rows:
        return [row for row in csv.DictReader(rows) if row["half"] == half]


def _read(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    orders = pl.DataFrame(
        [
            {name: row[name] or None for name in ("complaint", "work_done", "parts")}
            | {"order_id": f"{number:04d}", "vehicle_id": "v", "engine_family": "A-4", "cover_positions": "only"}
            for number, row in enumerate(rows)
        ]
    ).with_columns(
        opened_on=pl.date(2024, 3, 5),
        completed_on=pl.lit(None, dtype=pl.Date),
        job_code=pl.lit(None, dtype=pl.String),
        status=pl.lit(None, dtype=pl.String),
    )
    return read_orders(orders, FAMILIES).sort("order_id").to_dicts()


def _modifiers(read: dict[str, str]) -> set[str]:
    said = {
        "bolts_renewed": read["has_new_bolts"] and read["repair_method"] == "gasket",
        "ventilation_serviced": read["is_ventilation_serviced"],
        "faces_machined": read["is_faces_machined"],
    }
    return {name for name, is_said in said.items() if is_said}


@pytest.mark.parametrize(("file", "half"), FLOORS)
def test_orders_are_as_labelled(file: str, half: str) -> None:
    rows = _labelled(file, half)
    assert len(rows) >= 40
    pairs = list(zip(rows, _read(rows), strict=True))
    repairs = [(row, read) for row, read in pairs if row["work"] == REPAIR]
    found = [(row, read) for row, read in pairs if read["work"] == REPAIR]
    both = [(row, read) for row, read in repairs if read["work"] == REPAIR]
    right = [
        row["repair_method"] == read["repair_method"] and set(row["modifiers"].split()) == _modifiers(read)
        for row, read in both
    ]
    least = FLOORS[file, half]
    assert len(both) / len(found) >= least[0]
    assert len(both) / len(repairs) >= least[1]
    assert sum(right) / len(repairs) >= least[2]
