"""What the words in cells of yes and no, leak classes and covers mean."""

from collections.abc import Callable

import polars as pl

from models.records.profiles import filled_cells
from models.records.vocabularies import VOCABULARIES, yes_no
from models.tables.records import TABLES
from pipelines.sources.drafting.names import words

Reader = Callable[[pl.Series], pl.DataFrame]


def reader_of(kind: str, column: str) -> Reader | None:
    """Return what reads the words of a canonical column, or None where any word will do."""
    declared = TABLES[kind].columns()
    if column in declared and declared[column].dtype == pl.Boolean:
        return yes_no
    return VOCABULARIES[column] if column in VOCABULARIES and column != "layout" else None


def meanings_of(column: str, reader: Reader) -> dict[str, str]:
    """Return words that the reader does not know of itself, and what they mean in a canonical column."""
    table = words()["cells"].get("yes_no" if reader is yes_no else column, {})
    return {spelt: meaning for meaning, spelts in table.items() for spelt in spelts}


def unread_words(cells: pl.Series, reader: Reader) -> dict[str, int]:
    """Return the words in small letters that a reader refuses, with their counts, the commonest first."""
    counts = filled_cells(cells).str.to_lowercase().alias("word").value_counts(sort=True)
    unread = counts.filter(reader(counts["word"])["fault"].is_not_null())
    return dict(unread.sort("count", "word", descending=[True, False]).iter_rows())


def known_share(cells: pl.Series, column: str, reader: Reader) -> float:
    """Return the share of filled cells whose word is known; 1 where none is filled."""
    filled = len(filled_cells(cells))
    unknown = set(unread := unread_words(cells, reader)) - set(meanings_of(column, reader))
    return 1.0 - sum(unread[word] for word in unknown) / filled if filled else 1.0
