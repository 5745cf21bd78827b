"""A run touches only what new files mention, and leaves the tables that a rebuild from scratch makes."""

import os
import random
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from types import MappingProxyType

import polars as pl
import pytest

from models.notes import AddedLexicon
from models.settings import OilRules, Settings
from models.tables import LAYERS
from pipelines.defs.measures.assets import assets as measures
from pipelines.defs.plan.assets import flags, leaks_out_of_sight, parts, plan
from pipelines.defs.publish.assets import snapshots
from pipelines.fleet_home import FleetHome
from pipelines.home import Home
from pipelines.landing import land_inbox, source_maps
from pipelines.ledger import STEPS, bring_up_to_date
from pipelines.recording import TRACE, account, record
from pipelines.settings import read_settings
from pipelines.simulating import simulate
from pipelines.validation.asset_checks import keep_results
from pipelines.validation.surprises import SURPRISES, look
from pipelines.warehouse import Warehouse
from tests.answers import PUBLISHED, answers

ORDERS = int(os.environ.get("RELEAK_ARRIVAL_ORDERS", "3"))
"""Random arrival orders tried; more with the environment variable, by hand."""
CLOCK_COLUMNS = {"loads": ["loaded_at", "overruled"], "snapshots": ["published_at"]}
"""What the time a file arrived, or a run ended, decides."""
CLOCK_TABLES = ("check_history",)
OF_FILES = {
    "loads": "FROM loads WHERE false",
    "refused_rows": "SELECT kind, column_name, value, reason FROM refused_rows ORDER BY ALL",
    "snapshots": "SELECT as_of, settings_json FROM snapshots",
}
"""What is left of the tables that tell of files where the same rows stand in other files."""
BUILT = [("records", table) for table in LAYERS["records"]] + [("ledger", table) for table in LAYERS["ledger"]]
FAMILIES = (
    "engine_family,cover_positions,fuel,plug_tubes,bolts,layout,stage1_nm,settle_min,final_angle_deg\n"
    'LATE-4,only,petrol,yes,3,"0,0;40,0;80,0",8,10,90\n'
)
HEADERS = {
    "vehicles": "vehicle_id,engine_family,site,in_service_on",
    "work_orders": "order_id,vehicle_id,site,opened_at,work_done,complaint",
    "inspection_notes": "note_id,vehicle_id,noted_at,text",
    "repair_records": "order_id,cover_position,bolts_renewed",
    "odometer_readings": "vehicle_id,read_at,odometer",
}

Tables = dict[str, pl.DataFrame]


def _put(inbox: Path, name: str, *rows: str) -> None:
    """Write a file of canonical columns named after its kind."""
    kind = next(kind for kind in HEADERS if name.startswith(kind))
    (inbox / name).write_text("\n".join((HEADERS[kind], *rows, "")), encoding="utf-8")


def _put_awkward_files(inbox: Path, vehicles: Sequence[str], last_day: date) -> None:
    """Files that correct, repeat, refer to or contradict others, so that the order they are read in could matter."""
    one, two, three = vehicles[:3]
    renewed = "cover gasket renewed,oil on plugs"
    _put(inbox, "vehicles-9.csv", "N1,LATE-4,North,2023-01-01", "N2,LATE-4,North,2023-01-01")
    _put(inbox, "vehicles-10.csv", "N1,LATE-4,South,2023-02-01")
    (inbox / "engine_families-late.csv").write_text(FAMILIES, encoding="utf-8")
    _put(inbox, "work_orders-1.csv", f"A1,{one},North,2024-03-04,{renewed}", f"A2,N1,North,2024-03-04,{renewed}")
    _put(inbox, "work_orders-1_corrected.csv", f"A1,{two},North,2024-03-05,{renewed}")
    _put(inbox, "work_orders-2.csv", f"A1,{three},North,2024-03-06,{renewed}", f"A3,N2,South,2024-05-04,{renewed}")
    _put(inbox, "work_orders-1 again.csv", f"A1,{one},North,2024-03-04,{renewed}", f"A2,N1,North,2024-03-04,{renewed}")
    _put(inbox, "work_orders-3.csv", f"A4,N1,North,{last_day},{renewed}", f"A5,{one},North,2062-01-01,{renewed}")
    _put(inbox, "repair_records-1.csv", "A1,only,yes", "A2,only,no", "A9,only,yes")
    _put(inbox, "repair_records-2.csv", "A2,only,yes", "A4,only,yes", "A4,only,yes")
    _put(inbox, "inspection_notes-1.csv", f"X1,{one},2024-06-01,oil weeping at rocker cover", f",{one},2024-07-01,dry")
    _put(inbox, "inspection_notes-2.csv", f"X1,{two},2024-06-02,oil weeping at rocker cover", f",{one},2024-07-01,dry")
    _put(inbox, "odometer_readings-1.csv", "N1,2024-01-01,1000", "N1,2024-09-01,9000", f"{three},2024-09-01,4")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("fleet")
    simulate(out, vehicles=40, years=2.0, seed=11)
    settings = read_settings(out / "settings.toml")
    assert settings.as_of is not None
    register = pl.read_csv(next((out / "inbox").glob("fleet_register*")), infer_schema=False)
    _put_awkward_files(out / "inbox", register["Fleet no"].to_list(), settings.as_of)
    return out


def _home(fleet: Path, path: Path) -> Home:
    """A home with the fleet's settings and source maps and an empty inbox."""
    home = Home(path)
    home.prepare()
    for name in ("settings.toml", "sources.toml"):
        shutil.copy(fleet / name, path / name)
    return home


def _refresh(home: Home, *, as_of: date, settings: Settings | None = None, steps: Sequence[str] = tuple(STEPS)) -> None:
    """Take the inbox up to the ledger, without Dagster and the checks, the file held open as a run does."""
    warehouse = Warehouse(home.warehouse)
    settings = settings or read_settings(home.settings_file)
    with warehouse.connect():
        warehouse.prepare()
        land_inbox(warehouse, home)
        record(warehouse, source_maps(home), as_of=as_of, fleet=settings.fleet)
        for table in steps:
            bring_up_to_date(warehouse, table, settings=settings, as_of=as_of)


def _tables(home: Home) -> Tables:
    warehouse = Warehouse(home.warehouse)
    with warehouse.connect():
        built = {table: warehouse.read(layer, table) for layer, table in BUILT}
        told = account(warehouse)
    return built | {table: frame.drop(CLOCK_COLUMNS.get(table, [])).sort(pl.all()) for table, frame in told.items()}


def _differing(tables: Tables, expected: Tables) -> list[str]:
    return [table for table in expected if not tables[table].equals(expected[table])]


def _publish(home: Home, as_of: date) -> None:
    """Take the ledger on to a snapshot by the assets themselves, with the surprises and without the pages."""
    fleet, warehouse = FleetHome(path=str(home.path), as_of=str(as_of)), Warehouse(home.warehouse)
    with warehouse.connect() as connection:
        for table, frame in account(warehouse).items():
            warehouse.write("audit", table, frame)
        for asset in (*measures, flags, leaks_out_of_sight, plan, parts):
            asset(fleet)
        keep_results(warehouse, look(connection, list(SURPRISES), settings=read_settings(home.settings_file)))
        snapshots(fleet)


def _published(home: Home, queries: Mapping[str, str] = MappingProxyType({})) -> dict[str, str]:
    """Every published table as text, each figure to its last digit, but for what the clock decides.

    The checks of loads ask about the newest files, so that their answers follow from when a file came.
    """
    asked = {table: query for table, query in PUBLISHED.items() if table not in CLOCK_TABLES}
    asked["checks"] = "FROM checks WHERE table_name != 'loads'"
    read = answers(home, asked | dict(queries))
    return {table: frame.drop(CLOCK_COLUMNS.get(table, []), strict=False).write_json() for table, frame in read.items()}


@pytest.fixture(scope="module")
def as_of(fleet: Path) -> date:
    day = read_settings(fleet / "settings.toml").as_of
    assert day is not None
    return day


@pytest.fixture(scope="module")
def from_scratch(fleet: Path, as_of: date, tmp_path_factory: pytest.TempPathFactory) -> Home:
    home = _home(fleet, tmp_path_factory.mktemp("scratch"))
    shutil.copytree(fleet / "inbox", home.inbox, dirs_exist_ok=True)
    _refresh(home, as_of=as_of)
    _publish(home, as_of)
    return home


def test_the_awkward_files_are_awkward(from_scratch: Home) -> None:
    tables = _tables(from_scratch)
    loads = {row["file"]: row for row in tables["loads"].iter_rows(named=True)}
    assert tables["vehicles"].filter(pl.col("vehicle_id") == "N1")["site"].to_list() == ["South"]
    assert (loads["work_orders-1 again.csv"]["superseded"], "work_orders-1.csv" in loads) == (1, False)
    assert loads["work_orders-3.csv"]["refused"] == 1
    assert loads["repair_records-1.csv"]["refused"] == 1
    assert loads["inspection_notes-1.csv"]["superseded"] == 1
    assert tables["episodes"].filter(pl.col("vehicle_id").is_in(["N1", "N2"])).height == 3


@pytest.mark.parametrize("seed", range(ORDERS))
def test_whatever_order_the_files_arrive_in_the_tables_are_those_of_a_rebuild_from_scratch(
    fleet: Path, from_scratch: Home, as_of: date, tmp_path: Path, seed: int
) -> None:
    chance = random.Random(seed)
    home = _home(fleet, tmp_path)
    files = sorted((fleet / "inbox").iterdir())
    chance.shuffle(files)
    cuts = sorted(chance.sample(range(1, len(files)), 4))
    days_before = sorted((chance.choice((0, 0, 1, 40, 400)) for _ in cuts), reverse=True)
    for start, end, days in zip([0, *cuts], [*cuts, len(files)], [*days_before, 0], strict=True):
        for file in files[start:end]:
            shutil.copy(file, home.inbox / file.name)
        killed_after = chance.randrange(len(STEPS) + 1) if end < len(files) else len(STEPS)
        _refresh(home, as_of=as_of - timedelta(days=days), steps=list(STEPS)[:killed_after])
    _publish(home, as_of)
    assert _unequal(_published(home), _published(from_scratch)) == []


def _unequal(tables: dict[str, str], expected: dict[str, str]) -> list[str]:
    return [table for table in expected if tables[table] != expected[table]]


def _rows_of(file: Path) -> list[bytes]:
    """A text file's rows; a cell in quotes may hold line ends."""
    quoted = rb'(?:"(?:[^"]|"")*"|[^"\n])*\n'
    return re.findall(quoted if file.suffix == ".csv" else rb"[^\n]*\n", file.read_bytes())


def _in_pieces(file: Path, chance: random.Random) -> dict[str, bytes]:
    """Deal a text file's rows, shuffled, to three files."""
    header, *rows = _rows_of(file)
    if file.suffix == ".jsonl":
        header, rows = b"", [header, *rows]
    chance.shuffle(rows)
    return {f"{file.stem}_{piece}{file.suffix}": header + b"".join(rows[piece::3]) for piece in range(3)}


def _may_be_split(file: Path) -> bool:
    """Say whether a file is plain text and no second file of its kind counts as a correction of the first."""
    is_put_awkwardly = file.name.startswith((*HEADERS, "engine_families-"))
    holds_orders_whole = file.name.startswith("eddering_orders")
    return file.suffix in (".csv", ".jsonl") and not is_put_awkwardly and not holds_orders_whole


def test_exports_whose_rows_are_dealt_to_several_files_give_the_same_tables(
    fleet: Path, from_scratch: Home, as_of: date, tmp_path: Path
) -> None:
    chance = random.Random(5)
    home = _home(fleet, tmp_path)
    maps = home.sources_file.read_text(encoding="utf-8")
    home.sources_file.write_text(re.sub(r'(files = "[^*"]+)(\.\w+")', r"\1*\2", maps), encoding="utf-8")
    arriving: dict[str, bytes] = {}
    for file in sorted((fleet / "inbox").iterdir()):
        arriving |= _in_pieces(file, chance) if _may_be_split(file) else {file.name: file.read_bytes()}
    names = chance.sample(sorted(arriving), k=len(arriving))
    for portion in (names[: len(names) // 2], names[len(names) // 2 :]):
        for name in portion:
            (home.inbox / name).write_bytes(arriving[name])
        _refresh(home, as_of=as_of)
    _publish(home, as_of)
    traced = [*LAYERS["records"], "remarks"]
    untraced = {table: f"SELECT * EXCLUDE ({', '.join(TRACE)}) FROM {table} ORDER BY ALL" for table in traced}
    asked = untraced | OF_FILES
    assert len(names) >= len(list(from_scratch.inbox.iterdir())) + 2 * 15
    assert _unequal(_published(home, asked), _published(from_scratch, asked)) == []


def _copy(home: Home, path: Path) -> Home:
    shutil.copytree(home.path, path, dirs_exist_ok=True)
    return Home(path)


def _vehicles_built(home: Home, monkeypatch: pytest.MonkeyPatch, refresh: Callable[[], None]) -> set[str]:
    """The vehicles that a refresh takes through the step that reads notes."""
    seen: set[str] = set()
    step = STEPS["engine_periods"]

    def watched(*, vehicles: pl.DataFrame, engine_fitments: pl.DataFrame) -> pl.DataFrame:
        seen.update(vehicles["vehicle_id"])
        return step(vehicles, engine_fitments)

    monkeypatch.setitem(STEPS, "engine_periods", watched)
    refresh()
    return seen


def test_a_new_file_touches_the_vehicles_it_mentions_and_those_tied_to_them(
    from_scratch: Home, as_of: date, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = _copy(from_scratch, tmp_path)
    owner = _tables(home)["work_orders"].filter(pl.col("order_id") == "A1")["vehicle_id"].item()
    _put(home.inbox, "work_orders-4.csv", "A1,N2,North,2024-03-09,cover gasket renewed,oil")
    built = _vehicles_built(home, monkeypatch, lambda: _refresh(home, as_of=as_of))
    assert {"N2", owner} <= built
    assert len(built) < 8
    assert _tables(home)["work_orders"].filter(pl.col("order_id") == "A1")["vehicle_id"].item() == "N2"


@pytest.mark.parametrize("days", [0, 30])
def test_a_night_without_news_builds_nothing(
    from_scratch: Home, as_of: date, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, days: int
) -> None:
    home = _copy(from_scratch, tmp_path)
    later = as_of + timedelta(days=days)
    assert _vehicles_built(home, monkeypatch, lambda: _refresh(home, as_of=later)) == set()
    expected = _home(home.path, tmp_path / "again")
    shutil.copytree(home.inbox, expected.inbox, dirs_exist_ok=True)
    _refresh(expected, as_of=later)
    assert _differing(_tables(home), _tables(expected)) == []


@pytest.mark.parametrize(
    ("change", "table"),
    [
        ("as_of", "episodes"),
        ("settings", "oil_segments"),
        ("lexicon", "evidence"),
        ("sources", "episodes"),
        ("families", "episodes"),
    ],
)
def test_what_every_vehicle_follows_from_builds_them_all_anew(
    from_scratch: Home, as_of: date, tmp_path: Path, change: str, table: str
) -> None:
    home = _copy(from_scratch, tmp_path / "home")
    settings = read_settings(home.settings_file)
    if change == "as_of":
        as_of -= timedelta(days=100)
    elif change == "settings":
        settings = settings.model_copy(update={"oil": OilRules(level_error_litres=1.0)})
    elif change == "lexicon":
        added = AddedLexicon.model_validate({"terms": [{"kind": "plain", "phrases": ["burning smell"]}]})
        settings = settings.model_copy(update={"lexicon": added})
    elif change == "sources":
        text = home.sources_file.read_text(encoding="utf-8")
        home.sources_file.write_text(text.replace('site = "Quillmouth"', 'site = "Quill"'), encoding="utf-8")
    else:
        families = (home.inbox / "engine_families.csv").read_text(encoding="utf-8")
        (home.inbox / "engine_families_corrected.csv").write_text(families.replace("only", "left;right"))
    before = _tables(home)
    _refresh(home, as_of=as_of, settings=settings)
    expected = _home(home.path, tmp_path / "again")
    shutil.copytree(home.inbox, expected.inbox, dirs_exist_ok=True)
    _refresh(expected, as_of=as_of, settings=settings)
    after = _tables(home)
    assert _differing(after, _tables(expected)) == []
    assert table in _differing(after, before)


def test_what_a_map_read_that_matches_no_more_is_dropped(from_scratch: Home, as_of: date, tmp_path: Path) -> None:
    home = _copy(from_scratch, tmp_path / "home")
    other = '\n[[source]]\nname = "ours"\nfiles = "work_orders-*.csv"\nkind = "work_orders"\nunits.odometer = "mi"\n'
    home.sources_file.write_text(home.sources_file.read_text(encoding="utf-8") + other, encoding="utf-8")
    _refresh(home, as_of=as_of)
    expected = _home(home.path, tmp_path / "again")
    shutil.copytree(home.inbox, expected.inbox, dirs_exist_ok=True)
    _refresh(expected, as_of=as_of)
    assert _differing(_tables(home), _tables(expected)) == ["loads"], "the list of loads keeps what was read before"
    assert _differing(_tables(home), _tables(from_scratch)) != ["loads"]


def test_a_correction_that_arrives_later_under_a_name_that_sorts_before_is_counted_as_overruled(
    fleet: Path, as_of: date, tmp_path: Path
) -> None:
    home = _home(fleet, tmp_path)
    (home.inbox / "engine_families.csv").write_text(FAMILIES, encoding="utf-8")
    _put(home.inbox, "vehicles.csv", "N1,LATE-4,North,2023-01-01")
    _put(home.inbox, "work_orders 2.csv", "A1,N1,North,2024-03-04,gasket,", "A2,N1,North,2024-03-05,gasket,")
    _refresh(home, as_of=as_of)
    _put(home.inbox, "work_orders 1 fix.csv", "A1,N1,North,2024-03-04,gasket and seals,")
    _put(home.inbox, "work_orders 2 fix.csv", "A2,N1,North,2024-03-05,gasket and seals,")
    _refresh(home, as_of=as_of)
    overruled = dict(account(Warehouse(home.warehouse))["loads"].select("file", "overruled").rows())
    assert {file: rows for file, rows in overruled.items() if rows} == {"work_orders 1 fix.csv": 1}


def test_what_a_file_said_before_stands_again_under_a_name_of_its_own(fleet: Path, as_of: date, tmp_path: Path) -> None:
    home = _home(fleet, tmp_path / "home")
    _put(home.inbox, "vehicles.csv", "N1,LATE-4,North,2023-01-01")
    for text in ("oil at the cover", "dry"):
        _put(home.inbox, "inspection_notes.csv", f"X1,N1,2024-06-01,{text}")
        _refresh(home, as_of=as_of)
    _put(home.inbox, "inspection_notes_z.csv", "X1,N1,2024-06-01,oil at the cover")
    _refresh(home, as_of=as_of)
    expected = _home(home.path, tmp_path / "again")
    shutil.copytree(home.inbox, expected.inbox, dirs_exist_ok=True)
    _refresh(expected, as_of=as_of)
    assert _tables(home)["inspection_notes"]["text"].to_list() == ["oil at the cover"]
    assert _differing(_tables(home), _tables(expected)) == []


def test_the_account_of_a_load_does_not_add_up_once_a_row_has_no_outcome(from_scratch: Home, tmp_path: Path) -> None:
    warehouse = Warehouse(_copy(from_scratch, tmp_path).warehouse)
    rows_told = pl.sum_horizontal("accepted", "refused", "duplicate", "superseded")

    def astray() -> pl.DataFrame:
        return account(warehouse)["loads"].select(lost=pl.col("rows_read") - rows_told).filter(pl.col("lost") != 0)

    assert astray().is_empty()
    with warehouse.connect() as connection:
        connection.execute(
            "DELETE FROM landing.outcomes WHERE (load_id, row_number) IN "
            "(SELECT (load_id, row_number) FROM landing.outcomes WHERE outcome = 'accepted' ORDER BY ALL LIMIT 1)"
        )
    assert astray()["lost"].to_list() == [1]


def test_top_ups_alone_never_end_a_repair_as_leaking_again(from_scratch: Home, as_of: date, tmp_path: Path) -> None:
    """A litre every other day after every repair: what people saw decides, and oil put in is nothing they saw."""
    home = _copy(from_scratch, tmp_path)
    before = _tables(home)
    repaired = before["episodes"].filter(pl.col("status") == "censored").unique("vehicle_id", keep="first")
    rows = [
        f"{vehicle},{day + timedelta(days=2 * number)},1,,"
        for vehicle, day in repaired.select("vehicle_id", "repaired_on").rows()
        for number in range(1, 40)
        if day + timedelta(days=2 * number) < as_of
    ]
    assert len(rows) > 100
    header = "vehicle_id,topped_up_at,volume,odometer,reason"
    (home.inbox / "oil_top_ups-heavy.csv").write_text("\n".join((header, *rows, "")), encoding="utf-8")
    _refresh(home, as_of=as_of)
    after = _tables(home)
    assert after["oil_top_ups"].height == before["oil_top_ups"].height + len(rows)
    assert after["evidence"].equals(before["evidence"])
    kept = ["episode_id", "status", "end_reason", "first_wet_at", "is_suspect", "evidence_ids"]
    assert after["episodes"].select(kept).equals(before["episodes"].select(kept))
