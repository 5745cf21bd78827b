"""Readers see the old snapshot or the new one, whole, whatever the writer is doing."""

from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from models.errors import NothingPublishedError
from models.settings import Settings
from models.tables import LAYERS
from pipelines.home import Home
from pipelines.publishing import KEPT_SNAPSHOTS, describe_snapshot, publish, read_published, record_snapshot
from pipelines.warehouse import Warehouse

AS_OF = date(2026, 6, 30)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "a home with 'quotes'")
    made.prepare()
    return made


@pytest.fixture
def warehouse(home: Home) -> Warehouse:
    made = Warehouse(home.warehouse)
    made.prepare()
    for layer, tables in LAYERS.items():
        for table, schema in tables.items():
            made.write(layer, table, schema.create_empty())
    return made


def _with_sites(warehouse: Warehouse, *sites: str) -> None:
    rows = pl.DataFrame({"site": sites, "n": 1, "observed": 0, "expected": 0.5})
    warehouse.write("measures", "site_comparison", rows)


def test_nothing_published_names_the_home_and_the_remedy(home: Home) -> None:
    with pytest.raises(NothingPublishedError, match=r"quotes.*inbox.*releak run"):
        home.snapshot()


def test_a_snapshot_holds_every_declared_table_in_the_main_schema(home: Home, warehouse: Warehouse) -> None:
    publish(warehouse, home, snapshot_id="one")
    found = read_published(home, "SELECT table_name FROM information_schema.tables WHERE table_schema = 'main'")
    assert set(found["table_name"]) == {table for tables in LAYERS.values() for table in tables}


def test_a_reader_that_has_the_old_snapshot_open_keeps_it(home: Home, warehouse: Warehouse) -> None:
    _with_sites(warehouse, "Ossel Quay")
    publish(warehouse, home, snapshot_id="one")
    with duckdb.connect(home.snapshot(), read_only=True) as reader:
        _with_sites(warehouse, "Ossel Quay", "Tarn Head")
        publish(warehouse, home, snapshot_id="two")
        assert reader.sql("SELECT count(*) FROM site_comparison").fetchall() == [(1,)]
    assert read_published(home, "SELECT count(*) AS n FROM site_comparison")["n"].item() == 2


def test_what_a_killed_run_left_is_swept_and_only_the_newest_are_kept(home: Home, warehouse: Warehouse) -> None:
    (home.published / "releak-dead.building").write_bytes(b"half a file")
    for number in range(KEPT_SNAPSHOTS + 2):
        publish(warehouse, home, snapshot_id=f"s{number}")
    kept = sorted(file.name for file in home.published.iterdir() if not file.is_symlink())
    assert kept == ["releak-s2.duckdb", "releak-s3.duckdb", "releak-s4.duckdb"]
    assert home.snapshot().name == "releak-s4.duckdb"


def test_the_same_inputs_and_settings_give_the_same_snapshot_and_others_another(warehouse: Warehouse) -> None:
    loads = pl.DataFrame({"load_id": ["a"], "content_digest": ["d"]})
    first = describe_snapshot(loads, settings=Settings(), as_of=AS_OF)["snapshot_id"].item()
    assert describe_snapshot(loads, settings=Settings(), as_of=AS_OF)["snapshot_id"].item() == first
    stricter = Settings.model_validate({"episodes": {"comeback_days": 30}})
    others = {
        describe_snapshot(loads, settings=stricter, as_of=AS_OF)["snapshot_id"].item(),
        describe_snapshot(loads, settings=Settings(), as_of=date(2026, 7, 1))["snapshot_id"].item(),
        describe_snapshot(loads.with_columns(content_digest=pl.lit("e")), settings=Settings(), as_of=AS_OF)[
            "snapshot_id"
        ].item(),
    }
    assert len(others | {first}) == 4


def test_publishing_again_renews_the_snapshots_row(warehouse: Warehouse) -> None:
    loads = pl.DataFrame({"load_id": ["a"], "content_digest": ["d"]})
    snapshot = describe_snapshot(loads, settings=Settings(), as_of=AS_OF)
    record_snapshot(warehouse, snapshot)
    assert record_snapshot(warehouse, snapshot).height == 1
