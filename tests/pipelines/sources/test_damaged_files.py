"""Files damaged at random are either read or answered in one sentence, and never lose a row without a word."""

import gzip
import random
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from models.errors import UnreadableFileError
from models.records.landed import joined
from pipelines.sources import match, read_rows

HEADER = ["vehicle_id", "read_at", "odometer"]
ROWS = [[f"V{number}", "2024-03-04", str(number * 7919)] for number in range(60)]
TEXT = "\n".join(",".join(row) for row in [HEADER, *ROWS]).encode()


def _sound_file(path: Path) -> bytes:
    if path.suffix == ".xlsx":
        with xlsxwriter.Workbook(path) as book:
            sheet = book.add_worksheet()
            for number, row in enumerate([HEADER, *ROWS]):
                sheet.write_row(number, 0, row)
    elif path.suffix == ".jsonl":
        pl.DataFrame(ROWS, schema=HEADER, orient="row").write_ndjson(path)
    elif path.suffix == ".parquet":
        pl.DataFrame(ROWS, schema=HEADER, orient="row").write_parquet(path)
    else:
        path.write_bytes(gzip.compress(TEXT) if path.suffix == ".gz" else TEXT)
    return path.read_bytes()


def _damaged(content: bytes, chance: random.Random) -> bytes:
    """Flip, insert or delete bytes, or break off."""
    damaged = bytearray(content)
    for _ in range(chance.choice([1, 2, 8, 40])):
        place = chance.randrange(len(damaged) + 1)
        kind = chance.random()
        if kind < 0.5:
            damaged[place : place + 1] = chance.randbytes(1)
        elif kind < 0.7:
            damaged[place:place] = chance.randbytes(chance.randrange(1, 9))
        elif kind < 0.85:
            del damaged[place : place + chance.randrange(1, 30)]
        elif kind < 0.95:
            del damaged[place:]
        else:
            damaged[place:place] = b"\0" * 5
    return bytes(damaged)


@pytest.mark.parametrize(
    "name", [f"odometer_readings.{suffix}" for suffix in ("csv", "csv.gz", "jsonl", "xlsx", "parquet")]
)
def test_a_damaged_file_is_read_or_answered(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    content = _sound_file(path)
    (source,) = match(name, [])
    chance = random.Random(name)
    answers = []
    for _ in range(60):
        path.write_bytes(_damaged(content, chance))
        try:
            answers.append(sum(batch.height for batch in read_rows(path, source).batches))
        except UnreadableFileError as error:
            answers.append(str(error).removeprefix(str(path)))
    assert len(answers) == 60
    assert any(isinstance(answer, str) for answer in answers)


def test_every_damaged_line_of_a_csv_is_still_there(tmp_path: Path) -> None:
    path = tmp_path / "odometer_readings.csv"
    (source,) = match(path.name, [])
    chance = random.Random(5)
    first, *lines = TEXT.split(b"\n")
    for _ in range(60):
        broken = [line + chance.choice([b"", b'"', b',"', b'"x', b"\xff", b",,,", b"\0"]) for line in lines]
        path.write_bytes(b"\n".join([first, *broken]))
        file = read_rows(path, source)
        rows = joined(file.batches).listed(width=len(file.header))
        text = rows["cells"].list.join(",").str.join("\n").item()
        assert [number for number in range(60) if f"V{number}," not in text] == []
