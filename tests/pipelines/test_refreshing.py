"""From an inbox to a published snapshot and back: the whole graph on a small simulated fleet."""

import shutil
from datetime import date
from pathlib import Path

import dagster as dg
import polars as pl
import pytest

from models.errors import CheckFailedError, ReleakError, SettingsError, SourceMapError
from models.tables import LAYERS
from pipelines.definitions import defs
from pipelines.defs.publish.automation import inbox
from pipelines.defs.records.assets import REASONS_NAMED
from pipelines.home import Home
from pipelines.publishing import left_out_of, read_published
from pipelines.refreshing import refresh
from pipelines.simulating import simulate
from pipelines.validation.suites import BETWEEN_COLUMNS, Rule
from tests.answers import PUBLISHED, answers

AS_OF = date(2026, 6, 30)
CLOCK_COLUMNS = {"snapshots": ["published_at"], "check_history": ["checked_at"]}


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Home:
    out = tmp_path_factory.mktemp("fleet")
    simulate(out, vehicles=60, years=3.0, seed=3)
    home = Home(out)
    refresh(home)
    return home


def _tables(home: Home) -> dict[str, pl.DataFrame]:
    return {table: frame.drop(CLOCK_COLUMNS.get(table, [])) for table, frame in answers(home, PUBLISHED).items()}


def test_every_load_adds_up_and_the_refused_rows_are_those_the_simulation_spoilt(published: Home) -> None:
    loads = read_published(published, "FROM loads")
    assert loads["problem"].drop_nulls().is_empty()
    assert (
        loads["rows_read"]
        == loads.select(pl.sum_horizontal("accepted", "refused", "duplicate", "superseded")).to_series()
    ).all()
    refused = read_published(published, "FROM refused_rows").select("file", "row_number")
    spoilt = pl.read_csv(published.path / "truth" / "refused.csv").select("file", "row_number")
    assert sorted(spoilt.rows()) == sorted(refused.rows())
    assert refused.height == loads["refused"].sum()


def test_what_was_left_out_is_said_in_a_sentence(published: Home) -> None:
    (said,) = left_out_of(published)
    refused = read_published(published, "SELECT count(*) AS n FROM refused_rows")["n"].item()
    assert said.startswith(f"{refused} of ")
    assert "data.html" in said


def test_rows_refused_of_a_file_that_was_mended_since_are_no_longer_said_to_be_left_out(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.prepare()
    (home.inbox / "vehicles.csv").write_text("vehicle_id,engine_family,site,in_service_on\nV1,F1,North,2020-01-01\n")
    log = home.inbox / "oil_top_ups.csv"
    log.write_text("vehicle_id,topped_up_at,volume\nV1,1/2/24,0.5\n")
    refresh(home, as_of=AS_OF)
    (said,) = left_out_of(home)
    assert said.startswith("1 of 2 rows")
    log.write_text("vehicle_id,topped_up_at,volume\nV1,2024-02-01,0.5\n")
    refresh(home, as_of=AS_OF)
    assert read_published(home, "FROM refused_rows").height == 1
    assert left_out_of(home) == []


def test_reading_the_same_files_again_changes_nothing(published: Home) -> None:
    before, file = _tables(published), published.snapshot()
    refresh(published)
    after = _tables(published)
    assert published.snapshot() == file
    assert [table for table in before if not before[table].equals(after[table])] == []


def test_most_episodes_have_their_true_status(published: Home) -> None:
    truth = pl.read_csv(published.path / "truth" / "episodes.csv", infer_schema_length=None)
    built = read_published(published, "FROM episodes")
    beside = built.join(
        truth.select("order_id", "cover_position", true_status="status"), on=["order_id", "cover_position"], how="full"
    )
    right = beside.filter(pl.col("status") == pl.col("true_status")).height
    assert beside.height > 20
    assert right / beside.height >= 0.9


def test_a_failed_check_names_itself_and_leaves_the_last_snapshot_serving(
    published: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = Home(tmp_path / "fleet")
    shutil.copytree(published.path, home.path, symlinks=True)
    file = home.snapshot()
    monkeypatch.setitem(BETWEEN_COLUMNS, "episodes", (Rule("never_holds", "days", "days >= 0"),))
    with pytest.raises(CheckFailedError, match=r"keeps serving.*episodes\.never_holds"):
        refresh(home, as_of=date(2026, 6, 29))
    assert home.snapshot() == file
    assert read_published(home, "SELECT count(*) AS n FROM episodes")["n"].item() > 0


@pytest.mark.parametrize(
    ("name", "text", "error"),
    [
        ("settings.toml", "[flags]\nhorizon_days = 0\n", SettingsError),
        ("sources.toml", '[[source]]\nname = "x"\nfiles = "*"\nkind = "orders"\n', SourceMapError),
    ],
)
def test_a_wrong_settings_or_sources_file_stops_the_run_with_its_own_error(
    tmp_path: Path, name: str, text: str, error: type[Exception]
) -> None:
    home = Home(tmp_path)
    home.prepare()
    (home.inbox / "vehicles.csv").write_text("vehicle_id,engine_family,site,in_service_on\nV,F,S,2020-01-01\n")
    (tmp_path / name).write_text(text)
    with pytest.raises(error, match=name):
        refresh(home)


def test_a_fleet_without_vehicles_is_not_published_over_a_good_one(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.prepare()
    (home.inbox / "inspection_notes.csv").write_text("vehicle_id,noted_at,text\nV1,2024-01-01,dry\n")
    (home.inbox / "fleet list.csv").write_text("Unit,Family\nV1,F1\n")
    (home.inbox / "vehicles.csv").write_text("vehicle_id,engine_family,site,in_service_on\nV1,F1,North,1.2.2020\n")
    with pytest.raises(ReleakError, match=r"No vehicle stands.*vehicles\.csv") as stopped:
        refresh(home)
    assert "1 row (vehicles.csv): in_service_on is not an ISO date" in str(stopped.value)
    assert "1 file (fleet list.csv): no source map matches" in str(stopped.value)
    assert not home.pointer.exists()


def test_an_error_about_vehicles_tells_the_commonest_reasons_and_counts_the_others(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.prepare()
    for number in range(REASONS_NAMED + 3):
        (home.inbox / f"inspection_notes_{number}.csv").write_text(f"vehicle_id,noted_at,remark {number}\n")
    with pytest.raises(ReleakError) as stopped:
        refresh(home)
    files = [line for line in str(stopped.value).splitlines() if " file" in line and "notes_" in line]
    assert len(files) == REASONS_NAMED
    assert str(stopped.value).endswith("3 more files, for 3 other reasons")


def test_the_graph_has_an_asset_for_every_table_and_a_blocking_check_on_each_but_the_last() -> None:
    graph = defs().get_repository_def().asset_graph
    tables = {table for tables in LAYERS.values() for table in tables} - {"checks", "check_history"}
    names = {key.to_user_string() for key in graph.get_all_asset_keys()}
    assert names == tables | {"landed_files", "report"}
    checked = {key.asset_key.to_user_string() for key in graph.asset_check_keys if graph.get(key).blocking}
    assert checked == tables - {"snapshots"}


def test_the_runs_of_the_command_are_recorded_where_dagster_shows_them_with_telemetry_off(published: Home) -> None:
    with dg.DagsterInstance.from_config(str(published.dagster)) as instance:
        run = instance.get_runs(limit=1)[0]
        assert (run.job_name, run.status) == ("refresh", dg.DagsterRunStatus.SUCCESS)
        assert not instance.telemetry_enabled
        event = instance.get_latest_materialization_event(dg.AssetKey("episodes"))
        assert event is not None
        metadata = event.asset_materialization.metadata
        assert metadata["rows"].value == read_published(published, "SELECT count(*) AS n FROM episodes")["n"].item()
        assert "seconds" in metadata
        assert "svg" in metadata["rows a month"].value


def test_dagster_shows_a_run_while_it_lasts_and_its_files_are_closed_after_it(published: Home, tmp_path: Path) -> None:
    home = Home(shutil.copytree(published.path, tmp_path / "fleet", symlinks=True))
    seen: dict[str, tuple[dg.DagsterRunStatus, int]] = {}

    def look(step: str, _: int) -> None:
        if step in ("landed_files", "report"):
            with dg.DagsterInstance.from_config(str(home.dagster)) as instance:
                (run,) = instance.get_runs(limit=1)
                seen[step] = run.status, len(instance.all_logs(run.run_id))

    refresh(home, on_step=look)
    (first, early), (last, late) = seen["landed_files"], seen["report"]
    assert first == last == dg.DagsterRunStatus.STARTED
    assert 0 < early < late
    assert list(home.dagster.rglob("*.db-wal")) == []


def test_the_sensor_waits_until_the_inbox_holds_still_and_starts_one_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = Home(tmp_path)
    home.prepare()
    monkeypatch.setenv("RELEAK_HOME", str(tmp_path))
    answers, cursor = [], None
    for look in range(5):
        if look in (0, 1):
            (home.inbox / "work_orders.csv").write_text("x" * (look + 1))
        with dg.build_sensor_context(cursor=cursor) as context:
            answers.append(type(inbox(context)).__name__)
            cursor = context.cursor
    assert answers == ["SkipReason", "SkipReason", "RunRequest", "SkipReason", "SkipReason"]
