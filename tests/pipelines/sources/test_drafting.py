"""Drafts of source maps: what is right in them, and that nothing wrong is called certain."""

import csv
import gzip
import io
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from time import process_time

import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.errors import UnreadableFileError, UsageError
from models.records.canonical import column_places
from pipelines.sources import SourceMap, load_source_maps, match, read_rows
from pipelines.sources.drafting import as_toml, draft_map, write_new
from pipelines.sources.drafting.conventions import dates_of, decimal_of, units_of
from pipelines.sources.drafting.matching import Draft, Guess

SAMPLE = Path(__file__).parents[3] / "sample_data"
EXPORTS = Path(__file__).parent / "exports"
EXPORT_MAPS = load_source_maps(EXPORTS / "expected.toml")
SAMPLE_MAPS = load_source_maps(SAMPLE / "sources.toml")

CASES = [
    *((path, source) for source in SAMPLE_MAPS for path in sorted((SAMPLE / "inbox").glob(source.files))),
    *((EXPORTS / source.files, source) for source in EXPORT_MAPS),
]
"""Each file with the map that a person wrote for it."""


@pytest.fixture(scope="module")
def drafts() -> dict[Path, Draft]:
    return {path: draft_map(path) for path, _ in CASES}


def _header_of(path: Path, source: SourceMap) -> dict[str, str]:
    """Canonical column to the file's header, by the map that a person wrote."""
    (readable,) = match(path.name, [source])
    header = read_rows(path, readable).header
    return {column: header[places[0]] for column, places in column_places(header, source).items()}


def _wrong(draft: Draft, path: Path, source: SourceMap) -> Iterator[Guess]:
    """Yield each guess that the map a person wrote contradicts."""
    right = _header_of(path, source)
    yield from (guess for guess in draft.columns if right.get(guess.key) != guess.value)
    if draft.kind.value != source.kind:
        yield draft.kind
    for guess in units_of(draft):
        if guess.value not in (source.unit_of(guess.key), f"cell or {source.unit_of(guess.key)}"):
            yield guess
    yield from (guess for guess in dates_of(draft) if guess.value != source.date_order_of(guess.key))
    mark = decimal_of(draft)
    if mark and mark.value != source.decimal:
        yield mark


@pytest.mark.parametrize(("path", "source"), CASES, ids=lambda value: getattr(value, "name", ""))
def test_no_wrong_guess_is_called_certain(path: Path, source: SourceMap, drafts: dict[Path, Draft]) -> None:
    wrong = list(_wrong(drafts[path], path, source))
    assert [guess for guess in wrong if guess.doubt == "certain"] == []


@pytest.mark.parametrize(
    ("folder", "least_right", "least_certain"), [(SAMPLE / "inbox", 0.98, 0.5), (EXPORTS, 0.9, 0.5)]
)
def test_most_columns_are_right(
    folder: Path, least_right: float, least_certain: float, drafts: dict[Path, Draft]
) -> None:
    wanted = {
        (path, *pair) for path, source in CASES if path.parent == folder for pair in _header_of(path, source).items()
    }
    taken = {(path, *pair) for path in drafts if path.parent == folder for pair in drafts[path].taken.items()}
    certain = [
        guess for path in drafts if path.parent == folder for guess in drafts[path].columns if guess.doubt == "certain"
    ]
    assert len(taken & wanted) >= least_right * len(wanted)
    assert len(certain) >= least_certain * len(wanted), "calling nothing certain is no way to be right"


@pytest.mark.parametrize(("path", "source"), CASES, ids=lambda value: getattr(value, "name", ""))
def test_a_draft_loads_and_opens_its_file(
    path: Path, source: SourceMap, drafts: dict[Path, Draft], tmp_path: Path
) -> None:
    draft = drafts[path]
    write_new(tmp_path / "draft.toml", as_toml(draft))
    (drafted,) = load_source_maps(tmp_path / "draft.toml")
    given = dict(drafted.constants) | {column: "?" for column in draft.missing}
    assert set(draft.missing) <= {"site"}
    (readable,) = match(path.name, [drafted.model_copy(update={"constants": given})])
    (written,) = match(path.name, [source])
    ours, theirs = (read_rows(path, map_) for map_ in (readable, written))
    assert ours.header == theirs.header
    read, expected = (next(file.batches).listed(width=len(file.header)) for file in (ours, theirs))
    assert read.equals(expected)


def _draft(tmp_path: Path, text: str, name: str = "export.csv") -> Draft:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return draft_map(path)


def _doubts(draft: Draft) -> dict[str, str]:
    return {guess.key: guess.doubt for guess in draft.columns}


def _orders(odometers: str, dates: str) -> str:
    rows = zip(odometers.split(), dates.split(), strict=True)
    body = "".join(
        f"W{n},V1,North,{day},{odometer},gasket renewed on cover\n" for n, (odometer, day) in enumerate(rows)
    )
    return "Work order,Fleet no,Depot,Opened,Odometer,Work done\n" + body


def test_an_odometer_that_falls_is_not_certain(tmp_path: Path) -> None:
    days = "2026-01-02 2026-01-09 2026-01-16 2026-01-23"
    rising = _draft(tmp_path, _orders("81000 81400 82050 82900", days))
    trips = _draft(tmp_path, _orders("400 1210 350 890", days), "trips.csv")
    assert _doubts(rising)["odometer"] == "certain"
    assert _doubts(trips)["odometer"] == "unsure"
    assert "# 1. whether 'Odometer' is odometer: " in as_toml(trips)
    assert "trip meter" in as_toml(trips)


@pytest.mark.parametrize(
    ("dates", "order", "doubt"),
    [
        ("03/04/2026 05/04/2026 07/04/2026 09/04/2026", "day_first", "unsure"),
        ("03/04/2026 05/04/2026 17/04/2026 09/04/2026", "day_first", "certain"),
        ("03/04/2026 05/04/2026 07/14/2026 09/04/2026", "month_first", "certain"),
        ("03/04/2026 25/04/2026 07/14/2026 09/04/2026", "day_first", "unsure"),
        ("03/04/26 25/04/26 27/04/26 29/04/26", "day_first", "unsure"),
        ("46003 46010 46011 46015", "serial", "likely"),
        ("2026/01/03 2026/01/04 2026/02/01 2026/02/28", "%Y/%m/%d", "certain"),
    ],
)
def test_only_a_day_above_twelve_proves_an_order(tmp_path: Path, dates: str, order: str, doubt: str) -> None:
    draft = _draft(tmp_path, _orders("81000 81400 82050 82900", dates))
    (guess,) = dates_of(draft)
    assert (guess.key, guess.doubt) == ("opened_at", doubt)
    assert guess.value == order or doubt == "unsure"


def _top_ups(header: str, cells: list[str], dates: str = "2026-01-0") -> str:
    body = "".join(f'V{n % 2},{dates}{n + 1},"{cell}"\n' for n, cell in enumerate(cells))
    return f"Fleet no,Date,{header}\n{body}"


@pytest.mark.parametrize(
    ("header", "cells", "unit", "doubt"),
    [
        ("Oil added", ["1.5", "2", "0.5"], "cell", "unsure"),
        ("Oil added (L)", ["1.5", "2", "0.5"], "L", "certain"),
        ("Oil added ml", ["1500", "2000", "500"], "mL", "certain"),
        ("Imperial pints", ["3", "2", "1"], "imp pt", "certain"),
        ("Pints", ["3", "2", "1"], "cell", "unsure"),
        ("Litres / quarts added", ["3", "2", "1"], "cell", "unsure"),
        ("Oil added", ["1.5 L", "2 cl", "500 ml"], "cell", "certain"),
        ("Oil added", ["1.5 L", "2 qt", "500 ml"], "cell", "likely"),
        ("Litres", ["1.5", "2 qt", "0.5"], "cell or L", "likely"),
        ("Oil added", ["1.5", "2 qt", "0.5"], "cell", "unsure"),
    ],
)
def test_a_unit_is_what_header_or_cells_say(
    tmp_path: Path, header: str, cells: list[str], unit: str, doubt: str
) -> None:
    (guess,) = units_of(_draft(tmp_path, _top_ups(header, cells), "oil.csv"))
    assert (guess.value, guess.doubt) == (unit, doubt)


def test_fuel_is_not_taken_for_oil(tmp_path: Path) -> None:
    draft = _draft(tmp_path, _top_ups("Litres,Odometer", ['55.2","81200', '61.0","81900', '48.5","82500']))
    assert (draft.kind.value, draft.taken.get("volume")) == ("odometer_readings", None)


def test_a_mark_proved_by_another_column_counts(tmp_path: Path) -> None:
    rows = "".join(f"V1;0{n}.01.2026;12{n}.455;{n},5\n" for n in range(1, 5))
    draft = _draft(tmp_path, f"Fleet no;Date;Odometer km;Reading temperature\n{rows}")
    mark = decimal_of(draft)
    assert draft.taken["odometer"] == "Odometer km"
    assert mark is not None
    assert (mark.value, mark.doubt) == (",", "likely")


def test_an_undecided_unit_is_left_to_a_person(tmp_path: Path) -> None:
    text = as_toml(_draft(tmp_path, _orders("81000 81400 82050 82900", "2026-01-02 2026-01-09 2026-01-16 2026-01-23")))
    assert 'odometer = "cell"' in text
    assert "the unit of odometer: km or mi" in text.split("A person must still decide:")[1]


@pytest.mark.parametrize(
    ("header", "column"),
    [
        ("Fleet no,Fleet no,Date,Litres", "vehicle_id"),
        ("Fleet no,Unit no,Date,Litres", "vehicle_id"),
        ("Litres,Date,Date filled,Fleet no", "vehicle_id"),
        ("Date,Oil added,Fleet no,Litres", "vehicle_id"),
    ],
)
def test_a_name_twice_or_over_other_cells_is_not_certain(tmp_path: Path, header: str, column: str) -> None:
    rows = "".join(f"V{n},V{n % 2},2026-01-0{n + 1},{n / 2}\n" for n in range(4))
    assert _doubts(_draft(tmp_path, f"{header}\n{rows}")).get(column) != "certain"


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    draft = _draft(tmp_path, "Fleet no,Odometer km,Depot\nV1,81000,North\nV2,64000,North\n")
    text = as_toml(draft)
    (tmp_path / "draft.toml").write_text(text, encoding="utf-8")
    assert load_source_maps(tmp_path / "draft.toml")
    assert "read_at" in draft.missing
    assert "what gives read_at" in text


def test_the_sheet_and_title_rows_of_a_workbook_are_found(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("Empty")
        book.add_worksheet("About").write_column(0, 0, ["Oil of the year", "made by hand"])
        sheet = book.add_worksheet("Log")
        rows = [["North depot"], [], ["Fleet no", "Date", "Litres"], ["V1", "2026-01-02", 1.5], ["V2", "2026-01-03", 2]]
        for number, row in enumerate(rows):
            sheet.write_row(number, 0, row)
    draft = draft_map(path)
    assert (draft.sample.sheet, draft.sample.skip_rows) == ("Log", 2)
    assert draft.taken == {"vehicle_id": "Fleet no", "topped_up_at": "Date", "volume": "Litres"}
    left_out = "whether the sheets left out hold records too, each then a [[source]] of its own, drafted with --sheet"
    assert f"{left_out}: 'About'" in as_toml(draft)


def test_each_sheet_of_a_workbook_can_be_drafted_beside_the_others(tmp_path: Path) -> None:
    path = tmp_path / "register.xlsx"
    with xlsxwriter.Workbook(path) as book:
        fleet, oil = book.add_worksheet("Fleet"), book.add_worksheet("Oil")
        fleet.write_row(0, 0, ["Fleet no", "Engine family", "Depot", "In service"])
        fleet.write_row(1, 0, ["V1", "KX4", "North", "2020-01-02"])
        oil.write_row(0, 0, ["Fleet no", "Date", "Litres"])
        oil.write_row(1, 0, ["V1", "2026-01-02", 1.5])
    drafts = [draft_map(path, sheet=name) for name in ("Fleet", "Oil")]
    maps = tmp_path / "sources.toml"
    maps.write_text("".join(map(as_toml, drafts)))
    assert [(source.kind, source.sheet) for source in load_source_maps(maps)] == [
        ("vehicles", "Fleet"),
        ("oil_top_ups", "Oil"),
    ]
    with pytest.raises(UnreadableFileError, match=r"register\.xlsx.*'Fuel'.*'Fleet', 'Oil'"):
        draft_map(path, sheet="Fuel")


def test_a_sheet_of_what_is_no_workbook_is_refused(tmp_path: Path) -> None:
    (tmp_path / "oil.csv").write_text("Fleet no,Date,Litres\nV1,2026-01-02,1.5\n")
    with pytest.raises(UnreadableFileError, match=r"oil\.csv.*no workbook"):
        draft_map(tmp_path / "oil.csv", sheet="Log")


def test_what_json_nests_is_drafted_by_its_path(tmp_path: Path) -> None:
    line = '{"asset": {"fleet no": "V1"}, "date": "2026-01-02", "oil": {"litres": 1.5}}'
    draft = _draft(tmp_path, line, "top_ups.jsonl")
    assert draft.taken["vehicle_id"] == "asset.fleet no"
    assert draft.taken["volume"] == "oil.litres"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_any_delimiter_and_encoding_is_found(tmp_path: Path, encoding: str, delimiter: str) -> None:
    path = tmp_path / "oil.csv.gz"
    text = delimiter.join(("Fleet no", "Date", "Litres", "Why")) + "\n"
    text += delimiter.join(("V1", "2026-01-02", "1.5", "café run")) + "\n"
    path.write_bytes(gzip.compress(text.encode(encoding)))
    draft = draft_map(path)
    assert (draft.sample.delimiter, draft.sample.header[-1]) == (delimiter, "Why")
    assert draft.sample.columns[-1].to_list() == ["café run"]
    assert draft.sample.encoding == (encoding if encoding in ("cp1252", "utf-16-le", "utf-16-be") else None)


@pytest.mark.parametrize(
    ("name", "content", "fault"),
    [
        ("none.csv", b"", "is empty"),
        ("head.csv", b"Fleet no,Date,Litres\n", "no rows"),
        ("bare.csv", b"1,2026-01-02,3\n2,2026-01-03,4\n", "no row that looks like a header"),
        ("pets.csv", b"colour,flavour\nred,plum\nblue,pear\n", "no column known"),
        ("x.xlsx", b"PK\x03\x04 broken", "workbook"),
        ("x.bin", b"\x00\x01\x02abc\xff\xfe\x00\x00 and more", "neither text nor a workbook"),
        ("x.csv", gzip.compress(b"Fleet no,Date,Litres\nV1,2026-01-02,3\n", mtime=0), "gzip"),
        ("x.csv.gz", gzip.compress(b"Fleet no,Date\n" * 99, mtime=0)[:-20], "cannot be read"),
        ("x.parquet", b"PAR1 broken", "Parquet"),
    ],
)
def test_what_cannot_be_drafted_is_said_plainly(tmp_path: Path, name: str, content: bytes, fault: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UnreadableFileError, match=fault):
        draft_map(path)


def test_a_file_that_is_there_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "sources.toml"
    path.write_text("mine")
    with pytest.raises(UsageError, match="not overwritten"):
        write_new(path, "ours")
    assert path.read_text() == "mine"


def test_the_command_prints_or_writes_and_exits_as_the_others_do(tmp_path: Path) -> None:
    releak, export = Path(sys.executable).with_name("releak"), str(EXPORTS / "asset_list.csv")
    out = tmp_path / "draft.toml"

    def run(*words: str) -> tuple[int, str, str]:
        done = subprocess.run([releak, "map", *words], capture_output=True, text=True, timeout=60, check=False)
        return done.returncode, done.stdout, done.stderr

    code, printed, _ = run(export)
    assert (code, printed) == (0, as_toml(draft_map(Path(export))))
    assert run(export, "--out", str(out))[:2] == (0, f"{out}\n")
    assert out.read_text(encoding="utf-8") == printed
    for words, code in ((export, "--out", str(out)), 2), ((str(tmp_path / "none.csv"),), 1):
        answered, printed, said = run(*words)
        assert (answered, printed, said.count("\n")) == (code, "", 1)


def test_a_large_file_is_read_at_its_start_only(tmp_path: Path) -> None:
    path = tmp_path / "oil_log.csv"
    row = "V{0},2026-01-02 10:00,1.5,{0},before the trip\n"
    path.write_text("Fleet no,Date,Litres,Km,Reason\n" + "".join(row.format(n) for n in range(30_000)))
    assert path.stat().st_size > 1_000_000
    started = process_time()
    assert draft_map(path).sample.rows == 5_000
    assert process_time() - started < 2, "a megabyte takes under two seconds"


_NAMES = st.sampled_from(["Fleet no", "Date", "Litres", "Remarks", "Work order", "Opened"])
_TEXTS = st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), max_size=12)


@given(
    st.lists(_NAMES | _TEXTS, min_size=2, max_size=5), st.lists(st.lists(_TEXTS, min_size=5, max_size=5), max_size=4)
)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_draft_of_any_signs_loads_or_is_refused(tmp_path: Path, header: list[str], rows: list[list[str]]) -> None:
    text = io.StringIO(newline="")
    csv.writer(text).writerows([header, *(row[: len(header)] for row in rows)])
    path = tmp_path / "any.csv"
    path.write_text(text.getvalue(), encoding="utf-8", newline="")
    try:
        draft = draft_map(path)
    except UnreadableFileError:
        return
    (tmp_path / "any.toml").write_text(as_toml(draft), encoding="utf-8", newline="")
    (source,) = load_source_maps(tmp_path / "any.toml")
    assert source.columns == draft.taken
