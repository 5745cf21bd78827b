"""The same facts exported four ways become the same records."""

import gzip
import json
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import xlsxwriter

from models.records import LandedLoad, build_records
from models.records.landed import joined
from pipelines.sources import SourceMap, load_source_maps, match, read_rows

MAPS = """
[[source]]
name = "as csv"
files = "a.csv.gz"
kind = "oil_top_ups"
encoding = "cp1252"
zone = "Europe/Berlin"
decimal = ","
columns = { vehicle_id = "Fleet no", topped_up_at = "When", volume = "Oil", odometer = "Miles", reason = "Why" }
units = { volume = "mL", odometer = "mi" }
dates = { topped_up_at = "day_first" }

[[source]]
name = "as workbook"
files = "b.xlsx"
kind = "oil_top_ups"
zone = "Europe/Berlin"
sheet = "Öl"
skip_rows = 1
dates = { topped_up_at = "day_first" }

[[source]]
name = "as parquet"
files = "c.parquet"
kind = "oil_top_ups"

[[source]]
name = "as json lines"
files = "d.jsonl"
kind = "oil_top_ups"
units = { volume = "cell" }
"""
CANONICAL = ["vehicle_id", "topped_up_at", "volume", "odometer", "reason"]


def _write_all(folder: Path) -> None:
    (folder / "sources.toml").write_text(MAPS, encoding="utf-8")
    lines = 'Fleet no;When;Oil;Miles;Why\nV1;04.07.2024 10:30;1.500;1.000;"Ölstand; tief"\nV2;05.07.2024;250;2,5;\n'
    (folder / "a.csv.gz").write_bytes(gzip.compress(lines.encode("cp1252")))
    with xlsxwriter.Workbook(folder / "b.xlsx") as book:
        sheet = book.add_worksheet("Öl")
        sheet.write(0, 0, "Top-ups")
        sheet.write_row(1, 0, CANONICAL)
        stamp = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
        sheet.write(2, 0, "V1")
        sheet.write_datetime(2, 1, datetime(2024, 7, 4, 10, 30), stamp)  # noqa: DTZ001
        sheet.write_row(2, 2, [1.5, 1609.344, "Ölstand; tief"])
        sheet.write_row(3, 0, ["V2", "5/7/2024", 0.25, 4.02336])
    at = [datetime(2024, 7, 4, 8, 30, tzinfo=UTC), datetime(2024, 7, 4, 22, tzinfo=UTC)]
    columns = [["V1", "V2"], at, [1.5, 0.25], [1609.344, 4.02336], ["Ölstand; tief", None]]
    pl.DataFrame(dict(zip(CANONICAL, columns, strict=True))).write_parquet(folder / "c.parquet")
    texts = [["V1", "2024-07-04T10:30+02:00", "150 cl", 1609.344, "Ölstand; tief"],
             ["V2", "2024-07-05T00:00:00+02:00", ".25L", "4.02336", None]]  # fmt: skip
    objects = [json.dumps(dict(zip(CANONICAL, row, strict=True))) for row in texts]
    (folder / "d.jsonl").write_text("\n".join(objects), encoding="utf-8")


def _landed(path: Path, source: SourceMap, day: int) -> LandedLoad:
    file = read_rows(path, source)
    rows = joined(file.batches)
    at = datetime(2024, 8, day, tzinfo=UTC)
    return LandedLoad(path.name, source.name, path.name, at, file.header, source.conversion(), rows)


def test_four_exports_of_the_same_top_ups_give_each_once(tmp_path: Path) -> None:
    _write_all(tmp_path)
    (tmp_path / "vehicles.csv").write_text(
        "vehicle_id,engine_family,site,in_service_on\nV1,K4,North,2020-01-01\nV2,K4,North,2020-01-01\n"
    )
    (tmp_path / "engine_families.csv").write_text(
        "engine_family,cover_positions,fuel,plug_tubes,bolts,layout,stage1_nm,settle_min,final_angle_deg\n"
        'K4,only,petrol,yes,2,"0,0;40,0",8,5,90\n'
    )
    maps = load_source_maps(tmp_path / "sources.toml")
    landed: dict[str, list[LandedLoad]] = {}
    names = ["vehicles.csv", "engine_families.csv", "a.csv.gz", "b.xlsx", "c.parquet", "d.jsonl"]
    for day, name in enumerate(names, start=1):
        for source in match(name, maps):
            landed.setdefault(source.kind, []).append(_landed(tmp_path / name, source, day))
    result = build_records(landed, as_of=date(2024, 7, 31), default_zone="Europe/Berlin")
    assert result.refused.to_dicts() == []
    table = result.tables["oil_top_ups"].sort("vehicle_id")
    assert table["load_id"].unique().to_list() == ["a.csv.gz"]
    assert table["volume_litres"].to_list() == [1.5, 0.25]
    assert table["topped_up_on"].to_list() == [date(2024, 7, 4), date(2024, 7, 5)]
    by_load = {load.load_id: 0 for load in landed["oil_top_ups"]}
    for load_id, outcome in result.outcomes.select("load_id", "outcome").rows():
        by_load[load_id] = by_load.get(load_id, 0) + (outcome == "duplicate")
    assert [by_load[name] for name in names[2:]] == [0, 2, 2, 2]
