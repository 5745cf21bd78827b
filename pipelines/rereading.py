"""What the words a home adds to the lexicon change in the reading of its own notes and orders, for the command."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from textwrap import TextWrapper

import polars as pl

from dashboards.marking import marked_pieces, marked_text
from models import engines
from models.errors import UsageError
from models.notes import AddedLexicon
from models.notes.rereading import AFTER, BEFORE, changed_orders, count_readings, read_twice
from pipelines.home import Home
from pipelines.publishing import read_published
from pipelines.settings import read_lexicon
from pipelines.statements import notes_in
from pipelines.warehouse import statement

TEXTS_SHOWN = 50
"""So many differing texts, and orders, are told in words; the CSV has all."""
STATEMENT = ("component", "polarity", "position", "location", "leak_class", "symptoms")

Progress = Callable[[str, int], None]
"""Called with what is done next and the number of steps in all."""


@dataclass(frozen=True)
class Rereading:
    """What is read differently with the added words.

    Args:
        texts: kind, record_id, column_name, text: all that was read.
        changed: The statements of the texts that differ, before and after, with the columns of `texts`.
        counts: All statements by component and polarity, before and after.
        orders: The orders that differ, before and after; empty where a file was read.
    """

    texts: pl.DataFrame
    changed: pl.DataFrame
    counts: pl.DataFrame
    orders: pl.DataFrame


def added_words(home: Home) -> AddedLexicon:
    """The words a home adds.

    Raises:
        UsageError: It adds none.
        SettingsError: A key or value is wrong.
    """
    if not home.lexicon_file.exists():
        raise UsageError(
            f"{home.lexicon_file} does not exist, so nothing is read differently. Write the words to add into it, in "
            "the form of models/notes/lexicon.toml."
        )
    return read_lexicon(home.lexicon_file)


def reread_home(home: Home, added: AddedLexicon, progress: Progress) -> Rereading:
    """Read the published notes and orders of a home with and without the added words.

    Raises:
        NothingPublishedError: No run has published yet.
    """
    progress("Notes", 2)
    texts = read_published(home, statement("select_texts"))
    changed, counts = _reread(texts, added)
    progress("Orders", 2)
    frames = {table: read_published(home, f"FROM {table}") for table in _READ_WITH_ORDERS}
    orders = engines.locate(
        frames["work_orders"],
        at_column="opened_at",
        on_column="opened_on",
        periods=frames["engine_periods"],
        families=frames["engine_families"],
        curve=frames["odometer_curve"],
    )
    return Rereading(texts, changed, counts, changed_orders(orders, frames["engine_families"], added))


_READ_WITH_ORDERS = ("work_orders", "engine_periods", "engine_families", "odometer_curve")


def reread_file(path: Path, column: str, added: AddedLexicon) -> Rereading:
    """Read the notes in one column of a CSV file with and without the added words.

    Raises:
        UnreadableFileError: The file cannot be opened, is empty, or is not text.
        UsageError: It has no such column.
    """
    notes = pl.DataFrame({"text": pl.Series(notes_in(path, column), dtype=pl.String)}).with_row_index("row", offset=1)
    texts = notes.select(
        pl.lit("row").alias("kind"),
        pl.col("row").cast(pl.String).alias("record_id"),
        column_name=pl.lit(column),
        text="text",
    )
    return Rereading(texts, *_reread(texts, added), orders=pl.DataFrame())


def _reread(texts: pl.DataFrame, added: AddedLexicon) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The statements of the texts that differ, and the counts of all."""
    read = read_twice(texts["text"], added)
    changed = read.filter("is_changed").drop("is_changed").join(texts.with_row_index("text_index"), on="text_index")
    order = ["text_index", "reading", "span_start"]
    told = ["kind", "record_id", "column_name", "reading", *STATEMENT, "span_start", "span_end", "span_text", "text"]
    return changed.sort(order, descending=[False, True, False]).select(told), count_readings(read)


def tell(found: Rereading, *, width: int) -> Iterator[str]:
    """Say in lines what is read differently, with the words that are read marked.

    Args:
        found: What `reread_home` or `reread_file` found.
        width: Characters a line may have.
    """
    rows = found.changed.select("kind", "record_id", "column_name").n_unique()
    yield f"{rows:,} of {found.texts.height:,} texts are read differently with the added words."
    wrap = TextWrapper(width, subsequent_indent=" " * 10, break_long_words=False)
    alike = found.changed.partition_by("text", maintain_order=True)
    for statements in alike[:TEXTS_SHOWN]:
        yield ""
        yield from _tell_text(statements, wrap)
    if len(alike) > TEXTS_SHOWN:
        yield f"\n... and {len(alike) - TEXTS_SHOWN:,} more texts; --format csv lists all."
    yield from _tell_orders(found.orders, wrap)


def _tell_text(statements: pl.DataFrame, wrap: TextWrapper) -> Iterator[str]:
    """One text, what it said before and what it says now; equal texts are told once."""
    records = statements.select("kind", "record_id", "column_name").unique(maintain_order=True)
    kind, record_id, column_name = records.row(0)
    others = f" and {records.height - 1:,} more with the same words" if records.height > 1 else ""
    yield f"{kind} {record_id}, {column_name}{others}"
    one = statements.filter(
        (pl.col("kind") == kind) & (pl.col("record_id") == record_id) & (pl.col("column_name") == column_name)
    )
    for reading in (BEFORE, AFTER):
        said = one.filter(pl.col("reading") == reading)
        yield from wrap.wrap(f"  {reading:<7} {marked(one['text'][0], said)}")
        for row in said.select(STATEMENT).iter_rows():
            yield from wrap.wrap(f"{'':10}= {' '.join(filter(None, row))}")


def _tell_orders(orders: pl.DataFrame, wrap: TextWrapper) -> Iterator[str]:
    """The orders whose reading differs, before and after."""
    alike = orders.partition_by("order_id", maintain_order=True) if orders.height else []
    if alike:
        yield f"\nOrders whose work is read differently: {len(alike):,}."
    for order in alike[:TEXTS_SHOWN]:
        yield f"order {order['order_id'][0]}"
        for row in order.iter_rows(named=True):
            told = " ".join(filter(None, (row["work"], row["repair_method"], row["cover_position"])))
            yield from wrap.wrap(f"  {row['reading']:<7} {told}: {row['deciding_words'] or 'no words decide'}")
    if len(alike) > TEXTS_SHOWN:
        yield f"... and {len(alike) - TEXTS_SHOWN:,} more orders; --format json lists all."


def marked(text: str, statements: pl.DataFrame) -> str:
    """A text on one line, with marks around the words that its statements were read from."""
    pieces = marked_pieces(text, statements.iter_rows(named=True))
    return " ".join(marked_text(pieces).split())
