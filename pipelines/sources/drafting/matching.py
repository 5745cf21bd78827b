"""Which kind of record a file holds, and which of its columns is which canonical one."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import isnan, nan
from pathlib import Path
from typing import Literal, get_args

from models.errors import UnreadableFileError
from models.records.canonical import same_name
from models.records.conversion import Kind, input_columns
from models.records.moments import moments
from models.records.profiles import ColumnProfile, decimal_mark, profile, read_numbers, rising_share, shape_of
from models.records.quantities import LITRES_PER
from models.tables.records import REQUIRED_INPUT
from pipelines.sources.drafting.cell_words import known_share, reader_of
from pipelines.sources.drafting.names import EXACT, HOLDS_A_PHRASE, NEARLY, OFTEN, name_score, volume_units
from pipelines.sources.drafting.sampling import Sample, take_sample, words_about

Doubt = Literal["certain", "likely", "unsure"]
DOUBTS: tuple[Doubt, ...] = get_args(Doubt)

LEAST_LIKELY = 0.6
"""Score from which a guess is offered as likely; below it, it is only shown."""
WRONG_VALUES_LEAVE = 0.3
"""What is left of a name's score where the cells do not look like what it names."""
BY_VALUES_ALONE = 0.25
"""Score of a column whose name says nothing and whose cells look like a column that the kind needs."""
ALONE_IN_THE_FILE = 0.61
"""Score where, besides, no other column of the file could be it."""
LEAST_SHOWN = 0.2
MOST_OIL_LITRES = 30.0
"""The median fill of a file is below it, oil changes included, or it is fuel (common practice: sumps hold 4 to 40)."""
RISES = 0.9
"""Share of neighbouring readings that must not fall for a column to behave as an odometer does."""

_FOUND_BY_VALUES = ("vehicle_id", "odometer", "work_done", "text")
_GIVEN_OTHERWISE = ("site", "order_id")
"""Required columns that a map can give as a constant or make from others: lacking them says little against a kind."""


@dataclass(frozen=True)
class Guess:
    """One thing said of a file.

    Args:
        key: What is said: a key of the source map, or a canonical column.
        value: What it is: a header, a unit, a date order.
        doubt: How sure it is.
        reason: Why, as a clause.
    """

    key: str
    value: str
    doubt: Doubt
    reason: str


@dataclass(frozen=True)
class Draft:
    """What could be found out about a file.

    Args:
        sample: The rows looked at.
        profiles: What the cells of each column look like.
        kind: The kind of record.
        columns: A guess for each canonical column that some header may be.
    """

    sample: Sample
    profiles: tuple[ColumnProfile, ...]
    kind: Guess
    columns: tuple[Guess, ...]

    @property
    def taken(self) -> dict[str, str]:
        """Canonical column to header, for the guesses that are certain or likely."""
        return {guess.key: guess.value for guess in self.columns if guess.doubt != "unsure"}

    @property
    def missing(self) -> tuple[str, ...]:
        """Required canonical columns that no certain or likely guess gives."""
        return tuple(column for column in REQUIRED_INPUT[self.kind.value] if column not in self.taken)

    def place(self, column: str) -> int:
        """Where a canonical column that was taken stands in the header."""
        return self.sample.header.index(self.taken[column])


@dataclass(frozen=True)
class _Table:
    """The rows looked at, with what the cells of each column look like."""

    sample: Sample
    decimal: str
    profiles: tuple[ColumnProfile, ...]


@dataclass(frozen=True)
class _Reading:
    """The columns of a file read as one kind: canonical column to place in the header, with the score of each."""

    kind: str
    places: dict[str, int]
    scores: dict[str, float]
    total: float


def draft_map(path: Path, *, sheet: str | None = None) -> Draft:
    """Find out what a file of unknown make holds, from its names and its first rows.

    Args:
        path: A CSV, JSON Lines, Parquet or XLSX file.
        sheet: Of a workbook; the likeliest where not given.

    Raises:
        UnreadableFileError: It cannot be opened, or is unlike every kind of record.
    """
    sample = take_sample(path, sheet=sheet)
    decimal = decimal_mark(sample.columns)
    table = _Table(sample, decimal, tuple(profile(cells, decimal=decimal) for cells in sample.columns))
    named = words_about(sample)
    readings = [_as_kind(kind, table, is_named=kind in named) for kind in get_args(Kind)]
    best, second = sorted(readings, key=lambda reading: reading.total, reverse=True)[:2]
    if not any(score >= LEAST_LIKELY for score in best.scores.values()):
        columns = ", ".join(sample.header)[:200]
        remedy = "Name a file of orders, top-ups, notes, vehicles, engines, job cards or odometer readings."
        raise UnreadableFileError(path, f"has no column known to any kind of record; it has {columns}", remedy)
    columns = tuple(_column_guess(best, column, table) for column in best.places)
    return Draft(sample, table.profiles, _kind_guess(best, second, columns, is_named=best.kind in named), columns)


def _as_kind(kind: str, table: _Table, *, is_named: bool) -> _Reading:
    """Pair the headers with the canonical columns of a kind, each at most once, for the highest sum of scores."""
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    wanted = input_columns(kind)
    all_places = range(len(table.profiles))
    scores = np.array([[_pair_score(kind, column, place, table) for place in all_places] for column in wanted])
    found = [(int(i), int(j)) for i, j in np.transpose(linear_sum_assignment(-scores)) if scores[i, j] >= LEAST_SHOWN]
    chosen = {wanted[i]: float(scores[i, j]) for i, j in found}
    absent = [column for column in REQUIRED_INPUT[kind] if chosen.get(column, 0.0) < LEAST_LIKELY]
    lacking = sum(0.4 if column in _GIVEN_OTHERWISE else 1.2 for column in absent)
    total = sum(chosen.values()) - lacking + (0.8 if is_named else 0.0)
    return _Reading(kind, {wanted[i]: j for i, j in sorted(found)}, chosen, total)


def _pair_score(kind: str, column: str, place: int, table: _Table) -> float:
    """Score one header as one canonical column, by its name and by whether its cells look like it."""
    header, cells = table.sample.header[place], table.profiles[place]
    named = name_score(header, column)
    if not header or cells.filled == 0:
        return 0.9 * named
    if not _fits(kind, column, header, cells):
        return WRONG_VALUES_LEAVE * named
    return max(named, _score_of_values(kind, column, table) if _is_sought(kind, column) else 0.0)


def _fits(kind: str, column: str, header: str, cells: ColumnProfile) -> bool:
    """Whether cells look like a canonical column; bare volumes, in the header's unit, must be of oil, not of fuel."""
    if column == "volume" and cells.unit_share < 0.5:
        unit = next(iter(volume_units(header)), "L")
        if cells.median * LITRES_PER[unit] > MOST_OIL_LITRES:
            return False
    return shape_of(kind, column)[1](cells)


def _is_sought(kind: str, column: str) -> bool:
    """Whether a column may be found by its cells alone."""
    is_needed_date = column in REQUIRED_INPUT[kind] and shape_of(kind, column)[0] == "dates"
    return column in _FOUND_BY_VALUES or is_needed_date


def _score_of_values(kind: str, column: str, table: _Table) -> float:
    """Score a column whose cells fit: dates and notes that no other column could hold are likely."""
    looks, fits = shape_of(kind, column)
    is_alone = sum(fits(cells) for cells in table.profiles if cells.filled) == 1
    return ALONE_IN_THE_FILE if is_alone and (looks == "dates" or column == "text") else BY_VALUES_ALONE


def _column_guess(reading: _Reading, column: str, table: _Table) -> Guess:
    """Say how sure a pair is, and why."""
    place, score = reading.places[column], reading.scores[column]
    name, cells = table.sample.header[place], table.profiles[place]
    looks = shape_of(reading.kind, column)[0]
    by_name = name_score(name, column)
    said = _said(by_name, score)
    if cells.filled == 0:
        return _doubted(Guess(column, name, "likely", f"{said}; no cell is filled"), score)
    if not _fits(reading.kind, column, name, cells):
        return Guess(column, name, "unsure", f"{said}, but the cells do not look like {looks}")
    doubt: Doubt = "certain" if by_name >= NEARLY * EXACT else "likely"
    verb = "cell looks" if cells.filled == 1 else "cells look"
    guess = _doubted(Guess(column, name, doubt, f"{said}; {cells.filled:,} {verb} like {looks}"), score)
    for most, why in _grounds(reading, column, table):
        guess = replace(guess, doubt=max(guess.doubt, most, key=DOUBTS.index), reason=f"{guess.reason}; {why}")
    return guess


def _said(by_name: float, score: float) -> str:
    if by_name >= NEARLY * EXACT:
        return "the name says so"
    if by_name >= NEARLY * OFTEN:
        return "the name often means it"
    if by_name > HOLDS_A_PHRASE:
        return "the name is spelt much like it"
    if score == ALONE_IN_THE_FILE:
        return "no other column could be it"
    return "part of the name says so" if by_name else "by its cells alone"


def _doubted(guess: Guess, score: float) -> Guess:
    return guess if score >= LEAST_LIKELY else replace(guess, doubt="unsure")


def _grounds(reading: _Reading, column: str, table: _Table) -> Iterator[tuple[Doubt, str]]:
    """Yield what else speaks for or against a pair whose name and cells agree, each with the most it leaves of it."""
    place, header = reading.places[column], table.sample.header
    name = header[place]
    if sum(same_name(other) == same_name(name) for other in header) > 1:
        yield "unsure", "the header names it twice: rename one"
    least = max(_pair_score(reading.kind, column, place, table) - 0.05, LEAST_LIKELY)
    rivals = [at for at in range(len(header)) if at != place and _pair_score(reading.kind, column, at, table) >= least]
    if rivals:
        yield "likely", f"{', '.join(repr(header[at]) for at in rivals)} may be it too"
    own = name_score(name, column)
    others = [other for other in input_columns(reading.kind) if other != column and own <= name_score(name, other)]
    if own and others:
        yield "likely", f"the name may also mean {', '.join(others)}"
    reader = reader_of(reading.kind, column)
    if reader and known_share(table.sample.columns[place], column, reader) < 0.5:
        yield "unsure", "most of its words are not known"
    if column == "odometer":
        yield _said_of_rising(_rising(reading, table))


def _said_of_rising(share: float) -> tuple[Doubt, str]:
    """Say whether readings rise as those of an odometer do."""
    if isnan(share):
        return "likely", "whether its readings rise cannot be seen here"
    if share < RISES:
        only = f"only {share:.0%} of readings do not fall from one to the next of a vehicle"
        return "unsure", f"{only}: is it a trip meter?"
    return "certain", f"{share:.0%} of readings do not fall from one to the next of a vehicle"


def _rising(reading: _Reading, table: _Table) -> float:
    """Return the share of odometer readings that do not fall; NaN where vehicle or day was not found."""
    day = next((name for name in reading.places if name in ("opened_at", "topped_up_at", "noted_at", "read_at")), None)
    if day is None or "vehicle_id" not in reading.places:
        return nan
    columns = table.sample.columns
    shares = table.profiles[reading.places[day]].date_shares
    if not shares:
        return nan
    order = max(shares, key=lambda name: shares[name])
    at = moments(columns[reading.places[day]], orders=(order,), zone="UTC")["at"]
    odometers = read_numbers(columns[reading.places["odometer"]], decimal=table.decimal)
    return rising_share(columns[reading.places["vehicle_id"]], at, odometers)


def _kind_guess(best: _Reading, second: _Reading, columns: Sequence[Guess], *, is_named: bool) -> Guess:
    required = [column for column in REQUIRED_INPUT[best.kind] if column not in _GIVEN_OTHERWISE]
    found = [guess.key for guess in columns if guess.doubt != "unsure" and guess.key in required]
    lead = best.total - second.total
    is_whole = len(found) == len(required)
    doubt: Doubt = "certain" if is_whole and lead >= 1.5 else "likely" if is_whole and lead >= 0.4 else "unsure"
    named = "; the file's name or title says so" if is_named else ""
    reason = f"{len(found)} of the {len(required)} columns it needs are found{named}; {second.kind} fits next best"
    return Guess("kind", best.kind, doubt, reason)
