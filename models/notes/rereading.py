"""What added words and rules change in the reading of texts and orders."""

import polars as pl

from models.notes.added import AddedLexicon
from models.notes.orders import read_orders
from models.notes.reader import COLUMNS, read_notes

BEFORE, AFTER = "before", "after"
"""Values of `reading`: by the words of the package, and with those that are added."""
_SAID = [name for name in COLUMNS if name != "confidence"]
"""What makes a statement another one; how sure it is does not."""
_DECIDED = ["cover_position", "work", "repair_method", "occasion", "has_new_bolts", "has_oil_complaint"]
"""What makes the reading of an order another one."""


def read_twice(texts: pl.Series, added: AddedLexicon) -> pl.DataFrame:
    """Read texts by the words of the package, and once more with those that are added.

    Returns:
        The columns of `read_notes`, `reading` (before, after) and `is_changed`, whether the text reads differently; all
        of before first, each in the order of the texts.
    """
    before = read_notes(texts).with_columns(reading=pl.lit(BEFORE))
    after = read_notes(texts, added=added).with_columns(reading=pl.lit(AFTER))
    changed = _differing(before, after, "text_index", _SAID)
    return pl.concat([before, after]).with_columns(is_changed=pl.col("text_index").is_in(changed.implode()))


def count_readings(statements: pl.DataFrame) -> pl.DataFrame:
    """Count the statements of `read_twice`.

    Returns:
        component, polarity, before, after: a row for each pair that occurs, sorted.
    """
    counts = {name: (pl.col("reading") == name).sum().cast(pl.Int64) for name in (BEFORE, AFTER)}
    return statements.group_by("component", "polarity").agg(**counts).sort("component", "polarity")


def changed_orders(orders: pl.DataFrame, families: pl.DataFrame, added: AddedLexicon) -> pl.DataFrame:
    """Read orders by the words of the package, and once more with those that are added.

    Args:
        orders: As `read_orders` takes them.
        families: `EngineFamilies`.
        added: What is added.

    Returns:
        `CoverWork` with `reading` (before, after) of the orders that read differently, sorted by order, before first.
    """
    before = read_orders(orders, families).with_columns(reading=pl.lit(BEFORE))
    after = read_orders(orders, families, added=added).with_columns(reading=pl.lit(AFTER))
    changed = _differing(before, after, "order_id", _DECIDED)
    both = pl.concat([before, after]).filter(pl.col("order_id").is_in(changed.implode()))
    return both.sort("order_id", "reading", "cover_position", descending=[False, True, False])


def _differing(before: pl.DataFrame, after: pl.DataFrame, key: str, columns: list[str]) -> pl.Series:
    """The keys whose rows say something else after than before."""
    row = pl.concat_str([pl.col(name).cast(pl.String).fill_null("") for name in columns], separator="\x1f")
    told = [frame.group_by(key).agg(said=row.str.join("\x1e")) for frame in (before, after)]
    return told[0].join(told[1], on=key).filter(pl.col("said") != pl.col("said_right"))[key].sort()
