"""Source maps: what they may say, how a wrong one is answered, and which file they are for."""

from pathlib import Path

import pytest

from models.errors import SourceMapError
from models.records import Conversion
from pipelines.sources import SourceMap, default_map, inbox_files, load_source_maps, match

START = '[[source]]\nname = "north"\nfiles = "north/*.csv"\nkind = "work_orders"\n'


def _load(tmp_path: Path, text: str) -> tuple[SourceMap, ...]:
    path = tmp_path / "sources.toml"
    path.write_text(text, encoding="utf-8")
    return load_source_maps(path)


def test_a_full_map_is_read(tmp_path: Path) -> None:
    (source,) = _load(
        tmp_path,
        START
        + """
        format = "csv"
        delimiter = ";"
        encoding = "Windows-1252"
        skip_rows = 2
        zone = "Europe/Lisbon"
        decimal = ","
        columns = { order_id = "Job", vehicle_id = "Fleet", opened_at = "In", work_done = "Work", odometer = "Miles" }
        units = { odometer = "mi" }
        dates = { opened_at = "day_first", completed_at = "%d.%m.%Y %H:%M" }
        constants = { site = "North" }
        [source.values]
        job_code = { "CG-1" = "cover gasket" }
        """,
    )
    assert (source.delimiter, source.encoding, source.skip_rows) == (";", "cp1252", 2)
    conversion = source.conversion()
    assert conversion.unit_of("odometer") == "mi"
    assert conversion.date_order_of("opened_at") == "day_first"
    assert Conversion.model_validate_json(conversion.model_dump_json()) == conversion


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('colums = { site = "S" }', ["source 1 (north): a key is 'colums'", "did you mean 'columns'?"]),
        ('columns = { order = "x" }', ["a key of columns is 'order'", "did you mean 'order_id'?", "completed_at"]),
        ('units = { odometer = "miles" }', ["units.odometer is 'miles'", "km, mi, cell", "did you mean 'mi'?"]),
        ('units = { volume = "L" }', ["a key of units is 'volume'", "one of odometer"]),
        ('dates = { opened_at = "dayfirst" }', ["dates.opened_at is 'dayfirst'", "day_first, month_first"]),
        ('dates = { opened_at = "%d.%m.%y" }', ["four-digit year"]),
        ('dates = { work_done = "iso" }', ["a key of dates is 'work_done'", "opened_at, completed_at"]),
        ('zone = "Europe/Lisbonn"', ["zone is 'Europe/Lisbonn'", "tz database name"]),
        ('encoding = "cp99"', ["encoding is 'cp99'", "cp1252"]),
        ('encoding = "hex"', ["encoding is 'hex'"]),
        ('delimiter = ";;"', ["delimiter is ';;'", "one character"]),
        ('decimal = ";"', ["decimal is ';'"]),
        ('format = "cvs"', ["format is 'cvs'", "did you mean 'csv'?"]),
        ("skip_rows = -1", ["skip_rows is -1"]),
        ("values = { site = 3 }", ["values.site is 3"]),
        ('columns = { site = "a" }\nconstants = { site = "b" }', ["a key of constants is 'site'", "left out"]),
        ('made_from = { order_id = ["vehicle"] }', ["made_from.order_id is 'vehicle'", "did you mean 'vehicle_id'?"]),
    ],
)
def test_a_wrong_map_is_answered_with_file_key_found_and_allowed(tmp_path: Path, lines: str, says: list[str]) -> None:
    with pytest.raises(SourceMapError) as error:
        _load(tmp_path, START + lines)
    message = str(error.value)
    assert message.startswith(f"{tmp_path / 'sources.toml'}: source 1 (north): ")
    assert [words for words in says if words not in message] == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (START.replace("work_orders", "work_order"), "did you mean 'work_orders'?"),
        (START.replace('kind = "work_orders"', ""), "kind is None; it must be given"),
        (START + START, "source 2: name is 'north'"),
        (START.replace("north/*", "../*"), "relative to the inbox"),
        (START.replace("[[source]]", "[source]"), "[[source]], once for each export"),
        ("[[sources]]\n", "the top level is 'sources'"),
        ("source = [1]", "source 1 is 1"),
        ("name = ", "valid TOML"),
    ],
)
def test_a_wrong_file_of_maps_is_answered(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(SourceMapError) as error:
        _load(tmp_path, text)
    assert says in str(error.value)


def test_a_missing_or_binary_file_of_maps_is_answered(tmp_path: Path) -> None:
    with pytest.raises(SourceMapError, match="readable UTF-8 text"):
        load_source_maps(tmp_path / "absent.toml")
    (tmp_path / "sources.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SourceMapError, match="readable UTF-8 text"):
        load_source_maps(tmp_path / "sources.toml")


def test_every_key_of_a_map_is_described() -> None:
    assert [name for name, field in SourceMap.model_fields.items() if not field.description] == []


@pytest.mark.parametrize(
    ("name", "kind", "file_format"),
    [
        ("work_orders.csv", "work_orders", "csv"),
        ("work_orders.csv.gz", "work_orders", "csv"),
        ("south/vehicles.xlsx", "vehicles", "xlsx"),
        ("Oil_Top_Ups-2026-11.parquet", "oil_top_ups", "parquet"),
        ("inspection_notes.2.jsonl.gz", "inspection_notes", "jsonl"),
        ("engine_families.tsv", "engine_families", "csv"),
    ],
)
def test_a_file_named_after_its_kind_needs_no_map(name: str, kind: str, file_format: str) -> None:
    (source,) = match(name, [])
    assert (source.name, source.kind, source.format, source.columns) == (kind, kind, file_format, {})


@pytest.mark.parametrize("name", ["orders.csv", "work_orders.pdf", "work_orders.xlsx.gz", "my_work_orders.csv"])
def test_a_file_that_nothing_recognises_matches_nothing(name: str) -> None:
    assert match(name, []) == []


def test_declared_maps_win_over_the_name_and_a_file_may_hold_several_kinds() -> None:
    orders = SourceMap(name="a", files="north/*", kind="work_orders")
    readings = SourceMap(name="b", files="*/work_orders*", kind="odometer_readings")
    other = SourceMap(name="c", files="south/*", kind="vehicles")
    found = match("north/work_orders.dat", [orders, readings, other])
    assert [(source.name, source.format) for source in found] == [("a", "csv"), ("b", "csv")]


def test_the_default_map_is_canonical() -> None:
    source = default_map("oil_top_ups")
    assert (source.unit_of("odometer"), source.unit_of("volume"), source.date_order_of("topped_up_at")) == (
        "km",
        "L",
        "iso",
    )


def test_hidden_and_temporary_files_are_left_alone(tmp_path: Path) -> None:
    names = ["b.csv", "a/c.xlsx", ".DS_Store", "~$a.xlsx", "x.csv.part", "y.tmp", "z.csv~", ".git/vehicles.csv"]
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert inbox_files(tmp_path) == ["a/c.xlsx", "b.csv"]
