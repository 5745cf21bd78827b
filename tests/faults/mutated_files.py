"""Files as no exporter should write them: a corpus made from a seed, and what Releak makes of each.

    .venv/bin/python tests/faults/mutated_files.py --count 10000

Each file goes, beside a small sound fleet, the whole way from the inbox to typed records, in a child process that may
take 10 seconds of processor time (so that a busy machine does not count) and 2 GiB for it. A file fails if anything but
a plain problem comes out: an exception, a dead or hanging child, too much memory, a file that no load lists, a row
without exactly one outcome, or another number of rows than were written where that is known.

A child is used again until it dies: starting one takes longer than most files. So does all that a run does once however
many files it finds; so small files go together, within the limits of one. Where anything is wrong with them, each is
judged alone.
"""

import argparse
import gzip
import io
import json
import multiprocessing
import os
import random
import sys
import tempfile
import time
import traceback
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import chain, repeat
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter

SECONDS_ALLOWED = 10.0
BYTES_ALLOWED = 2 << 30
FILES_TOGETHER = 30
SECONDS_IDLE = 60.0
IN_MEMORY = Path("/dev/shm")
AS_OF = date(2025, 1, 1)
FLEET = {
    "engine_families.csv": "engine_family,cover_positions,fuel,plug_tubes,bolts,layout,stage1_nm,settle_min,"
    'final_angle_deg\nKESTREL-4,only,petrol,yes,3,"0,0;40,0;80,0",8,30,90\n',
    "vehicles.csv": "vehicle_id,engine_family,site,in_service_on\nV1,KESTREL-4,Ossel Quay,2020-01-01\n",
}
HEADERS = {
    "odometer_readings": ("vehicle_id", "read_at", "odometer"),
    "inspection_notes": ("vehicle_id", "noted_at", "text", "odometer", "leak_class"),
    "oil_top_ups": ("vehicle_id", "topped_up_at", "volume", "odometer"),
    "work_orders": ("order_id", "vehicle_id", "site", "opened_at", "work_done", "odometer", "parts_cost"),
}
EXTREMES = (
    *("=1+1", '=HYPERLINK("x")', "@SUM(A1:A9)", "+1", "-1", "1e400", "-1e-400", "NaN", "inf", "9" * 400, "0x1F"),
    *("0000-00-00", "9999-12-31", "10000-01-01", "2024-02-30", "2024-03-04T25:61:61", "2024-03-31 01:30", "0001-01-01"),
    *("١٢٣", "2024-03-04T10:00:00+99:99", "2024-03-04 13:00 PM", "45356.25", "99999", "\u202e", "\x01\x1b[31m"),
    *("\u2028",),
    *("'; DROP TABLE landing.pieces; --", "$load_id", "{}", "%s", "../../etc/passwd", "\ufeff"),
    *("🛢️" * 40, "x" * 100_000),
)  # fmt: skip
NAME_TRICKS = (
    *("{}-..csv", "{}\n.csv", "{}\t-\r.csv", "-rf {}.csv", "a/../{}.csv", "{}-..\\..\\x.csv", "{}-%2e%2e%2f.csv"),
    *("{}-'; DROP TABLE landing.loads;.csv", "{}-$(touch x)`y`.csv", "{}-[!a]*?.csv", "{}-{{0}}%s.csv", "C:\\{}.csv"),
    *("{}-\u202evsc.csv", "{}-\u0301é.csv", "{}-\udcff.csv", "{}-" + "n" * 200 + ".csv", "d/e/" * 30 + "{}.csv"),
)  # fmt: skip


@dataclass(frozen=True)
class MutatedFile:
    """A file for the inbox.

    Args:
        name: Its path relative to the inbox.
        content: Its bytes.
        mutation: What was done to it.
        rows: How many rows it holds, where that is certain: they are all accounted for or the file is refused whole.
    """

    name: str
    content: bytes
    mutation: str
    rows: int | None = None


@dataclass(frozen=True)
class Table:
    """A sound table of one kind."""

    kind: str
    rows: list[list[str]]

    @property
    def header(self) -> list[str]:
        """The canonical column names."""
        return list(HEADERS[self.kind])

    def csv(self, delimiter: str = ",", line_end: str = "\n") -> str:
        """The table as delimited text, every cell quoted."""
        quoted = [['"' + cell.replace('"', '""') + '"' for cell in row] for row in [self.header, *self.rows]]
        lines = [delimiter.join(row) for row in quoted]
        return line_end.join(lines) + line_end

    def objects(self) -> list[dict[str, Any]]:
        """The rows as JSON objects."""
        return [dict(zip(self.header, row, strict=True)) for row in self.rows]


def mutated_file(number: int, *, seed: int = 1) -> MutatedFile:
    """Make one file of the corpus: the same number and seed make the same file."""
    chance = random.Random(f"{seed}/{number}")
    mutate = MUTATIONS[number % len(MUTATIONS)]
    return mutate(_table(chance), chance)


def _table(chance: random.Random) -> Table:
    kind = chance.choice(list(HEADERS))
    return Table(kind, [_row(kind, chance) for _ in range(chance.choice([1, 3, 20, 60]))])


def _row(kind: str, chance: random.Random) -> list[str]:
    at = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(minutes=chance.randrange(2_000_000))
    cells = {"vehicle_id": "V1", "site": "Ossel Quay", "leak_class": chance.choice(["I", "II", "III", ""])}
    cells |= {name: at.strftime("%Y-%m-%d %H:%M") for name in ("read_at", "noted_at", "topped_up_at", "opened_at")}
    cells |= {"odometer": str(chance.randrange(400_000)), "volume": f"{chance.uniform(0.1, 3):.2f}"}
    cells |= {"order_id": f"W{chance.randrange(10**6)}", "parts_cost": f"{chance.uniform(0, 90):.2f}"}
    cells["text"] = cells["work_done"] = chance.choice(["dry", 'Öl am Deckel, "leicht"', "a\nb", "it's; ok"])
    return [cells[name] for name in HEADERS[kind]]


def _damaged(content: bytes, chance: random.Random) -> bytes:
    """Flip, insert, delete or repeat bytes."""
    damaged = bytearray(content)
    for _ in range(chance.choice([1, 2, 8, 40])):
        place = chance.randrange(len(damaged) + 1)
        end = place + chance.randrange(1, 9)
        odd = [chance.randbytes(1), chance.randbytes(9), b"", b"\0" * 4, b'"', b"\r", b"\xff\xff\xff\x7f"]
        damaged[place:end] = chance.choice([*odd, bytes(damaged[:end])])
    return bytes(damaged)


def _sound(table: Table, suffix: str) -> bytes:
    """The table in the format of a suffix."""
    lines = "".join(json.dumps(row) + "\n" for row in table.objects()).encode()
    match suffix:
        case "jsonl":
            return lines
        case "jsonl.gz":
            return gzip.compress(lines, mtime=0)
        case "csv.gz":
            return gzip.compress(table.csv().encode(), mtime=0)
        case "xlsx":
            return _workbook_of([table.header, *table.rows])
        case "parquet":
            return _parquet(
                {name: list(cells) for name, cells in zip(table.header, zip(*table.rows, strict=True), strict=True)}
            )
    return table.csv().encode()


SUFFIXES = ("csv", "csv.gz", "jsonl", "jsonl.gz", "xlsx", "parquet")


def _workbook_of(rows: list[list[Any]]) -> bytes:
    packed = io.BytesIO()
    with xlsxwriter.Workbook(packed, {"in_memory": True}) as book:
        book.set_properties({"created": datetime(2024, 1, 1)})  # noqa: DTZ001
        sheet = book.add_worksheet()
        for number, row in enumerate(rows):
            for place, cell in enumerate(row):
                sheet.write(number, place, cell)
    return packed.getvalue()


def _parquet(columns: dict[str, Any], **options: Any) -> bytes:
    packed = io.BytesIO()
    pq.write_table(pa.table(columns), packed, **options)
    return packed.getvalue()


def damage_any_format(table: Table, chance: random.Random) -> MutatedFile:
    """Flip, insert and delete bytes in a sound file of any format."""
    suffix = chance.choice(SUFFIXES)
    return MutatedFile(f"{table.kind}.{suffix}", _damaged(_sound(table, suffix), chance), "bytes damaged")


def damage_inside_the_packing(table: Table, chance: random.Random) -> MutatedFile:
    """Damage what a gzip or a workbook holds, and pack it soundly again."""
    if chance.random() < 0.4:
        suffix = chance.choice(["csv", "jsonl"])
        content = gzip.compress(_damaged(_sound(table, suffix), chance), mtime=0)
        return MutatedFile(f"{table.kind}.{suffix}.gz", content, "bytes damaged inside a gzip")
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_sound(table, "xlsx"))) as sound, zipfile.ZipFile(packed, "w") as made:
        names = sound.namelist()
        struck = set(chance.sample(names, chance.randrange(1, 4))) | {chance.choice(["xl/worksheets/sheet1.xml", ""])}
        for name in names:
            made.writestr(name, _damaged(sound.read(name), chance) if name in struck else sound.read(name))
    return MutatedFile(f"{table.kind}.xlsx", packed.getvalue(), "bytes damaged inside a workbook")


def break_off(table: Table, chance: random.Random) -> MutatedFile:
    """Cut a file short."""
    suffix = chance.choice(SUFFIXES)
    content = _sound(table, suffix)
    return MutatedFile(f"{table.kind}.{suffix}", content[: chance.randrange(len(content))], "broken off")


def call_it_another_format(table: Table, chance: random.Random) -> MutatedFile:
    """Give a file another format's suffix."""
    content, suffix = _sound(table, chance.choice(SUFFIXES)), chance.choice(SUFFIXES)
    return MutatedFile(f"{table.kind}.{suffix}", content, "another format's suffix")


def write_in_another_encoding(table: Table, chance: random.Random) -> MutatedFile:
    """Write text in an encoding that nobody declared, or in two."""
    names = ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "cp037", "utf-7", "shift_jis", "utf-8-sig"]
    first, second = chance.choice(names), chance.choice(names)
    text = _sound(table, chance.choice(["csv", "jsonl"])).decode()
    half = chance.choice([len(text), len(text) // 2])
    content = text[:half].encode(first, errors="replace") + text[half:].encode(second, errors="replace")
    return MutatedFile(f"{table.kind}.{'jsonl' if text.startswith('{') else 'csv'}", content, "another encoding")


def sprinkle_nuls(table: Table, chance: random.Random) -> MutatedFile:
    """Put NUL bytes into some rows."""
    content = bytearray(table.csv().encode())
    for _ in range(chance.choice([1, 5, 50])):
        place = chance.randrange(len(content) + 1)
        content[place:place] = b"\0" * chance.choice([1, 1, 1, 512])
    return MutatedFile(f"{table.kind}.csv", bytes(content), "NUL bytes")


def widen(table: Table, chance: random.Random) -> MutatedFile:
    """Give the header, or one row, or all of them, thousands of cells, seldom a million."""
    width = chance.choice([1_000, 1_000, 1_000, 20_000, 20_000, 200_000]) if chance.random() < 0.95 else 1_000_000
    which = chance.choice(["header", "row", "all"])
    lines = Table(table.kind, table.rows[:3]).csv().replace("a\nb", "a b").splitlines()
    for place in {"header": [0], "row": [len(lines) - 1], "all": list(range(len(lines)))}[which]:
        lines[place] += "".join(f",c{number}" for number in range(width))
    return MutatedFile(f"{table.kind}.csv", "\n".join(lines).encode(), f"{which} {width:,} wide", len(lines) - 1)


def repeat_the_header(table: Table, chance: random.Random) -> MutatedFile:
    """Write the header again, between or after the rows, or a column of it twice."""
    if chance.random() < 0.3:
        text = table.csv().replace('"vehicle_id"', '"vehicle_id","vehicle_id"', 1)
        return MutatedFile(f"{table.kind}.csv", text.encode(), "a column twice in the header")
    again = Table(table.kind, [row for row in table.rows for row in (table.header, row)])
    suffix = chance.choice(["csv", "csv.gz", "xlsx"])
    return MutatedFile(f"{table.kind}.{suffix}", _sound(again, suffix), "header again", 2 * len(table.rows))


def gzip_again(table: Table, chance: random.Random) -> MutatedFile:
    """Pack twice or thrice, join two members, or add what is no gzip."""
    content = gzip.compress(table.csv().encode(), mtime=0)
    content = chance.choice(
        [gzip.compress(content, mtime=0), gzip.compress(gzip.compress(content)), content + content, content + b"rest"]
    )
    return MutatedFile(f"{table.kind}.csv{chance.choice(['.gz', '.gz.gz'])}", content, "gzip in gzip")


def gzip_bomb(table: Table, chance: random.Random) -> MutatedFile:
    """Pack hundreds of megabytes of nothing, of blank lines or of one row into little."""
    filler = chance.choice([b"\0", b"\n", b" ", b",", ",".join(table.rows[0]).replace("\n", "").encode() + b"\n"])
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0, compresslevel=6) as made:
        made.write(",".join(table.header).encode() + b"\n")
        for _ in range(chance.choice([20, 200])):
            made.write(filler * ((1 << 20) // len(filler)))
    return MutatedFile(f"{table.kind}.{chance.choice(['csv', 'jsonl'])}.gz", packed.getvalue(), "gzip bomb")


def leave_quotes_open(table: Table, chance: random.Random) -> MutatedFile:
    """Open quotation marks that never close, or that close where the next row opens another."""
    line = chance.choice(['V1,"x,1', '"V1', 'x",y,"z', 'V1,"x"y,1', '"""', 'V1,"a\n\n\n"",1'])
    lines = table.csv().splitlines() + [line] * chance.choice([1, 2, 1_001, 20_000]) + table.csv().splitlines()[1:]
    return MutatedFile(f"{table.kind}.csv", "\n".join(lines).encode(), f"open quotes: {line!r}")


def change_line_ends(table: Table, chance: random.Random) -> MutatedFile:
    """End lines by CR, by CR CR LF, or by each in turn."""
    plain = Table(table.kind, [[cell.replace("\n", " ") for cell in row] for row in table.rows])
    ends = chance.choice([["\r"], ["\r\n"], ["\r", "\n", "\r\n"], ["\n", "\r\r\n"]])
    text = "".join(line + chance.choice(ends) for line in plain.csv().splitlines())
    return MutatedFile(f"{table.kind}.csv", text.encode(), f"line ends {ends}", len(table.rows))


def write_one_long_line(table: Table, chance: random.Random) -> MutatedFile:
    """Write ten million characters without a line end."""
    filler = chance.choice(["x", ",", '"', '"a",', "{", "[", '{"a":'])
    long = filler * (10_000_000 // len(filler))
    before = table.csv() if chance.random() < 0.7 else ""
    return MutatedFile(f"{table.kind}.{chance.choice(['csv', 'jsonl'])}", (before + long).encode(), f"long {filler!r}")


def put_extremes_in_cells(table: Table, chance: random.Random) -> MutatedFile:
    """Put formulas, numbers and dates past any bound, and odd signs into cells."""
    rows = [[chance.choice(EXTREMES) if chance.random() < 0.4 else cell for cell in row] for row in table.rows]
    suffix = chance.choice(["csv", "jsonl", "parquet", "csv.gz", "xlsx"])
    odd = Table(table.kind, [[cell[:32_000] for cell in row] for row in rows] if suffix == "xlsx" else rows)
    return MutatedFile(f"{table.kind}.{suffix}", _sound(odd, suffix), "extreme cells", len(rows))


def make_ragged(table: Table, chance: random.Random) -> MutatedFile:
    """Drop or add cells, mix delimiters, add blank lines and titles."""
    rows = [row[: chance.randrange(len(row) + 1)] + [""] * chance.choice([0, 0, 1, 9]) for row in table.rows]
    delimiter, line_end = chance.choice([",", ";", "\t", "|"]), chance.choice(["\n", "\n\n", ";\n", " \n"])
    text = Table(table.kind, rows).csv(delimiter, line_end)
    return MutatedFile(f"{table.kind}.csv", (chance.choice(["", "", "Title\n", "\ufeff"]) + text).encode(), "ragged")


def write_odd_json(table: Table, chance: random.Random) -> MutatedFile:
    """Write values that are arrays, objects, huge or deep, lines that are no object, and ever new names."""
    deep = chance.choice([10, 900, 100_000])
    odd = [
        *("[1,2]", '"text"', "null", "12", "{", "}", "{}", '{"vehicle_id":', "NaN", "[" * deep + "]" * deep),
        *('{"a":' * deep + "1" + "}" * deep, '{"vehicle_id":' + "9" * 5_000 + "}", '{"vehicle_id":1e999999}'),
        *('{"vehicle_id":["V1"],"odometer":{"km":1}}', '{"vehicle_id":"\\ud800"}'),
        '{"vehicle_id":"V1","vehicle_id":2}',
        *('{"vehicle_id":Infinity}', '{"":"x","\\u0000":1}', '{"vehicle_id":' + "[" * 400 + "]" * 400 + "}"),
    ]  # fmt: skip
    lines = [json.dumps(row) for row in table.objects()] + [chance.choice(odd) for _ in range(20)]
    return MutatedFile(f"{table.kind}.jsonl", "\n".join(lines).encode(), "odd JSON")


def write_ever_new_names(table: Table, chance: random.Random) -> MutatedFile:
    """Write JSON lines each of which brings names that no other has."""
    lines, names = chance.choice([(20, 20), (2_000, 50), (20_000, 20)])
    odd = ("{" + ",".join(f'"{line}-{name}":1' for name in range(names)) + "}" for line in range(lines))
    text = "\n".join([json.dumps(table.objects()[0]), *odd])
    return MutatedFile(f"{table.kind}.jsonl", text.encode(), "ever new names")


def write_odd_parquet(table: Table, chance: random.Random) -> MutatedFile:
    """Write columns of types a table of text does not expect, repeated names, many columns, or nothing."""
    odd: list[Any] = [
        pa.array([None, None], pa.null()),
        pa.array([b"\xff\0", None]),
        pa.array([Decimal("1.50"), None]),
        pa.array([2**62, -(2**62)], pa.timestamp("ns")),
        pa.array([2**52, None], pa.timestamp("s")),
        pa.array([2**31 - 1, None], pa.date32()),
        pa.array([1, None], pa.duration("us")),
        pa.array([1, None], pa.time64("ns")),
        pa.array([[1], None]),
        pa.array([{"a": [b"x"]}, None]),
        pa.array([float("nan"), float("-inf")]),
        pa.array(["a", "b"]).dictionary_encode(),
        pa.array(["V1", "x" * 100_000], pa.large_string()),
        pa.array([2**64 - 1, 0], pa.uint64()),
        pa.array([[("k", 1)], None], pa.map_(pa.string(), pa.int64())),
        pa.array([1.5, None], pa.float16()),
    ]
    columns = [chance.choice(odd) for _ in table.header] + [chance.choice(odd)] * chance.choice([0, 0, 3, 2_000])
    names = (table.header + [chance.choice(["more", "\0", "", "vehicle_id"])] * len(columns))[: len(columns)]
    packed = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(columns, names=names).slice(0, chance.choice([0, 2, 2])), packed)
    return MutatedFile(f"{table.kind}.parquet", packed.getvalue(), "odd Parquet")


def write_parquet_bomb(table: Table, chance: random.Random) -> MutatedFile:
    """Write one long text, or one row, so often that it packs into little."""
    if chance.random() < 0.5:
        text = pa.DictionaryArray.from_arrays(pa.array([0] * 20_000, pa.int32()), pa.array(["x" * 1_000_000]))
        columns: dict[str, Any] = {name: text for name in table.header}
        return MutatedFile(f"{table.kind}.parquet", _parquet(columns), "a long text 20,000 times")
    columns = {name: [cell] * 100_000 for name, cell in zip(table.header, table.rows[0], strict=True)}
    return MutatedFile(f"{table.kind}.parquet", _parquet(columns), "one row 100,000 times", 100_000)


_PARTS = {
    "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>',
    "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
    'Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" '
    'Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://'
    'schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="s" sheetId="1" r:id="r1"/>'
    "</sheets></workbook>",
    "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" '
    'Target="worksheets/sheet1.xml"/></Relationships>',
}
_SHEET = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
_END = "</sheetData></worksheet>"


def _inline(texts: list[str], row: int, *, places: bool = True) -> str:
    stated = [f' r="{chr(ord("A") + number)}{row}"' if places else "" for number in range(len(texts))]
    cells = [f'<c{place} t="inlineStr"><is><t>{text}</t></is></c>' for place, text in zip(stated, texts, strict=True)]
    return f'<row r="{row}">{"".join(cells)}</row>'


def _packed(parts: dict[str, str | Iterator[bytes]]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as book:
        for name, part in parts.items():
            info = zipfile.ZipInfo(name, (2024, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            with book.open(info, "w", force_zip64=True) as entry:
                for piece in [part.encode()] if isinstance(part, str) else part:
                    entry.write(piece)
    return packed.getvalue()


def write_workbook_bomb(table: Table, chance: random.Random) -> MutatedFile:
    """Write a workbook whose cells stand where its dimension does not say, or that unpacks to far more than it is."""
    header = _inline(table.header, 1)
    megabytes = chance.choice([100, 2_500] if chance.random() < 0.2 else [20, 200])
    many = "".join(f'<row r="{row}"><c r="A{row}" t="s"><v>0</v></c></row>' for row in range(2, 40_000))
    far = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    past = '<row r="4294967295"><c r="ZZZZZ4294967295"><v>1</v></c></row>'
    entities = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    unplaced = _inline(table.header, 1, places=False) + _inline(table.rows[0], 2, places=False)
    endless = f'{_SHEET}<sheetData>{header}<row r="2"><c r="A2" t="inlineStr"><is><t>'.encode()
    bodies: dict[str, str | Iterator[bytes]] = {
        "a false dimension and a far cell": f'{_SHEET}<dimension ref="A1:C2"/><sheetData>{header}{far}{_END}',
        "no dimension and a far cell": f"{_SHEET}<sheetData>{header}{far}{_END}",
        "a far column without letters": f"{_SHEET}<sheetData>{header}<row r='900000'>{'<c/>' * 20_000}</row>{_END}",
        "a place past any sheet": f"{_SHEET}<sheetData>{header}{past}{_END}",
        "a huge dimension and few cells": f'{_SHEET}<dimension ref="A1:XFD1048576"/><sheetData>{header}{_END}',
        "blanks without end": chain([f"{_SHEET}<sheetData>".encode()], repeat(b" " * (1 << 20), megabytes)),
        "one text without end": chain([endless], repeat(b"x" * (1 << 20), megabytes)),
        "one long shared text in every row": f"{_SHEET}<sheetData>{header}{many}{_END}",
        "cells without places": f"{_SHEET}<sheetData>{unplaced}{_END}",
        "an entity that grows": f"{entities}{_SHEET}<sheetData>{_inline(['&b;'] * 3, 1)}{_END}",
    }
    what = chance.choice(list(bodies))
    parts: dict[str, str | Iterator[bytes]] = dict(_PARTS) | {"xl/worksheets/sheet1.xml": bodies[what]}
    if "shared" in what:
        parts["xl/_rels/workbook.xml.rels"] = _PARTS["xl/_rels/workbook.xml.rels"].replace(
            "</Relationships>",
            '<Relationship Id="r2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"'
            ' Target="sharedStrings.xml"/></Relationships>',
        )
        text = "x" * chance.choice([100, 32_000, 300_000])
        parts["xl/sharedStrings.xml"] = (
            f'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>{text}</t></si></sst>'
        )
    content = _packed(parts)
    if chance.random() < 0.3:
        content = _with_false_sizes(content)
        what += ", its size understated"
    return MutatedFile(f"{table.kind}.xlsx", content, f"workbook with {what}")


def _with_false_sizes(packed: bytes) -> bytes:
    """State in the directory of a zip file that every part unpacks to 100 bytes."""
    content = bytearray(packed)
    place = content.find(b"PK\x01\x02")
    while place >= 0:
        content[place + 24 : place + 28] = (100).to_bytes(4, "little")
        place = content.find(b"PK\x01\x02", place + 4)
    return bytes(content)


def put_formulas_in_a_workbook(table: Table, chance: random.Random) -> MutatedFile:
    """Put formulas, errors, links, booleans and dates into a workbook's cells."""
    odd = ["=1/0", "=A1", "{=SUM(A1:A2)}", True, datetime(2024, 3, 4), 1e300, "https://example.org/a", ""]  # noqa: DTZ001
    rows = [[chance.choice(odd) if chance.random() < 0.4 else cell for cell in row] for row in table.rows]
    return MutatedFile(f"{table.kind}.xlsx", _workbook_of([table.header, *rows]), "formula cells")


def trick_with_the_name(table: Table, chance: random.Random) -> MutatedFile:
    """Give a sound file a name that breaks paths, statements, patterns, formats or screens."""
    name = chance.choice(NAME_TRICKS).format(table.kind)
    return MutatedFile(name, table.csv().encode(), f"name {ascii(name)[:60]}", len(table.rows))


USUAL: tuple[Callable[[Table, random.Random], MutatedFile], ...] = (
    *(damage_any_format, damage_inside_the_packing, damage_any_format, damage_inside_the_packing, break_off),
    *(call_it_another_format, write_in_another_encoding, sprinkle_nuls, repeat_the_header, gzip_again),
    *(change_line_ends, put_extremes_in_cells, make_ragged, write_odd_json, write_odd_parquet),
    *(put_formulas_in_a_workbook, trick_with_the_name, put_extremes_in_cells),
)  # fmt: skip
LARGE = (
    *(widen, gzip_bomb, leave_quotes_open, write_one_long_line, write_ever_new_names, write_parquet_bomb),
    *(write_workbook_bomb, write_workbook_bomb),
)  # fmt: skip
MUTATIONS = USUAL * 4 + LARGE


def verdict(files: Sequence[MutatedFile], folder: Path) -> str | None:
    """Take files from the inbox to typed records; return the first thing that went wrong, None where nothing did.

    Args:
        files: The files; each gets a folder of its own in the inbox.
        folder: An empty folder for the home.
    """
    from models.settings import FleetSettings
    from pipelines.home import Home
    from pipelines.landing import land_inbox, source_maps
    from pipelines.recording import account, record
    from pipelines.warehouse import Warehouse

    home = Home(folder)
    home.prepare()
    for place, file in enumerate(files):
        path = home.inbox / str(place) / file.name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(file.content)
    for name, text in FLEET.items():
        (home.inbox / name).write_text(text)
    warehouse = Warehouse(home.warehouse)
    warehouse.prepare()
    loads = land_inbox(warehouse, home)
    landed = warehouse.select("SELECT load_id, sum(row_count)::BIGINT AS n FROM landing.pieces GROUP BY ALL")
    record(warehouse, source_maps(home), as_of=AS_OF, fleet=FleetSettings())
    counts = account(warehouse)["loads"].filter(pl.col("load_id").is_in(landed["load_id"]))
    return _what_is_lost(files, loads.rows(named=True), dict(landed.rows()), counts.rows(named=True))


def _what_is_lost(
    files: Sequence[MutatedFile], loads: list[dict[str, Any]], landed: dict[str, int], counts: list[dict[str, Any]]
) -> str | None:
    if unread := [load["problem"] for load in loads if load["file"] in FLEET and landed.get(load["load_id"]) != 1]:
        return f"sound files did not load: {unread}"
    tallied = {count["load_id"]: count for count in counts}
    if landed != {load_id: count["rows_read"] for load_id, count in tallied.items()}:
        return f"{landed} rows landed, but their outcomes are {tallied}"
    for place, file in enumerate(files):
        ours = [load for load in loads if load["file"].startswith(f"{place}/")]
        if fault := next((fault for load in ours if (fault := _loss(file, load, tallied))), None):
            return fault
        if not ours:
            return "is not listed"
    return None


def _loss(file: MutatedFile, load: dict[str, Any], tallied: dict[str, dict[str, Any]]) -> str | None:
    """Say what is wrong with the account of one load of the file."""
    count = tallied.get(load["load_id"])
    if load["problem"] is not None:
        return f"has the problem {load['problem']!r} and yet {count}" if count else None
    read = count["rows_read"] if count else 0
    if count and read != sum(count[outcome] for outcome in ("accepted", "refused", "duplicate", "superseded")):
        return f"the account does not add up: {count}"
    return None if file.rows in (None, read) else f"{file.rows} rows were written, {read} read"


def _child(pipe: Connection, seed: int) -> None:
    """Judge files by their numbers until told to stop, with the seconds they took and the largest memory in bytes."""
    sys.path.insert(0, str(Path(__file__).parents[2]))
    while (numbers := pipe.recv()) is not None:
        files = [mutated_file(number, seed=seed) for number in numbers]
        Path("/proc/self/clear_refs").write_text("5")
        began = time.process_time()
        with tempfile.TemporaryDirectory(dir=IN_MEMORY if IN_MEMORY.is_dir() else None) as folder:
            try:
                fault = verdict(files, Path(folder))
            except BaseException:
                fault = traceback.format_exc(limit=-6)
            pipe.send((fault, time.process_time() - began, _largest_bytes()))


def _largest_bytes() -> int:
    """Largest resident memory of this process since it was last asked to forget (Linux)."""
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) * 1024


class Judge:
    """A child process that judges files, replaced when it dies or hangs."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._start()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_child, args=(theirs, self._seed), daemon=True)
        self._process.start()
        theirs.close()

    def judge(self, numbers: Sequence[int]) -> tuple[str | None, float, int]:
        """Return what is wrong with how files were taken, the seconds it took and the largest memory in bytes."""
        began = self._processor_seconds()
        try:
            self._pipe.send(numbers)
            if (fault := self._fault_while_waiting()) is None:
                fault, seconds, largest = self._pipe.recv()
                return fault or _past_limits(seconds, largest), seconds, largest
            spent = self._processor_seconds() - began
        except (EOFError, ConnectionError):
            self._process.join()
            fault, spent = f"the process died ({self._process.exitcode})", 0.0
        self.stop()
        self._start()
        return fault, spent, 0

    def _fault_while_waiting(self) -> str | None:
        """Wait for an answer while the child is at work and within its time; by its own clock, not a busy machine's."""
        began = worked = self._processor_seconds()
        idle_since = time.perf_counter()
        while not self._pipe.poll(1.0):
            now = self._processor_seconds()
            if now - began > 3 * SECONDS_ALLOWED:
                return f"takes more than {now - began:.0f} s"
            if now > worked:
                worked, idle_since = now, time.perf_counter()
            elif time.perf_counter() - idle_since > SECONDS_IDLE:
                return "hangs"
        return None

    def _processor_seconds(self) -> float:
        """Processor time the child has taken so far (Linux)."""
        try:
            told = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            return 0.0
        return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")

    def stop(self) -> None:
        """End the child process."""
        self._process.kill()
        self._process.join()


def _past_limits(seconds: float, largest: int) -> str | None:
    if seconds > SECONDS_ALLOWED:
        return f"took {seconds:.1f} s"
    return f"took {largest / 2**30:.2f} GiB" if largest > BYTES_ALLOWED else None


def portions(numbers: range) -> Iterator[tuple[int, ...]]:
    """The numbers of files that go together: the large ones alone, of the others so many as cost little."""
    small = [number for number in numbers if MUTATIONS[number % len(MUTATIONS)] in USUAL]
    yield from (tuple(small[start : start + FILES_TOGETHER]) for start in range(0, len(small), FILES_TOGETHER))
    yield from ((number,) for number in numbers if MUTATIONS[number % len(MUTATIONS)] in LARGE)


def _judged(judge: Judge, numbers: tuple[int, ...]) -> dict[tuple[int, ...], tuple[str | None, float, int]]:
    """Judge files together and, where anything is wrong with that, each alone."""
    together = judge.judge(numbers)
    if together[0] is None or len(numbers) == 1:
        return {numbers: together}
    alone = {(number,): judge.judge((number,)) for number in numbers}
    return alone if any(fault for fault, _, _ in alone.values()) else {numbers: together}


def main() -> None:
    """Judge the corpus; print every failure, and the slowest and the largest."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    judge, failed, slowest, most, judged = Judge(options.seed), 0, 0.0, 0, 0
    for together in portions(range(options.first, options.first + options.count)):
        for numbers, (fault, seconds, largest) in _judged(judge, together).items():
            slowest, most = max(slowest, seconds), max(most, largest)
            if fault:
                failed += 1
                done = {mutated_file(number, seed=options.seed).mutation for number in numbers}
                print(f"{', '.join(map(str, numbers))} ({', '.join(sorted(done))}): {fault}", flush=True)
        judged += len(together)
        print(f"\r{judged:,} files judged", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    judge.stop()
    print(f"{options.count:,} files, {failed} failed; slowest {slowest:.1f} s, most {most / 2**30:.2f} GiB")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
