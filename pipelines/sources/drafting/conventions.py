"""How a file spells units, dates, numbers and words, said only as far as its names and cells prove it."""

import re
from collections.abc import Iterator
from itertools import islice
from pathlib import PurePosixPath

import polars as pl

from models.records.conversion import CANONICAL_UNITS, date_columns, input_columns, unit_columns
from models.records.profiles import LIKE_A_NUMBER, ColumnProfile, filled_cells, is_read, units_in_cells
from models.records.quantities import PLAIN_NAMES
from models.tables.records import TABLES
from pipelines.sources.drafting.cell_words import meanings_of, reader_of, unread_words
from pipelines.sources.drafting.matching import Doubt, Draft, Guess
from pipelines.sources.drafting.names import UNITS_FOUND, kinds_named

NEARLY_ALL = 0.98
"""Share of cells from which the rest are typing errors."""
SOME = 0.02
FEW_LATE_DAYS = 0.2
"""Three days in five are above the 12th: a smaller share than this may be typing errors in dates of the other order."""
MAX_WORDS_SHOWN = 20
UNDECIDED_UNIT = "cell"
"""Cells without a unit are then refused with a reason, not read in a guessed one."""

EITHER_SYSTEM = frozenset(name for names in PLAIN_NAMES.values() for name in names)
"""Units that are American or imperial."""

AMERICAN_ORDER = "month_first"


def units_of(draft: Draft) -> Iterator[Guess]:
    """Yield the unit of each column that has one; `UNDECIDED_UNIT` where neither names nor cells prove it."""
    for column in unit_columns(draft.kind.value):
        if column in draft.taken:
            place = draft.place(column)
            cells, looks = draft.sample.columns[place], draft.profiles[place]
            named = UNITS_FOUND[column](draft.taken[column])
            yield (
                _unit_in_cells(column, cells, looks, named) if looks.unit_share >= SOME else _unit(draft, column, named)
            )


def _unit_in_cells(column: str, cells: pl.Series, looks: ColumnProfile, named: tuple[str, ...]) -> Guess:
    found = ", ".join(units_in_cells(cells)[:6])
    if looks.unit_share >= NEARLY_ALL and EITHER_SYSTEM.isdisjoint(units_in_cells(cells)):
        return Guess(column, "cell", "certain", f"each cell names its unit: {found}")
    if looks.unit_share >= NEARLY_ALL:
        either = "qt, pt and gal are read as American, as imperial with 'cell or imp qt'"
        return Guess(column, "cell", "likely", f"each cell names its unit: {found}; {either}")
    share = f"{looks.unit_share:.0%} of cells name their unit ({found})"
    if len(named) == 1:
        return Guess(column, f"cell or {named[0]}", "likely", f"{share}; the header says the others'")
    return Guess(
        column, UNDECIDED_UNIT, "unsure", f"{share}; nothing says the others', which are refused until it does"
    )


def _unit(draft: Draft, column: str, named: tuple[str, ...]) -> Guess:
    if len(named) == 1:
        return Guess(column, named[0], "certain", f"the header {draft.taken[column]!r} says so")
    until = "cells without a unit are refused until it is set"
    if not named:
        choices = " or ".join(_choices(column))
        return Guess(
            column, UNDECIDED_UNIT, "unsure", f"{choices}: neither the header nor any cell says which; {until}"
        )
    american, *others = named
    is_either_system = american.startswith("US ") and others == [american.replace("US ", "imp ")]
    if is_either_system and any(
        guess.value == AMERICAN_ORDER and guess.doubt == "certain" for guess in dates_of(draft)
    ):
        return Guess(column, american, "likely", f"the header says {american.split()[1]}, and the dates are American")
    return Guess(column, UNDECIDED_UNIT, "unsure", f"{' or '.join(named)}: the header does not say which; {until}")


def _choices(column: str) -> tuple[str, ...]:
    return ("km", "mi") if column == "odometer" else (CANONICAL_UNITS[column], "mL", "US qt", "imp pt")


def dates_of(draft: Draft) -> Iterator[Guess]:
    """Yield the order of each date column: certain only where days above 12 or the year in front prove it."""
    for column in date_columns(draft.kind.value):
        if column in draft.taken and draft.profiles[draft.place(column)].filled:
            place = draft.place(column)
            yield _order(column, draft.sample.columns[place], draft.profiles[place])


def _order(column: str, cells: pl.Series, looks: ColumnProfile) -> Guess:
    if looks.two_digit_years >= 0.5 or not looks.date_shares:
        return Guess(column, "day_first", "unsure", "years have two digits, which is never guessed: export four")
    shares = looks.date_shares
    best = max(shares, key=lambda order: shares[order])
    if best not in ("day_first", "month_first"):
        doubt: Doubt = "certain" if shares[best] >= NEARLY_ALL and best != "serial" else "likely"
        rest = "" if shares[best] >= NEARLY_ALL else f"; {1 - shares[best]:.0%} of cells do not and will be refused"
        return Guess(column, best, doubt, f"{shares[best]:.1%} of cells read so{rest}")
    return _day_or_month_first(column, best, filled_cells(cells))


def _day_or_month_first(column: str, best: str, cells: pl.Series) -> Guess:
    is_day_first, is_month_first = (is_read(cells, order) for order in ("day_first", "month_first"))
    against, proofs = sorted((int((is_day_first & ~is_month_first).sum()), int((is_month_first & ~is_day_first).sum())))
    if proofs == 0:
        return Guess(column, best, "unsure", "day_first or month_first: no day in it is above 12, so neither is proved")
    said = f"{proofs:,} of {len(cells):,} cells have a day above 12 in that place"
    if against == 0:
        return Guess(column, best, "certain" if proofs >= FEW_LATE_DAYS * len(cells) else "likely", said)
    doubt: Doubt = "likely" if against <= SOME * proofs else "unsure"
    return Guess(column, best, doubt, f"{said}, but {against:,} have it in the other: are two orders mixed?")


def decimal_of(draft: Draft) -> Guess | None:
    """Return the decimal mark; None where no number has a fraction or groups its thousands."""
    taken = [draft.profiles[draft.place(column)] for column in draft.taken if _is_numeric(draft, column)]
    numeric = [cells for cells in draft.profiles if cells.number_share >= LIKE_A_NUMBER]
    if guess := _mark(taken, "certain") or _mark(numeric, "likely"):
        return guess
    if any(cells.either_marks for cells in taken):
        return Guess("decimal", ".", "unsure", "cells such as 1.234 or 1,234 may be read with either mark")
    return None


def order_lines_of(draft: Draft) -> Guess | None:
    """Say that an order's lines may be spread over files, where numbers of orders repeat; None where none does."""
    if draft.kind.value != "work_orders" or "order_id" not in draft.taken:
        return None
    numbers = draft.sample.columns[draft.place("order_id")].drop_nulls()
    if not (repeated := numbers.filter(numbers.is_duplicated()).n_unique()):
        return None
    reason = f"{repeated:,} orders have several rows; keep it if one order's rows may stand in several files"
    return Guess("order_lines", "spread", "unsure", reason)


def _mark(columns: list[ColumnProfile], doubt: Doubt) -> Guess | None:
    commas, points = sum(cells.comma_fractions for cells in columns), sum(cells.point_fractions for cells in columns)
    mark, name = (",", "a comma") if commas > points else (".", "a point")
    if commas and points:
        return Guess("decimal", mark, "unsure", f"{commas:,} cells have a decimal comma and {points:,} a point")
    found = commas or points
    return Guess("decimal", mark, doubt, f"{found:,} cells can only be read with {name}") if found else None


def _is_numeric(draft: Draft, column: str) -> bool:
    declared = TABLES[draft.kind.value].columns()
    return column in unit_columns(draft.kind.value) or (column in declared and declared[column].dtype.is_numeric())


def site_in_words(draft: Draft) -> Guess | None:
    """Return the site that the file's name or title starts with, where it has no column of sites."""
    if "site" in draft.taken or "site" not in input_columns(draft.kind.value):
        return None
    sources = (("the file's name", PurePosixPath(draft.sample.file_name).name), ("its title", draft.sample.titles))
    for source, text in sources:
        first = next(iter(re.findall(r"[^\W\d_]+", text)), "")
        if len(first) >= 4 and not kinds_named(first):
            return Guess("site", first.capitalize(), "unsure", f"the word that {source} starts with")
    return Guess("site", "", "unsure", "nothing in the file names one")


def words_of(draft: Draft) -> dict[str, list[Guess]]:
    """Return, for each column of yes and no, leak classes or covers, what its unread words mean."""
    found: dict[str, list[Guess]] = {}
    for column in draft.taken:
        if reader := reader_of(draft.kind.value, column):
            unread = unread_words(draft.sample.columns[draft.place(column)], reader)
            meanings = meanings_of(column, reader)
            shown = islice(unread.items(), MAX_WORDS_SHOWN)
            found[column] = [_translation(text, count, meanings) for text, count in shown]
    return {column: guesses for column, guesses in found.items() if guesses}


def _translation(text: str, count: int, meanings: dict[str, str]) -> Guess:
    cells = f"{count:,} cell{'s' if count > 1 else ''}"
    if text in meanings:
        return Guess(text, meanings[text], "likely", cells)
    return Guess(text, "", "unsure", f"{cells}, refused until it is translated")


def codes_of(draft: Draft) -> list[Guess]:
    """Return the commonest job codes, each with words of a job that had it."""
    if "job_code" not in draft.taken or "work_done" not in draft.taken:
        return []
    code, work = (draft.sample.columns[draft.place(column)] for column in ("job_code", "work_done"))
    jobs = pl.DataFrame({"code": code, "work": work}).drop_nulls("code").group_by("code")
    shown = jobs.agg(pl.len().alias("n"), pl.col("work").drop_nulls().min()).sort("n", "code", descending=[True, False])
    rows = shown.head(MAX_WORDS_SHOWN).iter_rows()
    return [
        Guess(code, "", "unsure", f"{count:,} rows, such as {(work or 'no words')[:60]!r}")
        for code, count, work in rows
    ]


def pattern_of(file_name: str) -> str:
    """Return the pattern of a file's name, runs of digits and words such as 'corrected' open, its own signs quoted."""
    quoted = re.sub(r"([*?\[])", r"[\1]", file_name)
    folder, slash, name = quoted.rpartition("/")
    return folder + slash + re.sub(r"\d+(?:[-_.]\d+)*", "*", name)
