"""Exports of one kind in any format and mess, with what must become of every row in them."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
from hypothesis import strategies as st

from models.records.references import REFERS_TO
from models.tables.records import REQUIRED_INPUT
from tests.pipelines.sources.export_files import Export, Line
from tests.pipelines.sources.facts import (
    IDENTIFIERS,
    ZONES,
    Fact,
    Fleet,
    facts,
    fleets,
    input_columns,
    stored,
    words,
)
from tests.pipelines.sources.spelling import (
    NO_TEXT,
    Draw,
    Spelling,
    bad_cells,
    native,
    spelled,
    spellings,
)
from tests.pipelines.sources.verdicts import Verdict, Written, judged
from tests.pipelines.sources.written_files import csv_text, write_text

ENCODINGS = (
    *(("utf-8", None), ("utf-8", "utf-8"), ("utf-8-sig", None), ("utf-8-sig", "cp1252"), ("utf-16", None)),
    *(("utf-16-le", "utf-16-le"), ("utf-16-be", "utf-16-be"), ("cp1252", "cp1252"), ("latin-1", "latin-1")),
)
"""What a text is written in, and what its source map says."""
SIGNS = {"latin-1": "aZ9éßñ ;,|\t\"'\n\\.-", "cp1252": "€’–œ", "utf-8": "油Ωł🛢\u2028\u0301"}
"""Signs that each encoding holds besides those of the ones before it."""
UNDECODABLE = {"utf-8": "\udcff", "utf-8-sig": "\udcff", "cp1252": "\udc81"}
"""A byte that is no sign in an encoding, as Python hands it on."""
REFERENCES = {
    "vehicles-known.csv": [
        ["vehicle_id", "engine_family", "site", "in_service_on"],
        *([vehicle, "KESTREL-4", "North", "1990-01-01"] for vehicle in IDENTIFIERS["vehicle_id"]),
    ],
    "work_orders-known.csv": [
        ["order_id", "vehicle_id", "site", "opened_at", "work_done"],
        *([order, "V1", "North", "2020-01-01", "cover gasket"] for order in IDENTIFIERS["order_id"]),
    ],
}
"""Files with the vehicles and orders that a fleet knows."""
EXTRA = ("extra 1", "extra 2")
"""Columns that no record kind has."""
WHOLE_ROW = "(row)"
NEEDS = {"vehicles": 0, "engine_families": 0, "repair_records": 2}
"""How many of them rows of a kind need; one where not said."""


@dataclass(frozen=True)
class Inbox:
    """All exports of an example, and what must become of their rows."""

    kind: str
    exports: Sequence[Export]
    fleet: Fleet
    verdict: Verdict
    rows_written: Mapping[str, int]

    def write(self, folder: Path) -> str:
        """Write the exports and what they refer to; return the source maps."""
        for name, rows in list(REFERENCES.items())[: NEEDS.get(self.kind, 1)]:
            write_text(folder / name, csv_text(rows))
        for export in self.exports:
            export.write(folder)
        return "\n".join(export.toml() for export in self.exports)


_SUFFIXES = {
    "csv": (".csv", ".txt", ".csv.gz"),
    "jsonl": (".jsonl", ".ndjson.gz"),
    "xlsx": (".xlsx",),
    "parquet": (".parquet",),
}
_titles = st.lists(st.sampled_from([["Export of the workshop"], [], ["Stand:", "1.7.2024"], ["a\nb"]]), max_size=2)


@st.composite
def inboxes(draw: Draw, kind: str) -> Inbox:
    """Two exports of the same few facts, the later one correcting the earlier."""
    encodings = draw(st.lists(st.sampled_from(ENCODINGS), min_size=1, max_size=2))
    fleet = draw(fleets(_signs([written for written, _ in encodings])))
    known = draw(st.lists(facts(kind, fleet), min_size=1, max_size=4))
    written: list[Written] = []
    exports = [
        draw(_exports(f"{number}-export", draw(_forms(kind, known, encoding, fleet)), known, written))
        for number, encoding in enumerate(encodings)
    ]
    counts = {export.file: sum(row is not None for row in export.rows) for export in exports}
    return Inbox(kind, exports, fleet, judged(kind, written), counts)


def _signs(encodings: Sequence[str]) -> str:
    """Signs that all of some encodings hold."""
    widest = next((name for name in SIGNS if name in encodings), "utf-8")
    names = list(SIGNS)
    return "".join(SIGNS[name] for name in names[: names.index(widest) + 1])


@dataclass(frozen=True)
class _Form:
    """The form of one file: everything but its rows.

    Args:
        kind: What its rows are.
        headers: Column in the file to its header there.
        constants: What its source map states in place of columns.
        spelling: How cells are spelled.
        encoding: What a text is written in, and what the source map says.
    """

    kind: str
    headers: Mapping[str, str]
    constants: Mapping[str, str]
    spelling: Spelling
    encoding: tuple[str, str | None]

    @property
    def canonical(self) -> list[str]:
        """The columns that are no extra ones."""
        return [name for name in self.headers if name not in EXTRA]

    def source(self, *, skip_rows: int) -> dict[str, Any]:
        """The keys of its source map."""
        how = self.spelling
        renamed = {name: self.headers[name] for name in self.canonical if self.headers[name].lower() != name}
        keys = {
            "kind": self.kind,
            "columns": {name: " ".join(header.split()) for name, header in renamed.items()},
            "units": {name: unit for name, unit in how.units.items() if name in self.headers},
            "dates": {name: order for name, order in how.orders.items() if order != "iso"},
            "decimal": how.decimal,
            "values": {name: {word: value for value, word in of.items()} for name, of in how.values.items()},
            "constants": self.constants,
            "skip_rows": skip_rows,
            "zone": how.fleet.zone.key,
        }
        declared = self.encoding[1]
        return keys | ({"encoding": declared} if declared and how.format in ("csv", "jsonl") else {})


Row = tuple[Line | list[str], dict[str, Any]]
"""A row to be written, and what is known of it."""


@st.composite
def _exports(draw: Draw, stem: str, form: _Form, known: list[Fact], written: list[Written]) -> Export:
    """One file with some of the known facts, some of them spoiled; what it holds is added to what is written."""
    how = form.spelling
    above = draw(_titles) if how.format in ("csv", "xlsx") else []
    source = form.source(skip_rows=len(above))
    dialect = _dialect(draw, how.format)
    if how.format == "csv" and draw(st.booleans()):
        source["delimiter"] = dialect["delimiter"]
    if how.format == "xlsx" and draw(st.booleans()):
        source["sheet"] = "Öl & Maß"
    file = stem + draw(st.sampled_from(_SUFFIXES[how.format]))
    first = {"jsonl": 1, "parquet": 2}.get(how.format, len(above) + 2)
    rows: list[Line | list[str] | None] = []
    for _ in range(draw(st.integers(1, 5))):
        rows += [None] * draw(st.sampled_from([0, 0, 0, 1]))
        is_first = not any(isinstance(row, Line) for row in rows)
        row, holds = _row(draw, draw(st.sampled_from(known)), form, may_be_misshapen=not is_first)
        written.append(Written(file, first + len(rows), **holds))
        rows.append(row)
    return Export(file, form.encoding[0], dialect, form.headers, above, rows, how, source)


def _dialect(draw: Draw, how_format: str) -> dict[str, Any]:
    if how_format == "parquet":
        return {
            "texts": draw(st.sampled_from([pl.String, pl.Categorical, pl.Binary])),
            "time_unit": draw(st.sampled_from(["ms", "us", "ns"])),
            "zone": draw(st.sampled_from(ZONES)),
            "floats": draw(st.booleans()),
        }
    if how_format == "jsonl":
        return {"lineterminator": draw(st.sampled_from(["\n", "\r\n"]))}
    line_end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    quoting = csv.QUOTE_ALL if line_end == "\r" else draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]))
    return {"delimiter": draw(st.sampled_from(",;\t|")), "quoting": quoting, "lineterminator": line_end}


@st.composite
def _forms(draw: Draw, kind: str, known: list[Fact], encoding: tuple[str, str | None], fleet: Fleet) -> _Form:
    """Columns in any order and under any headers; some left out, some stated once for all rows, some too many."""
    spelling = draw(spellings(kind, known, fleet))
    present, constants = [], {}
    for name in input_columns(kind):
        if name not in REQUIRED_INPUT[kind] and all(fact[name] is None for fact in known) and draw(st.booleans()):
            continue
        if name in fleet.shared and name not in spelling.values and draw(st.booleans()):
            constants[name] = fleet.shared[name]
        else:
            present.append(name)
    headers = {}
    for number, name in enumerate(draw(st.permutations(present + draw(st.lists(st.sampled_from(EXTRA), unique=True))))):
        unlike = [f"Spalte {number} (ü)", f"Field,{number}; no", f"Field {number}\nof card"]
        headers[name] = draw(st.sampled_from(unlike if name in EXTRA else [name, name.upper(), *unlike]))
    return _Form(kind, headers, constants, spelling, encoding)


def _row(draw: Draw, fact: Fact, form: _Form, *, may_be_misshapen: bool) -> Row:
    line, how = _line(draw, fact, form), form.spelling
    match draw(st.sampled_from(["sound"] * 6 + ["bad cell"] * 3 + ["unknown", "no text", "misshapen"])):
        case "bad cell":
            return _with_bad_cell(draw, line, form)
        case "unknown" if form.kind in REFERS_TO:
            (column,) = REFERS_TO[form.kind]
            return line.spoiled(column, "V404"), _refused(column, "held until it arrives", "V404")
        case "no text" if how.format != "xlsx":
            return _with_no_text(draw, line, form)
        case "misshapen" if may_be_misshapen and how.format != "parquet":
            return _misshapen(draw, line, form)
    return line, {"row": stored(fact, how.fleet)}


def _refused(column: str, reason: str, value: str | None = None) -> dict[str, Any]:
    return {"row": None, "column": column, "reason": reason, "value": value}


def _line(draw: Draw, fact: Fact, form: _Form) -> Line:
    how = form.spelling
    texts = {name: draw(words(how.fleet.signs) | st.just("")) for name in form.headers if name in EXTRA}
    for name in form.canonical:
        padding = draw(st.sampled_from(["", "", "", " "]))
        texts[name] = padding + spelled(draw, name, fact[name], how) + padding
    return Line(texts, {name: native(name, fact[name], how) for name in form.canonical})


def _with_bad_cell(draw: Draw, line: Line, form: _Form) -> Row:
    required = REQUIRED_INPUT[form.kind]
    bad = {name: bad_cells(name, form.spelling, is_required=name in required) for name in form.canonical}
    column = draw(st.sampled_from([name for name in form.canonical if bad[name]]))
    text, reason = draw(st.sampled_from(bad[column]))
    return line.spoiled(column, text), _refused(column, reason, text.strip() or None)


def _with_no_text(draw: Draw, line: Line, form: _Form) -> Row:
    damages = ["\0"]
    if form.spelling.format != "parquet" and form.encoding[0] in UNDECODABLE:
        damages.append(UNDECODABLE[form.encoding[0]])
    column = draw(st.sampled_from(form.canonical))
    return line.spoiled(column, f"a{draw(st.sampled_from(damages))}b"), _refused(column, NO_TEXT)


def _misshapen(draw: Draw, line: Line, form: _Form) -> Row:
    """A row that is none of the table."""
    cells, width = [line.texts[name] for name in form.headers], len(form.headers)
    choices: list[Row] = [(list(form.headers.values()), _refused(WHOLE_ROW, "is the header again"))]
    if form.spelling.format == "csv":
        choices.append(([*cells, "x"], _refused(WHOLE_ROW, f"has {width + 1} cells, the header has {width}")))
        if any(cell.strip() for cell in cells[:-1]):
            choices.append((cells[:-1], _refused(WHOLE_ROW, f"has {width - 1} cells, the header has {width}")))
    if form.spelling.format == "jsonl":
        choices = [([text], _refused(WHOLE_ROW, "the header has")) for text in ("[1, 2]", '{"a": ', "no object")]
    return draw(st.sampled_from(choices))
