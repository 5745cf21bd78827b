import csv
import filecmp
import gzip
import io
import json
import tracemalloc
from collections import Counter
from datetime import date
from pathlib import Path

import fastexcel
import pytest

from models.errors import UsageError
from models.simulation.fleet import CHUNK_VEHICLES
from models.simulation.layouts import LAYOUTS
from models.simulation.truth import COLUMNS
from pipelines import simulating
from pipelines.settings import read_settings
from pipelines.simulating import simulate
from pipelines.sources.maps import inbox_files, load_source_maps, match

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
SAMPLE_FLEET = {"vehicles": 400, "years": 5.0, "seed": 1}
LARGEST_SAMPLE_FILE = 4_000_000


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    out = tmp_path_factory.mktemp("fleet")
    simulate(out, **SAMPLE_FLEET)
    return out


def _truth(fleet: Path, name: str) -> list[dict[str, str]]:
    with (fleet / "truth" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def _rows(fleet: Path, kind: str) -> list[dict[str, str]]:
    """Read one kind's exports by their layouts, with nothing of the pipeline's readers, as canonical text."""
    found = []
    for layout in LAYOUTS:
        if layout.kind == kind:
            for path in sorted((fleet / "inbox").glob(layout.pattern)):
                canonical = {header: name for name, header in layout.columns.items()}
                rows = _read(path, layout)
                found += [{canonical[key]: value for key, value in row.items() if key in canonical} for row in rows]
    return found


def _read(path: Path, layout) -> list[dict[str, str]]:
    if layout.form == "jsonl":
        return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    if layout.form == "xlsx":
        sheet = fastexcel.read_excel(path).load_sheet(layout.sheet, header_row=1, dtypes="string")
        return sheet.to_polars().to_dicts()
    packed = path.read_bytes()
    text = (gzip.decompress(packed) if path.suffix == ".gz" else packed).decode(layout.encoding)
    return list(csv.DictReader(io.StringIO(text, newline=""), delimiter=layout.delimiter))


def test_the_seed_remakes_the_committed_sample_byte_for_byte(fleet):
    assert _files(fleet) == _files(SAMPLE)
    _, different, unread = filecmp.cmpfiles(fleet, SAMPLE, _files(SAMPLE), shallow=False)
    assert (different, unread) == ([], [])


def test_no_sample_file_is_large():
    assert max((SAMPLE / name).stat().st_size for name in _files(SAMPLE)) < LARGEST_SAMPLE_FILE


def test_every_file_is_read_by_one_source_map(fleet):
    maps = load_source_maps(fleet / "sources.toml")
    files = inbox_files(fleet / "inbox")
    assert {len(match(name, maps)) for name in files} == {1}
    assert {source.name for name in files for source in match(name, maps)} == {source.name for source in maps}


def test_the_settings_fix_the_day_of_the_extract(fleet):
    settings = read_settings(fleet / "settings.toml")
    assert settings.as_of == date(2026, 6, 30)
    assert settings.fleet.zone == "WET"


def test_every_episode_is_of_an_exported_order_on_its_vehicle(fleet):
    vehicles = {
        row["order_id"]: row["vehicle_id"].strip() for row in _rows(fleet, "work_orders") if row.get("order_id")
    }
    episodes = _truth(fleet, "episodes")
    assert {(row["order_id"], row["vehicle_id"]) for row in episodes} <= set(vehicles.items())
    assert 250 <= len(episodes) <= 500
    assert len({(row["order_id"], row["cover_position"]) for row in episodes}) == len(episodes)


def test_every_statement_is_of_an_exported_text(fleet):
    texts = {("inspection_notes", row.get("note_id")) for row in _rows(fleet, "inspection_notes") if row.get("text")}
    for row in _rows(fleet, "work_orders"):
        texts |= {("work_orders", row.get("order_id"))} if row.get("work_done") else set()
    assert {(row["origin_kind"], row["origin_id"]) for row in _truth(fleet, "statements")} <= texts


def test_statuses_agree_with_their_dates(fleet):
    for row in _truth(fleet, "episodes"):
        start, end = date.fromisoformat(row["repaired_on"]), date.fromisoformat(row["ended_on"])
        assert int(row["days"]) == (end - start).days >= 0
        assert end <= date(2026, 6, 30)
        found, competing = row["detected_on"], row["competing_on"]
        assert not (found and competing)
        if row["status"] == "re-leak":
            assert row["ended_on"] == found
        elif row["status"] == "competing":
            assert row["ended_on"] == competing
        else:
            assert not found or date.fromisoformat(found) > end
            assert not competing or date.fromisoformat(competing) > end


def test_better_methods_come_back_less_often(fleet):
    by_method: dict[str, Counter[bool]] = {}
    for row in _truth(fleet, "episodes"):
        within = bool(row["leak_days"]) and int(row["leak_days"]) <= 365
        by_method.setdefault(row["true_method"], Counter())[within] += 1
    share = {method: counts[True] / counts.total() for method, counts in by_method.items()}
    assert share["gasket_seals_bolts"] < share["gasket"] < share["retightened"]


def test_refused_rows_are_where_the_truth_says(fleet):
    lines = (fleet / "inbox" / "eddering_checks.csv").read_bytes().decode("cp1252").split("\r\n")
    marks = {"not in the calendar": "31.02.2025", "too many cells": "???"}
    seen = Counter()
    for row in _truth(fleet, "refused"):
        if row["file"] == "eddering_checks.csv":
            assert marks[row["why"]] in lines[int(row["row_number"]) - 1]
            seen[row["why"]] += 1
    assert seen.keys() == marks.keys()


def test_each_kind_of_bad_row_is_there(fleet):
    assert len({(row["file"], row["column"], row["why"]) for row in _truth(fleet, "refused")}) >= 10


def test_the_page_about_the_truth_names_every_column(fleet):
    page = (fleet / "truth" / "README.md").read_text(encoding="utf-8")
    for name, columns in COLUMNS.items():
        assert f"## {name}.csv" in page
        assert all(f"| {column} |" in page for column in columns)


def test_order_lines_of_corrected_and_overlapping_files_repeat_their_orders(fleet):
    inbox = fleet / "inbox"
    first = {row["WO Number"] for row in _read(inbox / "quillmouth_orders_2023.csv", LAYOUTS[0])}
    again = {row["WO Number"] for row in _read(inbox / "quillmouth_orders_2024.csv", LAYOUTS[0])}
    assert first & again
    orders = next(layout for layout in LAYOUTS if layout.name == "port eddering orders")
    wrong = {row["Job no"]: row["Hours"] for row in _read(inbox / "eddering_orders_2025.csv", orders)}
    right = {row["Job no"]: row["Hours"] for row in _read(inbox / "eddering_orders_2025_corrected.csv", orders)}
    assert right
    assert all(wrong[job] != hours for job, hours in right.items() if job in wrong)


def test_a_long_workbook_goes_on_in_another(tmp_path, monkeypatch):
    whole, split = tmp_path / "whole", tmp_path / "split"
    simulate(whole, vehicles=20, years=1.0, seed=2)
    monkeypatch.setattr(simulating, "WORKBOOK_ROWS", 10)
    simulate(split, vehicles=20, years=1.0, seed=2)
    assert _rows(split, "inspection_notes") == _rows(whole, "inspection_notes")
    books = list((split / "inbox").glob("sarnholt_orders_*.xlsx"))
    assert len(books) > 1


def test_an_inbox_with_files_is_not_written_over(tmp_path):
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "work_orders.csv").write_text("order_id\n")
    with pytest.raises(UsageError, match="already holds files"):
        simulate(tmp_path, vehicles=1, years=1.0, seed=1)


def test_a_very_short_watch_of_one_vehicle_is_a_fleet_too(tmp_path):
    simulate(tmp_path, vehicles=1, years=0.1, seed=5)
    assert len(_truth(tmp_path, "vehicles")) == 1


def test_progress_is_told_for_every_chunk(tmp_path):
    told = []
    simulate(tmp_path, vehicles=CHUNK_VEHICLES + 1, years=0.1, seed=1, progress=lambda *step: told.append(step))
    assert told == [("Simulating", 2)] * 3


def test_memory_does_not_grow_with_the_fleet(tmp_path):
    peaks = []
    for chunks in (2, 6):
        tracemalloc.start()
        simulate(tmp_path / str(chunks), vehicles=chunks * CHUNK_VEHICLES, years=0.5, seed=1)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.3 * peaks[0]
