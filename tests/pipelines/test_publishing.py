"""Readers see the old snapshot or the new one, whole, whatever the writer is doing."""

from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from models.errors import NothingPublishedError, UsageError
from models.settings import Settings
from models.tables import LAYERS
from pipelines.home import Home
from pipelines.publishing import KEPT_SNAPSHOTS, describe_snapshot, publish, read_published
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


def _named(snapshot_id: str) -> pl.DataFrame:
    described = describe_snapshot([], settings=Settings(), as_of=AS_OF)
    return described.with_columns(snapshot_id=pl.lit(snapshot_id))


def _with_sites(warehouse: Warehouse, *sites: str) -> None:
    rows = pl.DataFrame(
        {
            "site": sites,
            "time_scale": "days",
            "n": 1,
            "observed": 0,
            "expected": 0.5,
            "exposure": 1.0,
            "crude_expected": 0.5,
        }
    )
    warehouse.write("measures", "site_comparison", rows)


def test_nothing_published_names_the_home_and_the_remedy(home: Home) -> None:
    with pytest.raises(NothingPublishedError, match=r"quotes.*inbox.*releak run"):
        home.snapshot()


def test_a_snapshot_holds_every_declared_table_in_the_main_schema(home: Home, warehouse: Warehouse) -> None:
    publish(warehouse, home, _named("one"))
    found = read_published(home, "SELECT table_name FROM information_schema.tables WHERE table_schema = 'main'")
    assert set(found["table_name"]) == {table for tables in LAYERS.values() for table in tables}


def test_a_reader_that_has_the_old_snapshot_open_keeps_it(home: Home, warehouse: Warehouse) -> None:
    _with_sites(warehouse, "Ossel Quay")
    publish(warehouse, home, _named("one"))
    with duckdb.connect(home.snapshot(), read_only=True) as reader:
        _with_sites(warehouse, "Ossel Quay", "Tarn Head")
        publish(warehouse, home, _named("two"))
        assert reader.sql("SELECT count(*) FROM site_comparison").fetchall() == [(1,)]
    assert read_published(home, "SELECT count(*) AS n FROM site_comparison")["n"].item() == 2


def test_what_a_killed_run_left_is_swept_and_only_the_newest_are_kept(home: Home, warehouse: Warehouse) -> None:
    (home.published / "releak-dead.building").write_bytes(b"half a file")
    for number in range(KEPT_SNAPSHOTS + 2):
        publish(warehouse, home, _named(f"s{number}"))
    kept = sorted(file.name for file in home.published.iterdir() if not file.is_symlink())
    assert kept == ["releak-s2.duckdb", "releak-s3.duckdb", "releak-s4.duckdb"]
    assert home.snapshot().name == "releak-s4.duckdb"


def test_what_went_in_decides_the_snapshots_identifier() -> None:
    def named(inputs: list[tuple[str, str]], settings: Settings, as_of: date) -> str:
        return describe_snapshot(inputs, settings=settings, as_of=as_of)["snapshot_id"].item()

    inputs = [("a", "{map}"), ("b", "{map}")]
    stricter = Settings.model_validate({"episodes": {"comeback_days": 30}})
    first = named(inputs, Settings(), AS_OF)
    assert named(inputs[::-1], Settings(), AS_OF) == first
    others = {
        named(inputs, stricter, AS_OF),
        named(inputs, Settings(), date(2026, 7, 1)),
        named([("a", "{map}")], Settings(), AS_OF),
        named([("a", "{other map}"), ("b", "{map}")], Settings(), AS_OF),
    }
    assert len(others | {first}) == 5


def test_a_snapshot_is_listed_once_and_lists_itself(home: Home, warehouse: Warehouse) -> None:
    for _ in range(2):
        publish(warehouse, home, _named("one"))
    publish(warehouse, home, _named("two"))
    assert warehouse.read("audit", "snapshots")["snapshot_id"].sort().to_list() == ["one", "two"]
    assert read_published(home, "SELECT count(*) AS n FROM snapshots")["n"].item() == 2


@pytest.mark.parametrize(
    ("query", "says"), [("", "asks nothing"), ("  ", "asks nothing"), ("SELECT 1; SELECT 2", "one")]
)
def test_a_query_that_asks_nothing_or_too_much_is_told_so(
    home: Home, warehouse: Warehouse, query: str, says: str
) -> None:
    publish(warehouse, home, _named("one"))
    with pytest.raises(UsageError, match=says):
        read_published(home, query)


@pytest.mark.parametrize(
    "query",
    [
        "COPY flags TO '{tmp}/out.csv'",
        "EXPORT DATABASE '{tmp}/out'",
        "FROM read_csv('/etc/passwd')",
        "ATTACH '{tmp}/out.duckdb'",
        "INSTALL httpfs",
        "DROP TABLE flags",
        "SET enable_external_access = true",
    ],
)
def test_a_query_reads_the_snapshot_and_reaches_nothing_else(
    home: Home, warehouse: Warehouse, tmp_path: Path, query: str
) -> None:
    publish(warehouse, home, _named("one"))
    with pytest.raises(duckdb.Error):
        read_published(home, query.format(tmp=tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == [home.path.name]
