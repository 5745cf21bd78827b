"""What must become of rows, by the rules of duplicates, corrections and order lines written out again row by row."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from tests.pipelines.sources.facts import Fact

Place = tuple[str, int]
"""A row's file and number."""
Content = tuple[tuple[str, Any], ...]

KEYS = {
    "engine_families": ("engine_family",),
    "vehicles": ("vehicle_id",),
    "engine_fitments": ("vehicle_id", "engine_id", "fitted_on"),
    "work_orders": ("order_id",),
    "repair_records": ("order_id", "cover_position"),
}


@dataclass(frozen=True)
class Written:
    """A row as it stands in a file.

    Args:
        file: Name of the file.
        row_number: Where a spreadsheet shows it.
        row: The canonical row as the records hold it; None where the row holds none.
        column: What is wrong with it, if anything: `(row)` for the whole.
        reason: Words that say why.
        value: The bad cell as it stands there, where that is certain.
    """

    file: str
    row_number: int
    row: Fact | None
    column: str | None = None
    reason: str = ""
    value: str | None = None

    @property
    def place(self) -> Place:
        """The row's file and number."""
        return self.file, self.row_number


@dataclass(frozen=True)
class Verdict:
    """What must become of rows.

    Args:
        outcomes: Place of each row to accepted, duplicate, superseded or refused.
        refused: Place of each refused row to its column, the reason and the value.
        standing: Places of the rows in the table to what stands there.
    """

    outcomes: dict[Place, str]
    refused: dict[Place, tuple[str, str, str | None]]
    standing: dict[Place, Fact]


def judged(kind: str, rows: Sequence[Written]) -> Verdict:
    """Say what must become of the rows of one kind, given in the order of their files and of their numbers."""
    refused = {row.place: (row.column, row.reason, row.value) for row in rows if row.column is not None}
    sound = [row for row in rows if row.column is None]
    if kind == "work_orders":
        outcomes, standing, astray = _orders(sound)
        refused |= astray
    else:
        outcomes, standing = _keyed(kind, sound)
    return Verdict(outcomes | dict.fromkeys(refused, "refused"), refused, standing)


def _content(row: Fact) -> Content:
    return tuple(sorted(row.items()))


def _key(kind: str, row: Fact) -> Content:
    names = KEYS.get(kind) or (("note_id",) if row.get("note_id") else tuple(row))
    return tuple((name, row[name]) for name in sorted(names))


def _keyed(kind: str, rows: Iterable[Written]) -> tuple[dict[Place, str], dict[Place, Fact]]:
    """Of each key, a row that says what the one before it says is a duplicate; another one supersedes it."""
    outcomes: dict[Place, str] = {}
    last: dict[Content, Written] = {}
    for row in rows:
        assert row.row is not None
        before = last.get(key := _key(kind, row.row))
        if before and before.row == row.row:
            outcomes[row.place] = "duplicate"
            continue
        if before:
            outcomes[before.place] = "superseded"
        outcomes[row.place], last[key] = "accepted", row
    return outcomes, {row.place: row.row for row in last.values() if row.row is not None}


def _orders(rows: Iterable[Written]) -> tuple[dict[Any, str], dict[Any, Fact], dict[Any, tuple[str, str, str]]]:
    """Of each order, the lines of the last file that says something new stand, folded; lines a file repeats are one."""
    outcomes: dict[Any, str] = {}
    astray: dict[Any, tuple[str, str, str]] = {}
    last: dict[str, list[Written]] = {}
    for _, in_file in groupby(rows, key=lambda row: row.file):
        by_order: dict[str, list[Written]] = {}
        for row in in_file:
            lines = by_order.setdefault(row.row["order_id"], [])
            vehicle = row.row["vehicle_id"]
            if lines and lines[0].row["vehicle_id"] != vehicle:
                astray[row.place] = ("vehicle_id", "is another vehicle than", vehicle)
            elif any(line.row == row.row for line in lines):
                outcomes[row.place] = "duplicate"
            else:
                lines.append(row)
        for order, lines in by_order.items():
            before = last.get(order, [])
            if {_content(line.row) for line in before} == {_content(line.row) for line in lines}:
                outcomes |= {line.place: "duplicate" for line in lines}
                continue
            outcomes |= {line.place: "superseded" for line in before} | {line.place: "accepted" for line in lines}
            last[order] = lines
    return outcomes, {lines[0].place: _folded([line.row for line in lines]) for lines in last.values()}, astray


def _folded(lines: list[Fact]) -> Fact:
    """One order of its lines."""
    given = {name: [line[name] for line in lines if line[name] is not None] for name in lines[0]}
    order = {name: values[0] if values else None for name, values in given.items()}
    for name in ("work_done", "complaint", "job_code", "parts"):
        texts = dict.fromkeys(text for text in given[name] if text)
        order[name] = "; ".join(texts) if given[name] else None
    order |= {name: sum(given[name]) for name in ("labour_hours", "parts_cost", "labour_cost") if given[name]}
    opened, order["line_count"] = min(lines, key=lambda line: line["opened_at"]), len(lines)
    order |= {name: opened[name] for name in ("opened_at", "opened_on")}
    if given["completed_at"]:
        completed = max((line for line in lines if line["completed_at"]), key=lambda line: line["completed_at"])
        order |= {name: completed[name] for name in ("completed_at", "completed_on")}
    if given["status"]:
        order["status"] = given["status"][-1]
    return order
