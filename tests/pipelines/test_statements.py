"""The statements command's reading of any CSV."""

import csv
import gzip
import io
from pathlib import Path

import pytest

from models.errors import UnreadableFileError, UsageError
from pipelines.statements import COLUMNS, statements


def _file(folder: Path, content: str | bytes, name: str = "notes.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
    return path


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_any_delimiter_and_encoding_is_read(tmp_path: Path, encoding: str, delimiter: str) -> None:
    rows = [("id", "text"), ("1", '"rocker cover leaking, café side; rear"'), ("2", "valve cover dry")]
    content = "\r\n".join(delimiter.join(row) for row in rows)
    read = statements(_file(tmp_path, content, encoding=encoding), "text")
    assert tuple(read.columns) == COLUMNS
    assert read.select("row", "component", "polarity").rows() == [
        (1, "cover_gasket", "present"),
        (2, "cover_gasket", "absent"),
    ]


def test_rows_are_data_rows_not_lines(tmp_path: Path) -> None:
    content = 'text,x\n"rocker cover\nleaking",1\n\n,2\nsump leaking,3\nshort\n'
    read = statements(_file(tmp_path, content), "text")
    assert read.select("row", "component").rows() == [
        (1, "cover_gasket"),
        (2, "none"),
        (3, "other_oil_leak"),
        (4, "none"),
    ]
    assert read["span_text"][0] == "rocker cover\nleaking"


def _labelled_texts() -> list[str]:
    files = sorted((Path(__file__).parents[1] / "models" / "notes").glob("*_notes.csv"))
    rows = [row for file in files for row in csv.DictReader(io.StringIO(file.read_text(encoding="utf-8")))]
    return [row["text"] for row in rows]


HOSTILE = (
    "=cmd|' /C calc'!A0 rocker cover leaking",
    "@SUM(A1) rocker cover dry",
    "rocker\0cover leaking\0",
    "rocker cover leaking\r\nsump dry\rrear main leaking\n",
    'rocker cover "leaking"; bad, very',
    "ROCKER COVER LEAKİNG \u202e ﬁ 😀",
    "[ ] [x] rocker cover leaking " * 500,
    "rocker cover leaking. " * 5_000,
    "(" * 100_000,
)
"""Cells that other programs run as a formula, cut at a zero byte, or choke on."""


def test_spans_are_the_characters_of_their_rows(tmp_path: Path) -> None:
    texts = [*_labelled_texts(), *HOSTILE]
    content = io.StringIO(newline="")
    csv.writer(content).writerows([("id", "text"), *enumerate(texts)])
    read = statements(_file(tmp_path, content.getvalue()), "text")
    assert read["row"].unique(maintain_order=True).to_list() == list(range(1, len(texts) + 1))
    spans = read.select("row", "span_start", "span_end", "span_text").iter_rows()
    assert [row for row, start, end, span in spans if texts[row - 1][start:end] != span] == []


def test_gzip_is_read_whatever_its_name(tmp_path: Path) -> None:
    path = _file(tmp_path, gzip.compress(b"text\nrocker cover leaking\n"))
    assert statements(path, "text")["component"].to_list() == ["cover_gasket"]


def test_column_names_are_matched_without_case_where_one_matches(tmp_path: Path) -> None:
    assert statements(_file(tmp_path, "No, Text \n1,rocker cover leaking\n"), "text")["row"].to_list() == [1]


def test_a_missing_column_is_named_with_those_found(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"notes\.csv has no column 'finding'; it has 'id', 'remarks'"):
        statements(_file(tmp_path, "id,remarks\n1,ok\n"), "finding")


@pytest.mark.parametrize(
    ("content", "fault"),
    [(b"", "is empty"), (b"PK\x03\x04\x14\0text\n", "is not text"), (b"\x1f\x8b broken", "cannot be read")],
)
def test_what_cannot_be_read_is_said_plainly(tmp_path: Path, content: bytes, fault: str) -> None:
    with pytest.raises(UnreadableFileError, match=fault):
        statements(_file(tmp_path, content), "text")


def test_a_missing_file_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError, match="No such file"):
        statements(tmp_path / "absent.csv", "text")
