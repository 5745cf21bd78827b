"""Dated statements about leaks, from notes and orders, with the words that make each."""

import polars as pl

from models.notes import NOTHING_ADDED, AddedLexicon, read_notes
from models.notes.covers import positions_of
from models.tables import conform
from models.tables.ledger import JOINT_COMPONENTS, Evidence

ORIGIN = ("origin_kind", "origin_id", "origin_field")
UNSTATED_CONFIDENCE = 0.4
"""Confidence of a leak that only the filled-in class tells of, against its text; judgement of the house."""

_CARRIED = ("vehicle_id", "engine_id", "cover_positions", "distance_km")
_WORDS = pl.Schema(
    {
        "origin_kind": pl.String(),
        "origin_id": pl.String(),
        "origin_field": pl.String(),
        "vehicle_id": pl.String(),
        "engine_id": pl.String(),
        "cover_positions": pl.String(),
        "distance_km": pl.Float64(),
        "noted_at": pl.Datetime("us", "UTC"),
        "noted_on": pl.Date(),
        "text": pl.String(),
        "class_filled_in": pl.String(),
    }
)


def evidence(
    notes: pl.DataFrame, orders: pl.DataFrame, cover_work: pl.DataFrame, *, added: AddedLexicon = NOTHING_ADDED
) -> pl.DataFrame:
    """Read notes, complaints and findings into dated statements about each cover.

    A complaint is dated at the order's opening, a finding in the work done at its completion (its opening where it was
    not completed). Findings of an order that repairs a cover are left out: they describe the leak that was repaired.
    A statement about both covers of a two-bank engine makes a row for each. A text of an order that says nothing of a
    leak makes no row; a note makes one of component `none`. A leak class filled in fills the statement's where the
    text says present without one; where the text does not say present, the text decides and the disagreement is marked.

    Args:
        notes: `InspectionNotes` with engine_id, cover_positions and distance_km as `models.engines.locate` adds them.
        orders: `WorkOrders` with the same columns.
        cover_work: `CoverWork` of those orders.
        added: Words and rules beside those of the package.

    Returns:
        `Evidence`, sorted by vehicle, time and evidence_id.
    """
    words = pl.concat([_of_notes(notes), _of_complaints(orders), _of_findings(orders, cover_work)])
    return (
        read_notes(words["text"], added=added)
        .join(words.with_row_index("text_index"), on="text_index", how="left")
        .filter((pl.col("component") != "none") | (pl.col("symptoms") != "") | (pl.col("origin_field") == "text"))
        .pipe(_with_filled_class)
        .pipe(_at_positions)
        .pipe(_numbered)
        .pipe(conform, Evidence)
        .sort("vehicle_id", "noted_at", "evidence_id")
    )


def _of_notes(notes: pl.DataFrame) -> pl.DataFrame:
    """The words of notes."""
    return _conformed(
        notes,
        origin_kind=pl.lit("inspection_notes"),
        origin_id=pl.col("note_id"),
        origin_field=pl.lit("text"),
        text=pl.col("text"),
        class_filled_in=pl.col("leak_class"),
        noted_at=pl.col("noted_at"),
        noted_on=pl.col("noted_on"),
    )


def _of_complaints(orders: pl.DataFrame) -> pl.DataFrame:
    """What was reported, dated at the order's opening."""
    return _conformed(
        orders.filter(pl.col("complaint").fill_null("") != ""),
        origin_kind=pl.lit("work_orders"),
        origin_id=pl.col("order_id"),
        origin_field=pl.lit("complaint"),
        text=pl.col("complaint"),
        class_filled_in=pl.lit(None, pl.String),
        noted_at=pl.col("opened_at"),
        noted_on=pl.col("opened_on"),
    )


def _of_findings(orders: pl.DataFrame, cover_work: pl.DataFrame) -> pl.DataFrame:
    """What was found at work, dated at its completion, on orders that repaired no cover."""
    repairs = cover_work.filter(pl.col("work") == "repair").select("order_id").unique()
    is_completed = (pl.col("completed_at") >= pl.col("opened_at")).fill_null(False)
    return _conformed(
        orders.filter(pl.col("work_done") != "").join(repairs, on="order_id", how="anti"),
        origin_kind=pl.lit("work_orders"),
        origin_id=pl.col("order_id"),
        origin_field=pl.lit("work_done"),
        text=pl.col("work_done"),
        class_filled_in=pl.lit(None, pl.String),
        noted_at=pl.when(is_completed).then("completed_at").otherwise("opened_at"),
        noted_on=pl.when(is_completed).then("completed_on").otherwise("opened_on"),
    )


def _conformed(records: pl.DataFrame, **columns: pl.Expr) -> pl.DataFrame:
    """Records of any kind in the columns of `_WORDS`."""
    return records.select(*_CARRIED, **columns).select(pl.col(name).cast(dtype) for name, dtype in _WORDS.items())


def _with_filled_class(statements: pl.DataFrame) -> pl.DataFrame:
    """Take the filled-in leak class where the text says present without one; mark where the text says otherwise.

    A text without any statement keeps the class as an uncertain leak of the cover, marked.
    """
    is_present = pl.col("polarity") == "present"
    is_of_joint = pl.col("component").is_in(JOINT_COMPONENTS)
    is_filled = pl.col("class_filled_in").is_not_null()
    is_silent = is_filled & (pl.col("component") == "none")
    says_leak = (is_present & pl.col("component").is_in([*JOINT_COMPONENTS, "other_oil_leak"])).any().over("text_index")
    joint_says_leak = (is_present & is_of_joint).any().over("text_index")
    takes_class = (
        is_filled & is_present & (is_of_joint | ((pl.col("component") == "other_oil_leak") & ~joint_says_leak))
    )
    differs = is_filled & is_present & is_of_joint & (pl.col("leak_class") != pl.col("class_filled_in"))
    return statements.with_columns(
        component=pl.when(is_silent).then(pl.lit("cover_gasket")).otherwise("component"),
        polarity=pl.when(is_silent).then(pl.lit("uncertain")).otherwise("polarity"),
        confidence=pl.when(is_silent).then(UNSTATED_CONFIDENCE).otherwise("confidence"),
        leak_class=pl.when(is_silent)
        .then("class_filled_in")
        .when(takes_class)
        .then(pl.coalesce("leak_class", "class_filled_in"))
        .otherwise("leak_class"),
        is_class_contradicted=(is_filled & ~says_leak) | differs.fill_null(False),
    )


def _at_positions(statements: pl.DataFrame) -> pl.DataFrame:
    """Resolve the side words of each statement against the engine's covers, a row for each cover."""
    said = ["position", "cover_positions"]
    distinct = statements.select(said).unique()
    resolved = pl.Series("cover_position", [positions_of(*pair) for pair in distinct.rows()], dtype=pl.List(pl.String))
    return statements.join(distinct.with_columns(resolved), on=said, nulls_equal=True).explode("cover_position")


def _numbered(statements: pl.DataFrame) -> pl.DataFrame:
    """Number each row after its origin, first character, component and cover, so that it keeps its number."""
    parts = [*ORIGIN, "span_start", "component", "cover_position"]
    evidence_id = pl.concat_str([pl.col(part).cast(pl.String) for part in parts], separator=":")
    repeat = pl.int_range(pl.len()).over(*parts, order_by=["polarity", "span_end", "location"])
    suffix = pl.when(repeat > 0).then(pl.concat_str(pl.lit(":"), repeat.cast(pl.String))).otherwise(pl.lit(""))
    return statements.with_columns(
        evidence_id=evidence_id + suffix, odometer_km=pl.col("distance_km"), engine_id=pl.col("engine_id").fill_null("")
    )
