"""A draft as TOML that `load_source_maps` reads: unsure guesses commented out, what a person must decide at its end."""

import json
from collections.abc import Iterable, Iterator
from pathlib import Path, PurePosixPath

from models.errors import UsageError
from models.records.conversion import date_columns
from pipelines.sources.drafting.conventions import (
    codes_of,
    dates_of,
    decimal_of,
    order_lines_of,
    pattern_of,
    site_in_words,
    units_of,
    words_of,
)
from pipelines.sources.drafting.matching import Draft, Guess
from pipelines.sources.drafting.sampling import Sample
from pipelines.sources.maps import format_of

_CLOCK = r"\d[:.]\d\d(?::\d\d)?\s*(?:[AaPp][Mm])?$|^\d{5}\.\d"


def as_toml(draft: Draft) -> str:
    """Write a draft as a `[[source]]` table, each guess with its doubt and reason behind it."""
    lines = [*_opening(draft), "", "[source.columns]", *_columns(draft)]
    lines += _table("units", [_unit_line(guess) for guess in units_of(draft)])
    lines += _table("dates", [_line(guess) for guess in dates_of(draft)])
    lines += _table("constants", _constants(draft))
    lines += _table("made_from", _made_from(draft))
    for column, guesses in words_of(draft).items():
        lines += _table(f"values.{column}", [_line(guess) for guess in guesses])
    lines += _table("values.job_code", [_line(guess) for guess in codes_of(draft)])
    return "\n".join([*lines, "", *_decisions(draft)]) + "\n"


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet.

    Raises:
        UsageError: It is there already, or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise UsageError(f"{path} is there already and is not overwritten; name another file with --out.") from error
    except OSError as error:
        raise UsageError(f"{path} cannot be written ({error.strerror}); name another file with --out.") from error


def _opening(draft: Draft) -> Iterator[str]:
    sample = draft.sample
    yield f"# Drafted from {_comment(sample.file_name)}: its names and its first {sample.rows:,} rows."
    yield "# Each guess is certain, likely or unsure; unsure ones are commented out. Look over what is not certain."
    yield "[[source]]"
    yield f"name = {_text(_name_of(sample))}"
    yield f"files = {_text(pattern_of(sample.file_name))}"
    yield _pair("kind", _text(draft.kind.value), f"{draft.kind.doubt}: {draft.kind.reason}")
    if sample.format != (format_of(sample.file_name) or "csv"):
        yield _pair("format", _text(sample.format), "certain: it starts as one, whatever its name says")
    if sample.delimiter:
        yield _pair("delimiter", _text(sample.delimiter), "certain: it parts the header into its names")
    if sample.encoding:
        yield _pair(
            "encoding",
            _text(sample.encoding),
            f"likely: it is not UTF-8; is this spelt right? {_short(sample.foreign_text)}",
        )
    if sample.sheet:
        others = f"; left out: {', '.join(sample.other_sheets)}" if sample.other_sheets else ""
        yield _pair("sheet", _text(sample.sheet), f"likely: its header holds most known names{others}")
    if sample.skip_rows:
        yield _pair(
            "skip_rows", str(sample.skip_rows), f"likely: row {sample.skip_rows + 1} holds the names of the columns"
        )
    if mark := decimal_of(draft):
        yield _line(mark)
    if lines := order_lines_of(draft):
        yield _line(lines)
    yield '# zone = "Europe/Lisbon"  # the zone of its clock times; the fleet\'s where not given'


def _columns(draft: Draft) -> Iterator[str]:
    yield from (_line(guess) for guess in draft.columns)
    guessed = {guess.key for guess in draft.columns}
    yield from (f"# {column}: not found, and every row needs it" for column in draft.missing if column not in guessed)


def _unit_line(guess: Guess) -> str:
    """Write a unit; an undecided one too, because it refuses cells where leaving it out would guess."""
    return _pair(guess.key, _text(guess.value), f"{guess.doubt}: {guess.reason}")


def _constants(draft: Draft) -> list[str]:
    site = site_in_words(draft)
    return [_line(site)] if site else []


def _made_from(draft: Draft) -> list[str]:
    if "order_id" not in draft.missing or draft.kind.value != "work_orders":
        return []
    return ['# order_id = ["vehicle_id", "opened_at"]  # unsure: makes one order of all lines of a vehicle and moment']


def _decisions(draft: Draft) -> list[str]:
    found = list(dict.fromkeys(_undecided(draft)))
    if not found:
        return ["# Nothing is left to decide."]
    return ["# A person must still decide:", *(f"# {number}. {_comment(what)}" for number, what in enumerate(found, 1))]


def _undecided(draft: Draft) -> Iterator[str]:
    if draft.kind.doubt != "certain":
        yield f"whether the rows are {draft.kind.value}: {draft.kind.reason}"
    if draft.missing:
        yield f"what gives {', '.join(draft.missing)}: every row needs it, and no file is read before"
    for guess in draft.columns:
        if guess.doubt == "unsure":
            yield f"whether {guess.value!r} is {guess.key}: {guess.reason}"
    yield from (f"the unit of {guess.key}: {guess.reason}" for guess in units_of(draft) if guess.doubt != "certain")
    yield from (
        f"the order of dates in {guess.key}: {guess.reason}" for guess in dates_of(draft) if guess.doubt == "unsure"
    )
    mark = decimal_of(draft)
    if mark and mark.doubt == "unsure":
        yield f"the decimal mark: {mark.reason}"
    if lines := order_lines_of(draft):
        yield f"whether an order's rows may be spread over files: {lines.reason}"
    if _has_clock_times(draft):
        yield "the zone of its clock times, unless it is the fleet's"
    yield from _undecided_words(draft)
    yield from _left_out(draft)


def _undecided_words(draft: Draft) -> Iterator[str]:
    if site_in_words(draft) and "site" not in draft.missing:
        yield "the site, as a constant, if it is wanted"
    for column, guesses in words_of(draft).items():
        open_words = [guess.key for guess in guesses if guess.doubt == "unsure"]
        if open_words:
            yield f"what {', '.join(map(repr, open_words))} mean in {column}"
    if codes_of(draft):
        yield "which job codes are cover-gasket work and nothing else: set those to cover_gasket"


def _left_out(draft: Draft) -> Iterator[str]:
    sample, guessed = draft.sample, {guess.value for guess in draft.columns}
    if sample.encoding:
        yield f"whether the encoding is {sample.encoding}"
    if sample.other_sheets:
        named = ", ".join(map(repr, sample.other_sheets))
        own = "each then a [[source]] of its own, drafted with --sheet"
        yield f"whether the sheets left out hold records too, {own}: {named}"
    if sample.ragged_rows:
        yield f"what to do about {sample.ragged_rows:,} rows of another width than the header, which are refused"
    left = [name for name in sample.header if name and name not in guessed]
    if left:
        yield f"whether any of the columns left out is needed: {', '.join(map(repr, left))}"


def _has_clock_times(draft: Draft) -> bool:
    columns = [column for column in date_columns(draft.kind.value) if column in draft.taken]
    cells = (draft.sample.columns[draft.place(column)] for column in columns if column.endswith("_at"))
    return any(bool(texts.str.contains(_CLOCK).any()) for texts in cells)


def _table(name: str, lines: Iterable[str]) -> list[str]:
    found = list(lines)
    return ["", f"[source.{name}]", *found] if found else []


def _line(guess: Guess) -> str:
    line = _pair(_key(guess.key), _text(guess.value), f"{guess.doubt}: {guess.reason}")
    return f"# {line}" if guess.doubt == "unsure" else line


def _pair(key: str, value: str, why: str) -> str:
    return f"{key} = {value}  # {_comment(why)}"


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else _text(key)


def _text(value: str) -> str:
    """Quote a text as TOML does: as JSON, with the delete sign escaped besides."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    """Make a text fit for a comment: one line of printable signs."""
    return "".join(sign for sign in " ".join(text.split()) if sign.isprintable())


def _short(text: str) -> str:
    place = next((at for at, sign in enumerate(text) if not sign.isascii()), 0)
    return repr(text[max(place - 20, 0) : place + 20])


def _name_of(sample: Sample) -> str:
    """Name a source after its file, and after its sheet where a workbook has several."""
    stem = PurePosixPath(sample.file_name).name.split(".")[0]
    words = [word for word in stem.replace("-", "_").split("_") if not word.isdigit()]
    name = " ".join(words).strip() or stem or "export"
    return f"{name} {sample.sheet}" if sample.other_sheets else name
