"""What a run does with its checks: warnings stop nothing, a misread file stops publishing, and each change is kept."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import dagster as dg
import duckdb
import polars as pl
import pytest

from models.errors import CheckFailedError
from models.tables import conform
from models.tables.audit import Checks
from pipelines.home import Home
from pipelines.publishing import read_published
from pipelines.refreshing import refresh
from pipelines.validation.asset_checks import CHANGES_KEPT, keep_results
from pipelines.warehouse import Warehouse

AS_OF = date(2026, 6, 30)


def _write_orders(home: Home, name: str, days: Sequence[str]) -> None:
    rows = "".join(f"{name}-{number},V1,Quay,{day},cover gasket renewed\n" for number, day in enumerate(days))
    (home.inbox / f"{name}.csv").write_text("order_id,vehicle_id,site,opened_at,work_done\n" + rows)


def _result(passed: bool, figure: float, *, check: str = "rows_refused") -> pl.DataFrame:
    row = {"layer": "audit", "table_name": "loads", "check_name": check, "column_name": "refused", "passed": passed}
    numbers = {"is_blocking": False, "rows_checked": 100, "rows_failed": round(100 * figure), "figure": figure}
    said = {
        "threshold": 0.05,
        "detail": f"{figure:.0%} of 100 rows",
        "means": "Few rows are refused.",
        "remedy": "Look.",
    }
    return conform(pl.DataFrame([row | numbers | said]), Checks)


@pytest.fixture
def warehouse(tmp_path: Path) -> Warehouse:
    made = Warehouse(tmp_path / "releak.duckdb")
    made.prepare()
    return made


def _history(warehouse: Warehouse) -> list[tuple[str, int, bool, float]]:
    return warehouse.select(
        "SELECT check_name, change, passed, figure FROM audit.check_history ORDER BY check_name, change"
    ).rows()


def test_the_history_has_a_row_where_outcome_or_figure_changed_and_none_where_not(warehouse: Warehouse) -> None:
    for passed, figure in [(True, 0.01), (True, 0.01), (True, 0.02), (False, 0.2), (False, 0.2), (True, 0.02)]:
        keep_results(warehouse, _result(passed, figure))
    assert _history(warehouse) == [
        ("rows_refused", 1, True, 0.01),
        ("rows_refused", 2, True, 0.02),
        ("rows_refused", 3, False, 0.2),
        ("rows_refused", 4, True, 0.02),
    ]
    assert warehouse.select("SELECT passed FROM audit.checks").rows() == [(True,)]


def test_the_history_keeps_the_newest_changes_of_each_check_and_their_numbers(warehouse: Warehouse) -> None:
    keep_results(warehouse, _result(True, 0.0, check="one_day"))
    for number in range(CHANGES_KEPT + 5):
        keep_results(warehouse, _result(True, number / 1_000))
    kept = _history(warehouse)
    assert kept[0] == ("one_day", 1, True, 0.0)
    assert [change for name, change, *_ in kept if name == "rows_refused"] == list(range(6, CHANGES_KEPT + 6))


def test_results_that_the_history_cannot_take_leave_the_last_ones_standing(warehouse: Warehouse) -> None:
    keep_results(warehouse, _result(True, 0.01))
    with warehouse.connect() as connection:
        connection.execute("DROP TABLE audit.check_history")
    with pytest.raises(duckdb.CatalogException, match="check_history"):
        keep_results(warehouse, _result(False, 0.3))
    assert warehouse.select("SELECT passed, figure FROM audit.checks").rows() == [(True, 0.01)]


def test_a_warehouse_of_an_earlier_version_gets_the_columns_it_lacks(tmp_path: Path) -> None:
    older = Warehouse(tmp_path / "releak.duckdb")
    with older.connect() as connection:
        connection.execute("CREATE SCHEMA audit")
        connection.register("results", _result(True, 0.0).drop("figure", "threshold", "means", "remedy"))
        connection.execute("CREATE TABLE audit.checks AS FROM results")
    older.prepare()
    keep_results(older, _result(False, 0.3))
    assert older.select("SELECT figure, means FROM audit.checks").rows() == [(0.3, "Few rows are refused.")]


def test_a_misread_file_stops_publishing_where_wanted_and_its_correction_lets_it_go_on(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.prepare()
    home.settings_file.write_text("[checks]\nrefused_share_blocks = 0.5\n")
    (home.inbox / "vehicles.csv").write_text("vehicle_id,engine_family,site,in_service_on\nV1,KT-4,Quay,2020-01-01\n")
    days = [f"2026-{month:02d}-{day:02d}" for month in (3, 4) for day in range(1, 31)]
    home.sources_file.write_text('[[source]]\nname = "orders"\nfiles = "orders_*.csv"\nkind = "work_orders"\n')
    _write_orders(home, "orders_1", days)
    refresh(home, as_of=AS_OF)
    first = home.snapshot()
    warned = read_published(home, "SELECT check_name, is_blocking FROM checks WHERE NOT passed ORDER BY ALL")
    assert (
        warned.rows() == [("families_unknown", False), ("odometer_missing", False), ("unwatched_vehicles", False)][:2]
    )

    _write_orders(home, "orders_2", [f"{day[8:]}/{day[5:7]}/2026" for day in days])
    with pytest.raises(
        CheckFailedError, match=r"keeps serving.*loads\.most_rows_refused: 100\.0% of 60 rows: orders_2"
    ):
        refresh(home, as_of=AS_OF)
    assert home.snapshot() == first

    _write_orders(home, "orders_3", days)
    refresh(home, as_of=AS_OF)
    assert home.snapshot() != first
    told = read_published(
        home, "SELECT passed FROM check_history WHERE check_name = 'most_rows_refused' ORDER BY change"
    )
    assert told["passed"].to_list() == [True, False, True]
    with dg.DagsterInstance.from_config(str(home.dagster)) as instance:
        run = instance.get_runs(limit=1)[0]
        events = instance.all_logs(run.run_id, of_type=dg.DagsterEventType.ASSET_CHECK_EVALUATION)
        found = {event.get_dagster_event().asset_check_evaluation_data.check_name: event for event in events}
        warning = found["odometer_missing"].get_dagster_event().asset_check_evaluation_data
        assert (warning.passed, warning.severity) == (False, dg.AssetCheckSeverity.WARN)
