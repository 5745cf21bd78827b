"""Every file lands once, whole or not at all, and a bad one never holds up the good ones."""

import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from models.errors import ReleakError, SourceMapError
from models.records import LandedLoad, build_records
from models.records.landed import LISTED_SCHEMA, laid_out
from pipelines.home import Home
from pipelines.landing import applied_maps, land_inbox, listed_loads, source_maps
from pipelines.pieces import store_piece, stored_rows
from pipelines.warehouse import Warehouse

VEHICLES = "vehicle_id,engine_family,site,in_service_on\nV1,F1,Ossel Quay,2020-01-01\nV2,F1,Ossel Quay,2020-01-01\n"


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path)
    made.prepare()
    return made


@pytest.fixture
def warehouse(home: Home) -> Warehouse:
    made = Warehouse(home.warehouse)
    made.prepare()
    return made


def _put(home: Home, name: str, content: str | bytes) -> None:
    path = home.inbox / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else content.encode())


def _rows(warehouse: Warehouse) -> pl.DataFrame:
    """Every row that landed, load by load."""
    query = "SELECT load_id, len(header) FROM landing.loads SEMI JOIN landing.pieces USING (load_id) ORDER BY load_id"
    widths = dict(warehouse.select(query).rows())
    with warehouse.connect() as connection:
        stored = stored_rows(connection, list(widths))
    return pl.concat(
        [pl.DataFrame(schema=LISTED_SCHEMA), *(stored[load].listed(width=width) for load, width in widths.items())]
    )


def _landed(warehouse: Warehouse, home: Home) -> dict[str, list[LandedLoad]]:
    """Record kind to its loads that count, with their rows."""
    landed: dict[str, list[LandedLoad]] = {}
    loads = listed_loads(warehouse, source_maps(home))
    with warehouse.connect() as connection:
        stored = stored_rows(connection, [load.load_id for load in loads])
    for load in loads:
        landed.setdefault(load.conversion.kind, []).append(replace(load, rows=stored[load.load_id]))
    return landed


def test_landing_twice_changes_nothing(home: Home, warehouse: Warehouse) -> None:
    _put(home, "vehicles.csv", VEHICLES)
    first = land_inbox(warehouse, home)
    rows = _rows(warehouse)
    assert rows["cells"].to_list()[0] == ["V1", "F1", "Ossel Quay", "2020-01-01"]
    assert land_inbox(warehouse, home).equals(first)
    assert _rows(warehouse).equals(rows)


def test_the_same_content_under_another_name_loads_once_and_goes_by_the_first_name_it_has_today(
    home: Home, warehouse: Warehouse
) -> None:
    _put(home, "vehicles.csv", VEHICLES)
    land_inbox(warehouse, home)
    _put(home, "vehicles-again.csv", VEHICLES)
    for _ in range(2):
        loads = land_inbox(warehouse, home).select("file", "also_named")
        assert loads.rows() == [("vehicles-again.csv", "vehicles.csv")]
    (home.inbox / "vehicles-again.csv").unlink()
    assert land_inbox(warehouse, home).select("file", "also_named").rows() == [("vehicles.csv", None)]
    (home.inbox / "vehicles.csv").unlink()
    assert land_inbox(warehouse, home).select("file", "also_named").rows() == [("vehicles.csv", None)]


@pytest.mark.parametrize(
    ("name", "content", "problem"),
    [
        ("work_orders.csv", b"", "is empty"),
        ("work_orders.csv.gz", b"\x1f\x8b\x08\x00broken", "breaks off or is damaged"),
        ("work_orders.xlsx", b"not a workbook", "workbook"),
        ("work_orders.csv", b"order_id,site\nW1,Ossel Quay\n", "vehicle_id"),
        ("letter.doc", b"Dear workshop", "no source map matches its name"),
    ],
)
def test_a_file_that_cannot_be_read_is_listed_with_its_problem(
    home: Home, warehouse: Warehouse, name: str, content: bytes, problem: str
) -> None:
    _put(home, name, content)
    _put(home, "vehicles.csv", VEHICLES)
    loads = {file: found for file, found in land_inbox(warehouse, home).select("file", "problem").rows()}
    assert problem in loads[name]
    assert loads["vehicles.csv"] is None
    assert _rows(warehouse).height == 2


def test_a_file_that_breaks_off_leaves_no_row_and_loads_once_it_is_mended(home: Home, warehouse: Warehouse) -> None:
    import gzip

    whole = gzip.compress((VEHICLES + "".join(f"X{n},F1,Ossel Quay,2020-01-01\n" for n in range(200_000))).encode())
    _put(home, "vehicles.csv.gz", whole[:-2_000])
    assert "breaks off" in land_inbox(warehouse, home)["problem"].item()
    assert _rows(warehouse).is_empty()
    _put(home, "vehicles.csv.gz", whole)
    assert land_inbox(warehouse, home)["problem"].item() is None
    assert _rows(warehouse).height == 200_002


def test_a_file_nothing_matched_loads_once_a_source_map_names_it(home: Home, warehouse: Warehouse) -> None:
    _put(home, "fleet list.csv", VEHICLES.replace("vehicle_id", "Fleet No"))
    assert "no source map" in land_inbox(warehouse, home)["problem"].item()
    (home.path / "sources.toml").write_text(
        '[[source]]\nname = "list"\nfiles = "fleet list*"\nkind = "vehicles"\ncolumns = { vehicle_id = "Fleet No" }\n'
    )
    assert land_inbox(warehouse, home)["problem"].to_list() == [None]
    landed = _landed(warehouse, home)
    assert landed["vehicles"][0].rows.height == 2


def test_a_mended_source_map_rereads_what_has_landed_and_one_that_no_longer_fits_does_not(
    home: Home, warehouse: Warehouse
) -> None:
    sources = home.path / "sources.toml"
    written = '[[source]]\nname = "list"\nfiles = "list*.csv"\nkind = "vehicles"\n'
    sources.write_text(written)
    _put(home, "list.csv", VEHICLES)
    land_inbox(warehouse, home)
    sources.write_text(written + 'values = { site = { "Ossel Quay" = "Ossel" } }\n')
    load = _landed(warehouse, home)["vehicles"][0]
    assert load.conversion.values == {"site": {"Ossel Quay": "Ossel"}}
    sources.write_text(written + 'columns = { site = "Depot" }\n')
    assert _landed(warehouse, home)["vehicles"][0].conversion.columns == {}


def test_cells_of_a_workbook_are_read_as_such_where_the_source_map_names_no_format(
    home: Home, warehouse: Warehouse
) -> None:
    served = [date(2020, 5, 4), "04.05.2020", 43955]  # 43955 is 2020-05-04 in a spreadsheet's cell
    with xlsxwriter.Workbook(home.inbox / "fleet.xlsx", {"default_date_format": "dd.mm.yyyy"}) as workbook:
        sheet = workbook.add_worksheet()
        sheet.write_row(0, 0, ["vehicle_id", "engine_family", "site", "in_service_on"])
        for row, day in enumerate(served, start=1):
            sheet.write_row(row, 0, [f"V{row}", "F1", "Ossel Quay"])
            sheet.write(row, 3, day)
    home.sources_file.write_text(
        '[[source]]\nname = "fleet"\nfiles = "fleet.xlsx"\nkind = "vehicles"\ndecimal = ","\n'
        'dates = { in_service_on = "day_first" }\n'
    )
    land_inbox(warehouse, home)
    vehicles = build_records(_landed(warehouse, home), as_of=date(2026, 1, 1), default_zone="UTC").tables["vehicles"]
    assert vehicles["in_service_on"].to_list() == [date(2020, 5, 4)] * 3


def test_sheets_with_the_header_of_one_that_is_read_are_listed_until_a_source_map_reads_them(
    home: Home, warehouse: Warehouse
) -> None:
    with xlsxwriter.Workbook(home.inbox / "notes.xlsx") as workbook:
        workbook.add_worksheet("Cover").write(0, 0, "made by hand")
        for year in ("2024", "2025"):
            sheet = workbook.add_worksheet(year)
            sheet.write_row(1, 0, ["vehicle_id", "noted_at", "text"])
            sheet.write_row(2, 0, ["V1", f"{year}-03-04", "dry"])
    source = '[[source]]\nname = "{0}"\nfiles = "notes.xlsx"\nkind = "inspection_notes"\nsheet = "{0}"\nskip_rows = 1\n'
    home.sources_file.write_text(source.format("2024"))
    for _ in range(2):
        problems = land_inbox(warehouse, home)["problem"].drop_nulls().to_list()
        assert len(problems) == 1
        assert "no source map reads its sheets 2025," in problems[0]
    home.sources_file.write_text(source.format("2024") + source.format("2025"))
    loads = land_inbox(warehouse, home)
    assert loads["problem"].null_count() == loads.height == 2


def test_a_sheet_that_cannot_be_read_stops_neither_the_one_beside_it_nor_the_other_files(
    home: Home, warehouse: Warehouse
) -> None:
    path = home.inbox / "inspection_notes.xlsx"
    with xlsxwriter.Workbook(path) as workbook:
        for name in ("this year", "broken"):
            workbook.add_worksheet(name).write_row(0, 0, ["vehicle_id", "noted_at", "text"])
        workbook.get_worksheet_by_name("this year").write_row(1, 0, ["V1", "2024-03-04", "dry"])
    with zipfile.ZipFile(path) as whole:
        parts = {name: whole.read(name) for name in whole.namelist()}
    with zipfile.ZipFile(path, "w") as damaged:
        for name, part in parts.items():
            damaged.writestr(name, part[:200] if name.endswith("sheet2.xml") else part)
    _put(home, "vehicles.csv", VEHICLES)
    loads = land_inbox(warehouse, home)
    assert sorted(loads.select("file", "problem").rows()) == [("inspection_notes.xlsx", None), ("vehicles.csv", None)]


def test_an_empty_inbox_says_what_to_put_there(home: Home, warehouse: Warehouse) -> None:
    with pytest.raises(ReleakError, match=r"inbox is empty.*work_orders\.csv"):
        land_inbox(warehouse, home)


def test_a_sources_file_that_was_named_must_be_there(home: Home) -> None:
    with pytest.raises(SourceMapError, match=r"nowhere\.toml"):
        source_maps(Home(home.path, home.path / "nowhere.toml"))


def test_a_file_read_first_by_its_name_and_then_by_a_source_map_counts_once(home: Home, warehouse: Warehouse) -> None:
    _put(home, "vehicles.csv", VEHICLES)
    land_inbox(warehouse, home)
    before = applied_maps(warehouse, source_maps(home))
    (home.path / "sources.toml").write_text('[[source]]\nname = "list"\nfiles = "vehicles*"\nkind = "vehicles"\n')
    land_inbox(warehouse, home)
    assert [load.source for load in _landed(warehouse, home)["vehicles"]] == ["list"]
    assert applied_maps(warehouse, source_maps(home)) != before
    (home.path / "sources.toml").unlink()
    assert [load.source for load in _landed(warehouse, home)["vehicles"]] == ["vehicles"]
    assert applied_maps(warehouse, source_maps(home)) == before


def test_cells_come_back_in_their_places_whatever_columns_a_piece_leaves_out(home: Home, warehouse: Warehouse) -> None:
    with warehouse.connect() as connection:
        for number, cells in enumerate(([None, "b", "c"], ["a", None, "c"], [None, None, None]), start=2):
            listed = pl.DataFrame({"row_number": [number], "cells": [cells]}, LISTED_SCHEMA)
            store_piece(connection, "one", laid_out(listed, width=3))
        (rows,) = stored_rows(connection, ["one"]).values()
        (chosen,) = stored_rows(connection, ["one"], only={"one": pl.Series([3])}).values()
    assert rows.listed(width=3).rows() == [(2, [None, "b", "c"]), (3, ["a", None, "c"]), (4, [None, None, None])]
    assert chosen.listed(width=3).rows() == [(3, ["a", None, "c"])]


def test_rows_of_an_earlier_version_are_kept(home: Home, warehouse: Warehouse) -> None:
    _put(home, "vehicles.csv", VEHICLES + "V3,one cell too many,F1,Ossel Quay,2020-01-01\n")
    land_inbox(warehouse, home)
    landed = _rows(warehouse)
    with warehouse.connect() as connection:
        connection.register("landed", landed)
        load_id = "(SELECT load_id FROM landing.loads) AS load_id"
        connection.execute(f"CREATE TABLE landing.rows AS SELECT {load_id}, * FROM landed")
        connection.execute("DROP TABLE landing.pieces")
    for _ in range(2):
        warehouse.prepare()
        assert _rows(warehouse).equals(landed)
    assert landed.height == 3
