"""Files of every format as text rows, and what a broken file is answered with."""

import csv
import gzip
import hashlib
import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import UnreadableFileError
from models.records.landed import joined
from pipelines.sources import SourceMap, content_digest, match, read_rows
from pipelines.sources.formats import json_lines
from pipelines.sources.formats.object_lines import flat
from tests.pipelines.sources.written_files import csv_text, write_table

HEADER = ["vehicle_id", "read_at", "odometer"]
ROWS = [["V1", "2024-03-04", "120000"], ['Ü-2; "b"', "2024-03-05 10:30", "1,5\nkm"], ["V3|x", "", "7"]]


def _map(name: str, **keys: Any) -> SourceMap:
    (source,) = match(name, [SourceMap(name="test", files="*", kind="odometer_readings", **keys)])
    return source


def _read(path: Path, **keys: Any) -> tuple[list[str], list[int], list[list[str | None]]]:
    file = read_rows(path, _map(path.name, **keys))
    rows = joined(file.batches).listed(width=len(file.header))
    return list(file.header), rows["row_number"].to_list(), rows["cells"].to_list()


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_csv_of_any_dialect(tmp_path: Path, delimiter: str, quoting: Any, line_end: str) -> None:
    path = tmp_path / "readings.csv"
    rows = [[cell.replace("\n", line_end) for cell in row] for row in ROWS]
    text = csv_text([HEADER, *rows], delimiter=delimiter, quoting=quoting, lineterminator=line_end)
    path.write_bytes(text.encode())
    assert _read(path) == (HEADER, [2, 3, 4], rows)


@pytest.mark.parametrize(
    ("written", "declared"),
    [("utf-8", None), ("utf-8-sig", None), ("utf-16", None), ("utf-16-le", "utf-16-le"), ("cp1252", "cp1252"),
     ("latin-1", "latin-1"), ("utf-8-sig", "cp1252"), ("utf-8-sig", "utf-8")],
)  # fmt: skip
@pytest.mark.parametrize("suffix", ["csv", "csv.gz"])
def test_csv_in_any_encoding(tmp_path: Path, written: str, declared: str | None, suffix: str) -> None:
    path = tmp_path / f"readings.{suffix}"
    content = csv_text([HEADER, *ROWS]).encode(written)
    path.write_bytes(gzip.compress(content) if suffix.endswith("gz") else content)
    assert _read(path, encoding=declared) == (HEADER, [2, 3, 4], ROWS)


def test_the_delimiter_is_the_one_that_finds_the_wanted_columns(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("A, x, y, z;Fleet no;Read, on;Odo\n1;V1;2024-03-04;5\n")
    columns = {"vehicle_id": "Fleet no", "read_at": "Read, on", "odometer": "Odo"}
    assert _read(path, columns=columns)[2] == [["1", "V1", "2024-03-04", "5"]]


def test_title_rows_are_skipped_blank_rows_left_out_and_row_numbers_are_a_spreadsheets(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("Readings of the fleet\n\nvehicle_id,read_at,odometer\nV1,2024-03-04,5\n\n , ,\nV2,2024-03-04,6\n")
    assert _read(path, skip_rows=2) == (HEADER, [4, 7], [["V1", "2024-03-04", "5"], ["V2", "2024-03-04", "6"]])


def test_ragged_rows_are_kept_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("vehicle_id,read_at,odometer\nV1,2024-03-04\nV2,2024-03-04,5,6\n")
    assert _read(path)[2] == [["V1", "2024-03-04"], ["V2", "2024-03-04", "5", "6"]]


@pytest.mark.parametrize("bad", ['V2,2024-03-04,"5', 'V2,"20"24-03-04,5', '"V2'])
def test_an_unmatched_quote_costs_its_own_line_only(tmp_path: Path, bad: str) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(f'vehicle_id,read_at,odometer\nV1,2024-03-04,1\n{bad}\nV3,2024-03-04,"3"\n"V\n4",2024-03-04,4\n')
    _, numbers, rows = _read(path)
    assert numbers == [2, 3, 4, 5]
    assert rows == [["V1", "2024-03-04", "1"], [bad], ["V3", "2024-03-04", "3"], ["V\n4", "2024-03-04", "4"]]


def test_many_unmatched_quotes_neither_recurse_nor_hang(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("vehicle_id,read_at,odometer\n" + 'V1,"x"y,1\n' * 50_000)
    assert len(_read(path)[2]) == 50_000


def test_bytes_that_are_no_text_are_marked_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_bytes(b"vehicle_id,read_at,odometer\nV\xe9,2024-03-04,5\nV\x00,2024-03-04,6\n")
    assert [row[0] for row in _read(path)[2]] == ["V\ufffd", "V\u2400"]


def test_a_nul_is_marked_in_parquet_too(tmp_path: Path) -> None:
    path = tmp_path / "readings.parquet"
    columns = {"vehicle_id": ["V\0", "V2"], "read_at": [b"a\0b", b"\xff"], "odometer": [1, 2]}
    pl.DataFrame(columns).write_parquet(path)
    assert _read(path)[2] == [["V\u2400", "a\u2400b", "1"], ["V2", "\ufffd", "2"]]


def test_a_header_or_title_with_line_breaks_is_divided_like_any_other(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text('"Readings,\nnorth"\n"vehicle_id\n";"read_at";"odometer"\nV1;2024-03-04;"1,5"\n')
    assert _read(path, skip_rows=1)[2] == [["V1", "2024-03-04", "1,5"]]


def test_batches_are_bounded_and_complete(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("vehicle_id,read_at,odometer\n" + "V1,2024-03-04,5\n" * 120_001)
    heights = [batch.height for batch in read_rows(path, _map(path.name)).batches]
    assert heights == [50_000, 50_000, 20_001]


def test_json_lines_keep_numbers_as_written_and_lines_that_are_no_object(tmp_path: Path) -> None:
    path = tmp_path / "readings.jsonl"
    lines = [
        '{"vehicle_id": "V1", "read_at": "2024-03-04", "odometer": 120000.50}',
        '{"read_at": null, "vehicle_id": "Ü\\u0000", "more": {"a": [1, true]}}',
        "",
        '{"vehicle_id": "V3", ',
        "[1, 2]",
    ]
    path.write_text("\n".join(lines), encoding="utf-8")
    header, numbers, rows = _read(path)
    assert header == [*HEADER, "more.a"]
    assert numbers == [1, 2, 4, 5]
    assert rows[0] == ["V1", "2024-03-04", "120000.50", None]
    assert rows[1][:3] == ["Ü\ufffd", None, None]
    assert json.loads(str(rows[1][3])) == ["1", True]
    assert rows[2:] == [['{"vehicle_id": "V3",'], ["[1, 2]"]]


def test_what_json_nests_is_named_by_its_path_and_nothing_of_it_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "readings.jsonl"
    nested = [
        {"unit": {"id": "V1"}, "read_at": "2024-03-04", "meter": {"value": 5, "at": {"site": "North"}}},
        {"unit": {"id": "V2"}, "read_at": "2024-03-04", "meter": {}, "unit.id": "V3"},
    ]
    path.write_text("\n".join(map(json.dumps, nested)))
    columns = {"vehicle_id": "unit.id", "odometer": "meter.value"}
    header, _, rows = _read(path, columns=columns)
    assert dict(zip(header, rows[0], strict=True)) == {
        "read_at": "2024-03-04", "unit.id": "V1", "meter.value": "5", "meter.at.site": "North", "meter": None,
        "unit": None,
    }  # fmt: skip
    second = dict(zip(header, rows[1], strict=True))
    assert (second["unit.id"], second["unit"], second["meter"]) == ("V3", '{"id": "V2"}', "{}")


@pytest.mark.parametrize("row", [{"a": {"b": 5}, "a.b": {"c": 1}}, {"a.b": {"c": 1}, "a": {"b": 5}}])
def test_an_object_whose_path_is_the_name_of_another_stays_whole(row: dict[str, object]) -> None:
    assert flat(row) == {"a": {"b": 5}, "a.b.c": 1}


def test_parquet_dates_numbers_and_blanks_become_text(tmp_path: Path) -> None:
    path = tmp_path / "readings.parquet"
    pl.DataFrame(
        {
            "vehicle_id": ["V1", "V2"],
            "read_at": [datetime(2024, 3, 4, 10, 30), None],  # noqa: DTZ001
            "odometer": [1.5, 120000.0],
            "day": [date(2024, 3, 4), None],
            "ok": [True, None],
            "many": [[1, 2], None],
        }
    ).write_parquet(path)
    header, numbers, rows = _read(path)
    assert (header, numbers) == ([*HEADER, "day", "ok", "many"], [2, 3])
    assert rows[0] == ["V1", "2024-03-04 10:30:00.000000", "1.5", "2024-03-04", "true", "[1, 2]"]
    assert rows[1] == ["V2", None, "120000.0", None, None, "null"]


def test_a_workbook_with_title_rows_sheets_dates_serials_formulas_and_blanks(tmp_path: Path) -> None:
    path = tmp_path / "readings.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("cover").write(0, 0, "nothing here")
        sheet = book.add_worksheet("data")
        sheet.write(1, 0, "Readings")
        sheet.write_row(3, 0, HEADER)
        sheet.write(4, 0, "007")
        sheet.write_datetime(4, 1, datetime(2024, 3, 4, 10, 30), book.add_format({"num_format": "dd/mm/yyyy hh:mm"}))  # noqa: DTZ001
        sheet.write_number(4, 2, 120000.5)
        sheet.write_number(6, 0, 8)
        sheet.write_number(6, 1, 45356.25)
        sheet.write_formula(6, 2, "=2*3", None, 6)
    header, numbers, rows = _read(path, sheet="data", skip_rows=3)
    assert (header, numbers) == (HEADER, [5, 7])
    assert rows == [["007", "2024-03-04 10:30:00", "120000.5"], ["8", "45356.25", "6"]]


@pytest.mark.parametrize(
    ("name", "content", "keys", "says"),
    [
        ("a.csv", b"", {}, "is empty"),
        ("a.csv", b"vehicle_id,read_at\nV1,2024-03-04\n", {}, "has no column for odometer"),
        ("a.csv", b"vehicle_id,read_at,odometr\n", {}, "is it 'odometr'?"),
        ("a.csv", b"vehicle_id,read_at,odometer,odometer\n", {}, "2 columns 'odometer'"),
        ("a.csv", b"x,y\n", {"columns": {"vehicle_id": "Fleet"}}, "has no column 'Fleet' for vehicle_id"),
        ("a.csv", b"vehicle_id,read_at,odometer\n", {"skip_rows": 5}, "has no header in row 6"),
        ("a.csv", b'"vehicle_id,read_at,odometer\n', {}, "has no header in row 1"),
        ("a.csv", "vehicle_id,read_at".encode("utf-16-le"), {}, "holds NUL bytes"),
        ("a.csv", b"x" * 17_000_000, {}, "a line of over 16,000,000 characters"),
        ("a.csv.gz", b"not gzip", {}, "breaks off or is damaged"),
        ("a.csv.gz", gzip.compress(b"vehicle_id,read_at,odometer\nV1,2024-03-04,5\n", mtime=0)[:-12], {}, "breaks off"),
        ("a.jsonl", b"vehicle_id\n", {}, "holds no JSON object"),
        ("a.xlsx", b"vehicle_id,read_at\n", {}, "is not a workbook. Copy or save it again"),
        ("a.xlsx", b"PK\x05\x06" + b"\0" * 18, {}, "is not a readable workbook"),
        ("a.parquet", b"PAR1 no", {}, "is not a readable Parquet file"),
    ],
)
def test_a_broken_file_is_answered_in_one_sentence(
    tmp_path: Path, *, name: str, content: bytes, keys: dict[str, Any], says: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UnreadableFileError) as error:
        list(read_rows(path, _map(name, **keys)).batches)
    assert says in str(error.value)
    assert str(error.value).startswith(str(path))


def test_a_file_that_is_not_there_a_folder_and_a_missing_sheet_are_answered(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError, match="cannot be opened"):
        read_rows(tmp_path / "absent.csv", _map("absent.csv"))
    (tmp_path / "folder.csv").mkdir()
    with pytest.raises(UnreadableFileError, match="cannot be opened"):
        list(read_rows(tmp_path / "folder.csv", _map("folder.csv")).batches)
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        book.add_worksheet("data")
    with pytest.raises(UnreadableFileError, match=r"has no sheet 'dta'\. Set sheet to one of data"):
        read_rows(tmp_path / "a.xlsx", _map("a.xlsx", sheet="dta"))
    with pytest.raises(UnreadableFileError, match="has no header in row 1"):
        read_rows(tmp_path / "a.xlsx", _map("a.xlsx"))


def test_a_workbook_that_unpacks_to_too_much_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        book.add_worksheet("data").write_row(0, 0, HEADER)
    monkeypatch.setattr("pipelines.sources.formats.workbooks.MAX_WORKBOOK_BYTES", 1_000)
    with pytest.raises(UnreadableFileError, match="unpacks to over 1,000 bytes"):
        read_rows(tmp_path / "a.xlsx", _map("a.xlsx"))


def test_a_stray_cell_in_the_far_corner_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        sheet = book.add_worksheet("data")
        sheet.write_row(0, 0, HEADER)
        sheet.write(1_048_575, 16_383, "x")
    with pytest.raises(UnreadableFileError, match="has a cell as far out as XFD1048576"):
        read_rows(tmp_path / "a.xlsx", _map("a.xlsx"))


def test_a_gzip_that_breaks_off_late_is_answered_while_reading(tmp_path: Path) -> None:
    path = tmp_path / "a.csv.gz"
    lines = "".join(f"V{number},2024-03-04,{number * 7919}\n" for number in range(200_000))
    packed = gzip.compress(f"vehicle_id,read_at,odometer\n{lines}".encode())
    path.write_bytes(packed[: len(packed) * 3 // 4])
    file = read_rows(path, _map(path.name))
    with pytest.raises(UnreadableFileError, match="breaks off"):
        list(file.batches)


def test_the_digest_is_the_files_sha_256(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1.
    assert content_digest(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path.write_bytes(b"a" * 3_000_000)
    assert content_digest(path) == hashlib.sha256(b"a" * 3_000_000).hexdigest()
    with pytest.raises(UnreadableFileError, match="cannot be opened"):
        content_digest(tmp_path)


TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\ufffd\u2400\ufeff"), max_size=8)


@settings(max_examples=25, deadline=None)
@given(
    rows=st.lists(
        st.lists(TEXT, min_size=3, max_size=3).filter(lambda row: any(cell.strip() for cell in row)), max_size=6
    ),
    name=st.sampled_from(["a.csv", "a.csv.gz", "a.jsonl", "a.parquet", "a.xlsx"]),
)
def test_what_is_written_is_read_back_in_every_format(tmp_path_factory, rows: list[list[str]], name: str) -> None:
    path = tmp_path_factory.mktemp("written") / name
    write_table(path, HEADER, rows)
    header, _, read = _read(path) if rows or "json" not in name else (HEADER, [], [])
    assert header == HEADER
    assert [[cell or "" for cell in row] for row in read] == rows


SOUND_PIECES = ("V1,2024-03-04,5\n", 'V1,"a,\nb",5\n', '"V ""1""",,\r\n', ",,\n", '"","",""\n', " ,\t, \n", "é,ü,ß\n")
ODD_PIECES = (
    "\n" * 99,
    "\n",
    "\r\n",
    "\r",
    '"',
    ",",
    "V1,2024\n",
    "V1;2;5\n",
    "V1,\0,5\n",
    'V"1,2,3\n',
    'x",y,"z\n',
    "V1,2,3",
)
PIECES = st.lists(st.sampled_from(SOUND_PIECES + ODD_PIECES) | st.text('ab"\n\r, ', max_size=6), max_size=25)


@settings(max_examples=300, deadline=None)
@given(
    pieces=PIECES,
    encoding=st.sampled_from([("utf-8", None), ("cp1252", "cp1252"), ("cp1252", None), ("utf-8-sig", None)]),
)
def test_text_read_at_once_gives_the_rows_that_reading_row_by_row_gives(
    tmp_path_factory, pieces: list[str], encoding: tuple[str, str | None]
) -> None:
    path = tmp_path_factory.mktemp("pieces") / "a.csv"
    path.write_bytes(("vehicle_id,read_at,odometer\n" + "".join(pieces)).encode(encoding[0]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipelines.sources.formats.well_formed.PIECE_BYTES", 40)
        at_once = _read(path, encoding=encoding[1])
        patch.setattr("pipelines.sources.formats.delimited._end_of_header", lambda *_: None)
        assert _read(path, encoding=encoding[1]) == at_once


JSON_VALUES = st.sampled_from(
    [
        *('"V1"', '""', '" "', "1.50", "1E5", "-0", "true", "null", '"\\\\\\""', '"\\n\\/"', '"é\u2028"', '"\\u00e9"'),
        *('"\\ud800"', '"a\\"', "01", ".5", "NaN", "-Infinity", "[1,2]", '{"a": null}', '"\t"', '"\x1f"', '"\0"'),
        *("tru", '"\\x"', '"a"b"'),
    ]
)
JSON_NAMES = st.sampled_from(
    (
        *[tuple(HEADER)] * 4,
        ("odometer", *HEADER[:2]),
        (*HEADER, 'a"b', "c\\n"),
        (*HEADER, "é.*(", "a b"),
        HEADER[:1] * 2,
    )
)
JSON_LINES = st.builds(
    lambda names, values, mark, end: f"{{{mark.join(map('{}: {}'.format, map(json.dumps, names), values))}{end}",
    JSON_NAMES,
    st.lists(JSON_VALUES, min_size=3, max_size=5),
    st.sampled_from([",", " ,\t"]),
    st.sampled_from(["}"] * 9 + ["} ", "", ",}", "}\x0b", "}}"]),
)


@settings(max_examples=200, deadline=None)
@given(
    lines=st.lists(JSON_LINES | st.sampled_from(["", " ", "[]", "{}", "{"]), max_size=25),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "cp1252"]),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_lines_of_objects_read_at_once_give_the_rows_that_reading_one_by_one_gives(
    tmp_path_factory, lines: list[str], encoding: str, line_end: str
) -> None:
    path = tmp_path_factory.mktemp("lines") / "a.jsonl"
    first = json.dumps(dict.fromkeys(HEADER, "V1"))
    path.write_bytes(line_end.join([first, *lines]).encode(encoding, errors="replace"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipelines.sources.formats.json_lines.PIECE_CHARACTERS", 200)
        at_once = _read(path)
        patch.setattr("pipelines.sources.formats.json_lines.MAX_LAYOUTS", 0)
        assert _read(path) == at_once


def test_parquet_texts_that_are_too_many_for_a_batch_are_written_out_in_parts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.parquet"
    cells = [[f"V{number}", "2024-03-04", "x" * 40] for number in range(9)]
    pl.DataFrame(cells, schema=HEADER, orient="row").write_parquet(path)
    monkeypatch.setattr("pipelines.sources.formats.parquet.CHARACTERS_PER_BATCH", 400)
    assert [batch.height for batch in read_rows(path, _map(path.name)).batches] == [4, 5]
    assert _read(path) == (HEADER, list(range(2, 11)), cells)
    monkeypatch.setattr("pipelines.sources.formats.parquet.CHARACTERS_PER_BATCH", 300)
    with pytest.raises(UnreadableFileError, match="holds over 300 characters in 9 rows"):
        _read(path)


def test_parquet_times_beyond_the_calendar_stand_as_numbers(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    times = pl.Series([2**62, -(2**62), 0, None], dtype=pl.Int64).cast(pl.Datetime("us"))
    pl.DataFrame({"vehicle_id": ["V1"] * 4, "read_at": times, "odometer": ["5"] * 4}).write_parquet(path)
    found = [row[1] for row in _read(path)[2]]
    assert found == [str(2**62), str(-(2**62)), "1970-01-01 00:00:00.000000", None]


def test_plain_lines_of_objects_are_read_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.jsonl"
    rows = [{"vehicle_id": 'V"1"\n\\', "read_at": "2024-03-04", "odometer": number} for number in range(99)]
    rows += [row | {f"more {place}": True for place in range(12)} for row in rows]
    path.write_text("\n".join(map(json.dumps, rows)))
    parsed = []
    decode = json_lines._json_object
    monkeypatch.setattr(json_lines, "_json_object", lambda line: parsed.append(line) or decode(line))
    read = _read(path)[2]
    assert read == [[*map(str, row.values()), *[None] * 12] for row in rows[:99]] + [
        ['V"1"\n\\', "2024-03-04", str(number), *["true"] * 12] for number in range(99)
    ]
    assert len(parsed) == 2


def test_sound_text_is_read_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_text(csv_text([HEADER, *ROWS * 50]))
    one_by_one = "pipelines.sources.formats.delimited._numbered"
    monkeypatch.setattr(one_by_one, lambda *_: pytest.fail("rows were read one by one"))
    assert next(read_rows(path, _map(path.name)).batches).height == 150
