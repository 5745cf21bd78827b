"""Tables of every kind, written in every format and mess: each row is read back as it was meant, or refused by name."""

import math
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.records import LandedLoad, build_records, tally
from models.records.landed import joined
from models.settings import FleetSettings
from models.tables.records import TABLES
from pipelines.home import Home
from pipelines.landing import land_inbox, source_maps
from pipelines.recording import account, record
from pipelines.sources import inbox_files, load_source_maps, match, read_rows
from pipelines.warehouse import Warehouse
from tests.pipelines.sources.facts import AS_OF
from tests.pipelines.sources.messy_exports import Inbox, inboxes

EXAMPLES = int(os.environ.get("RELEAK_WRITTEN_TABLES", "10"))
"""Inboxes of each kind that are written and read; more with the environment variable, by hand."""
LANDED_EXAMPLES = EXAMPLES // 2
"""Inboxes that go through a warehouse, of any kind."""


@pytest.mark.parametrize("kind", TABLES)
@pytest.mark.timeout(7_200)
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_what_is_written_is_read_back_or_refused_by_name(tmp_path_factory, kind: str, data: st.DataObject) -> None:
    check(data.draw(inboxes(kind)), tmp_path_factory.mktemp("inbox"))


def check(inbox: Inbox, folder: Path) -> None:
    """Write an inbox, read it file by file and hold every row to what must become of it."""
    sources = folder / ".sources.toml"
    sources.write_text(inbox.write(folder), encoding="utf-8")
    landed: dict[str, list[LandedLoad]] = {}
    for load in _landed(folder, sources):
        landed.setdefault(load.conversion.kind, []).append(load)
    result = build_records(landed, as_of=AS_OF)
    _check_outcomes(result.outcomes, result.refused, inbox)
    _check_account(tally(result.outcomes), inbox)
    _check_table(result.tables[inbox.kind], inbox)


def _landed(folder: Path, sources: Path) -> Iterator[LandedLoad]:
    """Every file's rows; each load is named after its file."""
    maps = load_source_maps(sources)
    at = datetime(2024, 7, 1, tzinfo=UTC)
    for name in inbox_files(folder):
        (source,) = match(name, maps)
        file = read_rows(folder / name, source)
        yield LandedLoad(name, source.name, name, at, file.header, source.conversion(), joined(file.batches))


@pytest.mark.timeout(7_200)
@settings(max_examples=LANDED_EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
@given(inbox=st.sampled_from(list(TABLES)).flatmap(inboxes))
def test_what_lands_in_a_warehouse_is_accounted_for_as_published(tmp_path_factory, inbox: Inbox) -> None:
    home = Home(tmp_path_factory.mktemp("home"))
    home.prepare()
    home.sources_file.write_text(inbox.write(home.inbox), encoding="utf-8")
    warehouse = Warehouse(home.warehouse)
    warehouse.prepare()
    files = dict(land_inbox(warehouse, home).select("load_id", "file").rows())
    record(warehouse, source_maps(home), as_of=AS_OF, fleet=FleetSettings(show_technicians=True))
    published = account(warehouse)
    outcomes = warehouse.select("FROM landing.outcomes")
    in_files = pl.col("load_id").replace_strict(files)
    _check_outcomes(outcomes.with_columns(in_files), published["refused_rows"].with_columns(in_files), inbox)
    _check_account(published["loads"].with_columns(in_files), inbox)
    _check_table(warehouse.read("records", inbox.kind).with_columns(in_files), inbox)


def _check_outcomes(outcomes: pl.DataFrame, refused: pl.DataFrame, inbox: Inbox) -> None:
    """Every row has the outcome that it must, every refusal its file, column, value and reason."""
    ours = outcomes.filter(pl.col("load_id").is_in(list(inbox.rows_written)))
    found = {
        (file, number): outcome for file, number, outcome in ours.select("load_id", "row_number", "outcome").rows()
    }
    rows = {(row["load_id"], row["row_number"]): row for row in refused.rows(named=True)}
    assert found == inbox.verdict.outcomes, list(rows.values())
    for place, (column, reason, value) in inbox.verdict.refused.items():
        row = rows[place]
        assert (row["column_name"], row["kind"], row["file"]) == (column, inbox.kind, place[0]), row
        assert reason in row["reason"], row
        assert value is None or row["value"] == value, row


def _check_account(counts: pl.DataFrame, inbox: Inbox) -> None:
    """Rows read are the rows written, and each is accepted, refused (held ones too), duplicate or superseded."""
    read = {row["load_id"]: row for row in counts.rows(named=True) if row["load_id"] in inbox.rows_written}
    assert {file: row["rows_read"] for file, row in read.items()} == inbox.rows_written
    for row in read.values():
        assert row["rows_read"] == row["accepted"] + row["refused"] + row["duplicate"] + row["superseded"]


def _check_table(table: pl.DataFrame, inbox: Inbox) -> None:
    """The rows of the table are the canonical ones that stand, and no others."""
    rows = {(row["load_id"], row["row_number"]): row for row in table.rows(named=True)}
    ours = {place: row for place, row in rows.items() if place[0] in inbox.rows_written}
    assert ours.keys() == inbox.verdict.standing.keys()
    for place, meant in inbox.verdict.standing.items():
        given = {name: value for name, value in meant.items() if name != "note_id" or value is not None}
        differing = {
            name: (ours[place][name], value) for name, value in given.items() if _differs(ours[place][name], value)
        }
        assert not differing, (place, differing)


def _differs(found: Any, meant: Any) -> bool:
    if isinstance(meant, Decimal):
        return not (isinstance(found, float) and math.isclose(found, meant, rel_tol=1e-9, abs_tol=1e-9))
    return found != meant or type(found) is not type(meant)
