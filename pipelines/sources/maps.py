"""Source maps: one table per export that says which files it is and how they spell their columns, units and words.

    [[source]]
    name = "north orders"
    files = "north/orders_*.csv"
    kind = "work_orders"
    delimiter = ";"
    encoding = "cp1252"
    zone = "Europe/Lisbon"
    decimal = ","
    columns = { order_id = "Job No", vehicle_id = "Fleet No", opened_at = "Date in", work_done = "Work", ... }
    units = { odometer = "mi" }
    dates = { opened_at = "day_first" }
    constants = { site = "North" }
    values = { technician = { "n/k" = "" } }

A file named after its kind with canonical columns (`work_orders.csv`, `work_orders-2026-11.xlsx`) needs none.
"""

import codecs
import os
import re
import tomllib
from collections.abc import Iterable
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath
from typing import Any, Literal, get_args, get_origin

from pydantic import Field, ValidationError, field_validator, model_validator
from rapidfuzz import process

from models.errors import SourceMapError
from models.records.conversion import Conversion, FileFormat, Kind, MisnamedError

SUFFIX_FORMATS: dict[str, FileFormat] = {
    ".csv": "csv",
    ".tsv": "csv",
    ".txt": "csv",
    ".xlsx": "xlsx",
    ".xlsm": "xlsx",
    ".parquet": "parquet",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
}
"""File name suffix to format; the text ones may end in .gz besides."""

TEMPORARY_NAMES = ("~$*", ".*", "*.part", "*.tmp", "*.crdownload", "*~")
"""What editors, browsers and copying programs leave while they work (common practice)."""

_KINDS: tuple[str, ...] = get_args(Kind)


class SourceMap(Conversion):
    """How one export is recognised, opened and read."""

    name: str = Field(min_length=1, description="name of the export, unique among the maps")
    files: str = Field(
        min_length=1, description="glob of file names relative to the inbox; * also matches across folders"
    )
    delimiter: str | None = Field(default=None, description="one character; found from the header where not given")
    encoding: str | None = Field(
        default=None, description="of a text file, such as cp1252; UTF-8, or by its byte order mark, where not given"
    )
    sheet: str | None = Field(default=None, description="sheet of a workbook; the first where not given")
    skip_rows: int = Field(default=0, ge=0, le=1_000, description="title rows above the header, blank ones included")

    @field_validator("delimiter")
    @classmethod
    def _one_character(cls, text: str | None) -> str | None:
        if text is not None and (len(text) != 1 or text in '"\r\n'):
            raise ValueError("one character, such as ';' or '\\t'")
        return text

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, name: str | None) -> str | None:
        try:
            "".encode(name or "utf-8")
        except LookupError:
            raise ValueError("an encoding that Python knows, such as utf-8, cp1252, latin-1 or utf-16") from None
        return name and codecs.lookup(name).name

    @model_validator(mode="after")
    def _pattern_stays_in_the_inbox(self) -> "SourceMap":
        if self.files.startswith("/") or ".." in PurePosixPath(self.files).parts:
            raise MisnamedError(("files",), self.files, (), "a pattern relative to the inbox, without '..'")
        return self

    def conversion(self) -> Conversion:
        """Return the part that reads cells, which is kept with a load."""
        return Conversion.model_validate(self.model_dump(include=set(Conversion.model_fields)))


def load_source_maps(path: Path) -> tuple[SourceMap, ...]:
    """Read the source maps of a fleet.

    Args:
        path: A TOML file of `[[source]]` tables.

    Raises:
        SourceMapError: The file cannot be read, or a key or value in it is wrong.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise SourceMapError(path, "the file", str(error), "a readable UTF-8 text file") from error
    except tomllib.TOMLDecodeError as error:
        raise SourceMapError(path, "the file", str(error), "valid TOML") from error
    for key in content:
        if key != "source":
            raise SourceMapError(path, "the top level", key, "[[source]] tables only")
    tables = content.get("source", [])
    if not isinstance(tables, list):
        raise SourceMapError(path, "source", "[source]", "written [[source]], once for each export")
    maps = tuple(_checked(path, number, table) for number, table in enumerate(tables, start=1))
    _check_names_differ(path, maps)
    return maps


def _check_names_differ(path: Path, maps: tuple[SourceMap, ...]) -> None:
    seen: set[str] = set()
    for number, source in enumerate(maps, start=1):
        if source.name in seen:
            raise SourceMapError(path, f"source {number}: name", source.name, "unlike every other source's")
        seen.add(source.name)


def _checked(path: Path, number: int, table: Any) -> SourceMap:
    """Check one table, turning the first fault into an error that names it."""
    if not isinstance(table, dict):
        raise SourceMapError(path, f"source {number}", table, "a [[source]] table")
    try:
        return SourceMap.model_validate(table)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        label = f"source {number} ({table.get('name', 'unnamed')})"
        raise _map_error(path, label, fault) from None


def _map_error(path: Path, label: str, fault: Any) -> SourceMapError:
    cause = fault.get("ctx", {}).get("error")
    keys = [str(key) for key in fault["loc"]]
    if isinstance(cause, MisnamedError):
        key = f"a key of {cause.path[0]}" if cause.is_key else ".".join(cause.path)
        return SourceMapError(path, f"{label}: {key}", cause.found, cause.clause + _nearest(cause.found, cause.allowed))
    key = f"{label}: {'.'.join(keys) or 'the table'}"
    if fault["type"] == "extra_forbidden":
        allowed = tuple(SourceMap.model_fields)
        return SourceMapError(path, f"{label}: a key", keys[-1], _one_of(allowed, keys[-1]))
    if fault["type"] == "missing":
        return SourceMapError(path, key, None, f"given: {SourceMap.model_fields[keys[-1]].description}")
    if fault["type"] == "literal_error":
        return SourceMapError(path, key, fault["input"], _one_of(_allowed(keys[0]), str(fault["input"])))
    clause = str(cause) if cause else fault["msg"][0].lower() + fault["msg"][1:].replace("Input should be ", "")
    return SourceMapError(path, key, fault["input"], clause.removeprefix("input should be "))


def _allowed(key: str) -> tuple[str, ...]:
    """Return the words that a key may hold."""
    annotation = SourceMap.model_fields[key].annotation
    literals = [annotation, *get_args(annotation)]
    return next(get_args(literal) for literal in literals if get_origin(literal) is Literal)


def _one_of(allowed: tuple[str, ...], found: str) -> str:
    return f"one of {', '.join(allowed)}{_nearest(found, allowed)}"


def _nearest(found: str, allowed: tuple[str, ...]) -> str:
    """Suggest the allowed word that is spelt most like the one found."""
    match = process.extractOne(found, allowed, score_cutoff=60)
    return f" (did you mean {match[0]!r}?)" if match else ""


def default_map(kind: Kind) -> SourceMap:
    """Return the map of a file that is named after its kind: canonical columns, km, litres, ISO dates."""
    return SourceMap(name=kind, files=f"{kind}*", kind=kind)


def format_of(file_name: str) -> FileFormat | None:
    """Return the format that a file's suffix says, or None where it says none."""
    name = PurePosixPath(file_name.lower())
    if name.suffix == ".gz":
        found = SUFFIX_FORMATS.get(PurePosixPath(name.stem).suffix)
        return found if found in ("csv", "jsonl") else None
    return SUFFIX_FORMATS.get(name.suffix)


def match(file_name: str, maps: Iterable[SourceMap]) -> list[SourceMap]:
    """Return the maps that a file is read by, each with its format; none where nothing recognises it.

    Args:
        file_name: The file's path relative to the inbox, with '/' between folders.
        maps: The fleet's source maps; every one whose pattern fits counts, since a file may hold several kinds.
            Where none fits, a file named after its kind is read as such.
    """
    by_suffix = format_of(file_name)
    declared = [source for source in maps if fnmatchcase(file_name, source.files)]
    fitting = declared or (_by_name(file_name) if by_suffix else [])
    return [source.model_copy(update={"format": source.format or by_suffix or "csv"}) for source in fitting]


def _by_name(file_name: str) -> list[SourceMap]:
    stem = PurePosixPath(file_name).name.lower()
    return [default_map(kind) for kind in get_args(Kind) if re.match(rf"{kind}[^a-z]", stem)]


def inbox_files(inbox: Path) -> list[str]:
    """List the files of an inbox, folders included, hidden and temporary ones not, as sorted relative names.

    A folder that cannot be listed stands for the files in it.
    """
    closed: list[str] = []
    walked = os.walk(inbox, onerror=lambda error: closed.append(error.filename))
    files = [path for folder, _, names in walked for name in names if _may_be_a_file(path := Path(folder, name))]
    names = (path.relative_to(inbox) for path in (*files, *map(Path, closed)) if path != inbox)
    return sorted(name.as_posix() for name in names if not any(_is_temporary(part) for part in name.parts))


def _may_be_a_file(path: Path) -> bool:
    """Say whether something is a file, or could be one: its folder may not let us look."""
    try:
        return path.is_file()
    except PermissionError:
        return True


def _is_temporary(name: str) -> bool:
    return any(fnmatchcase(name.lower(), pattern) for pattern in TEMPORARY_NAMES)
