"""Duplicates, corrections and order lines.

Rows are taken in the order of their loads and, within a load, of the file. Among rows of one key, a row with the same
content as the one before it is a duplicate of it; one with other content is a correction, and what stood before is
superseded. So the earliest of equal rows is kept and the last of differing ones stands. Rows without a key of their own
(top-ups, readings, notes without a number) have a key made from their content and can only be duplicates, save where a
file was replaced under its own name: what it now says of a vehicle and moment supersedes what it said of them before.

Work orders come as lines. Within a version, a line that repeats another is a duplicate. A version with the lines of the
version before it, in any order, is a duplicate; another one supersedes it whole. The lines of the version that stands
fold into one order. Each load is a version, save those of sources that spread the lines of an order over their files:
these make one version together, which the source's corrections supersede. Nothing tells the other half of an order from
the order corrected, so a source says which it is (`order_lines` in its map).
"""

import polars as pl

from models.records.canonical import refusals
from models.records.identity import DERIVED_IDS, MOMENTS, with_content, with_ids
from models.tables.records import TABLES

OUTCOMES = ("accepted", "refused", "duplicate", "superseded")

_JOINED_BY = "; "
_WORDS = ("work_done", "complaint", "job_code", "parts")
_SUMS = ("labour_hours", "parts_cost", "labour_cost")
_FIRST = ("vehicle_id", "site", "odometer_km", "technician")
_LINE_ORDER = ("load_rank", "row_number")
_SPREAD_ORDER = ("completed_at", "job_code", "work_done", "complaint", "parts", "content")
"""Lines that add up fold by their opening, of one moment the one that says most of the work first, then in this order:
the files they came in and their rows say nothing about it."""

ADDED_UP = -1
"""Version of the order lines that add up over files."""


def reconcile(typed: pl.DataFrame, kind: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Decide what becomes of every typed row of one kind.

    Args:
        typed: Typed rows with `load_rank` (their load's place in the order of loads), `version` (shared by loads whose
            order lines belong together), `file_number` (shared by contents that one file had one after the other),
            `load_id` and `row_number`.
        kind: The record kind.

    Returns:
        The rows that stand, in no order (orders folded, columns of the kind's table), and `load_id`, `row_number`,
        `outcome` of every row given.
    """
    key = list(TABLES[kind].primary_key())
    rows = with_ids(typed, kind)
    is_retold = _retold(typed, rows, kind)
    retold, rows = rows.filter(is_retold), rows.filter(~is_retold)
    is_alone = ~rows.select(pl.struct(key).is_duplicated()).to_series()
    alone = rows.filter(is_alone).with_columns(content=pl.lit(""), outcome=pl.lit("accepted"))
    several = rows.filter(~is_alone).pipe(with_content, kind)
    judged = _judge_lines(several) if kind == "work_orders" else _judge(several, key)
    judged = pl.concat([alone, judged.select(alone.columns)])
    standing = judged.filter(pl.col("outcome") == "accepted")
    if kind == "work_orders":
        standing = standing.sort(_LINE_ORDER).pipe(_in_folding_order).pipe(fold_lines)
    superseded = retold.with_columns(outcome=pl.lit("superseded"))
    trace = ("load_id", "row_number", "outcome")
    return standing, pl.concat([judged.select(trace), superseded.select(trace)])


def _retold(typed: pl.DataFrame, rows: pl.DataFrame, kind: str) -> pl.Series:
    """Say of each row without a number whether its file, replaced, says otherwise of its vehicle and moment."""
    if kind not in MOMENTS or typed["file_number"].null_count() == typed.height:
        return pl.repeat(False, typed.height, dtype=pl.Boolean, eager=True)
    number, last = DERIVED_IDS[kind], pl.col("load_rank").max()
    is_numbered = typed[number].is_not_null() if number in typed.columns else pl.lit(value=False)
    is_retold = last.over("file_number", number) < last.over("file_number", "vehicle_id", MOMENTS[kind])
    return rows.select(is_retold & pl.col("file_number").is_not_null() & ~is_numbered).to_series()


def _judge(rows: pl.DataFrame, key: list[str], *, in_order: tuple[str, ...] = _LINE_ORDER) -> pl.DataFrame:
    """Add `outcome` to rows with `content`, by key and order."""
    is_same_key = pl.all_horizontal(pl.col(name) == pl.col(name).shift() for name in key).fill_null(value=False)
    is_repeat = is_same_key & (pl.col("content") == pl.col("content").shift())
    return (
        rows.sort(*key, *in_order)
        .with_columns(is_repeat=is_repeat, starts_key=~is_same_key)
        .with_columns(key_number=pl.col("starts_key").cum_sum(), run=(~pl.col("is_repeat")).cum_sum())
        .with_columns(last_run=pl.col("run").max().over("key_number"))
        .with_columns(
            outcome=pl.when("is_repeat")
            .then(pl.lit("duplicate"))
            .when(pl.col("run") < pl.col("last_run"))
            .then(pl.lit("superseded"))
            .otherwise(pl.lit("accepted"))
        )
        .drop("is_repeat", "starts_key", "key_number", "run", "last_run")
    )


def _judge_lines(lines: pl.DataFrame) -> pl.DataFrame:
    """Add `outcome` to order lines: repeated within a version, then version against version."""
    version = ["version", "order_id"]
    in_order = lines.sort(_LINE_ORDER)
    is_repeat = ~in_order.select(pl.struct(*version, "content").is_first_distinct()).to_series()
    distinct = in_order.filter(~is_repeat)
    versions = (
        distinct.group_by(version)
        .agg(content=pl.col("content").sort().str.join())
        .pipe(_judge, ["order_id"], in_order=("version",))
        .select(*version, "outcome")
    )
    repeats = in_order.filter(is_repeat).with_columns(outcome=pl.lit("duplicate"))
    return pl.concat([distinct.join(versions, on=version, how="left", maintain_order="left"), repeats])


def _in_folding_order(lines: pl.DataFrame) -> pl.DataFrame:
    """Sort the lines of orders that add up over files by what they say, and leave the others in the order of rows."""
    adds_up = pl.col("version") == ADDED_UP
    words = -pl.col("work_done").str.len_chars().cast(pl.Int64)
    spread = lines.filter(adds_up).sort("opened_at", words, *_SPREAD_ORDER, nulls_last=True)
    return pl.concat([lines.filter(~adds_up), spread])


def split_by_vehicle(lines: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part order lines from those that name another vehicle than the first line of their order's version.

    Returns:
        The lines that agree, and the others as refusals.
    """
    row = pl.when(pl.col("version") != ADDED_UP).then("row_number")
    first = pl.col("vehicle_id").sort_by(row, "opened_at", "vehicle_id").first().over("version", "order_id")
    marked = lines.with_columns(first_vehicle=first)
    agrees = pl.col("vehicle_id") == pl.col("first_vehicle")
    reason = pl.format(
        "is another vehicle than {}, which the first line of order {} names: mend the line or its order number",
        "first_vehicle",
        "order_id",
    )
    refused = refusals(marked.filter(~agrees), column_name="vehicle_id", value=pl.col("vehicle_id"), reason=reason)
    return marked.filter(agrees).drop("first_vehicle"), refused


def fold_lines(lines: pl.DataFrame) -> pl.DataFrame:
    """Fold the lines of each order into one row.

    Words, parts and codes are joined in row order without repeating a text, hours and costs are added, the order opens
    with its earliest line and is completed with its latest, the last state stands, and for the rest the first value.

    Args:
        lines: Typed lines sorted by load and row, `load_id` and `row_number` of each.

    Returns:
        A row per order with `line_count`; it keeps the trace of its first line.
    """
    is_alone = pl.col("order_id").is_unique()
    alone = lines.filter(is_alone).with_columns(line_count=pl.lit(1, pl.Int64))
    folded = (
        lines.filter(~is_alone)
        .group_by("order_id", maintain_order=True)
        .agg(
            pl.col("load_rank", "load_id", "row_number").first(),
            *(pl.col(name).drop_nulls().first() for name in _FIRST),
            *(_joined(name) for name in _WORDS),
            *(pl.when(pl.col(name).is_not_null().any()).then(pl.col(name).sum()).alias(name) for name in _SUMS),
            pl.col("opened_at", "opened_on").sort_by("opened_at").first(),
            pl.col("completed_at", "completed_on").sort_by("completed_at", nulls_last=False).last(),
            pl.col("status").drop_nulls().last(),
            line_count=pl.len().cast(pl.Int64),
        )
    )
    return pl.concat([folded, alone.select(folded.columns)])


def _joined(name: str) -> pl.Expr:
    """Join distinct texts in row order; null where no line has any, '' where all that have one are empty."""
    texts = pl.col(name).drop_nulls().unique(maintain_order=True)
    filled = texts.filter(texts != "")
    return pl.when(pl.col(name).is_not_null().any()).then(filled.str.join(_JOINED_BY)).alias(name)
