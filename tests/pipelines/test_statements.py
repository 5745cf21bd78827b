"""The statements command's reading of any CSV."""

import gzip
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


def test_gzip_is_read_whatever_its_name(tmp_path: Path) -> None:
    path = _file(tmp_path, gzip.compress(b"text\nrocker cover leaking\n"))
    assert statements(path, "text")["component"].to_list() == ["cover_gasket"]


def test_column_names_are_matched_without_case_where_one_matches(tmp_path: Path) -> None:
    assert statements(_file(tmp_path, "No, Text \n1,rocker cover leaking\n"), "text")["row"].to_list() == [1]


def test_a_missing_column_is_named_with_those_found(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"notes\.csv has no column 'finding'; it has 'id', 'remarks'"):
        statements(_file(tmp_path, "id,remarks\n1,ok\n"), "finding")


@pytest.mark.parametrize(
    ("content", "fault"), [(b"", "is empty"), (b"text\n\0\0", "is not text"), (b"\x1f\x8b broken", "cannot be read")]
)
def test_what_cannot_be_read_is_said_plainly(tmp_path: Path, content: bytes, fault: str) -> None:
    with pytest.raises(UnreadableFileError, match=fault):
        statements(_file(tmp_path, content), "text")


def test_a_missing_file_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError, match="No such file"):
        statements(tmp_path / "absent.csv", "text")
