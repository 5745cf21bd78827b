"""All kinds of records out of everything that has landed, each landed row with its outcome."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from functools import cache
from pathlib import PurePosixPath
from typing import Any, get_args

import dataframely as dy
import polars as pl

from models.records.canonical import REFUSED_SCHEMA, WHOLE_ROW, canonical_text
from models.records.conversion import Conversion, Kind, input_columns
from models.records.landed import LandedRows, joined
from models.records.reconcile import ADDED_UP, OUTCOMES, reconcile, split_by_vehicle
from models.records.references import hold_unknown
from models.records.typing import STORED_AS, rule_broken, type_rows
from models.tables import conform
from models.tables.records import TABLES

OUTCOME_SCHEMA = {
    "load_id": pl.String(),
    "row_number": pl.Int64(),
    "outcome": pl.String(),
    "column_name": pl.String(),
    "value": pl.String(),
    "reason": pl.String(),
}


@dataclass(frozen=True)
class LandedLoad:
    """The rows of one kind that one file brought, as text.

    Args:
        load_id: Unique among all loads.
        source: Name of the source map, or the kind where none was needed.
        file: The file as found in the inbox.
        loaded_at: When it was read; tells apart two contents that one file name had.
        header: The file's column names.
        conversion: How the file spells things.
        rows: The rows, none where only the load itself matters.
    """

    load_id: str
    source: str
    file: str
    loaded_at: datetime
    header: tuple[str, ...]
    conversion: Conversion
    rows: LandedRows = field(default_factory=LandedRows)


@dataclass(frozen=True)
class RecordsResult:
    """What became of everything that landed.

    Args:
        tables: Record kind to its table, every kind of `models.tables.records.TABLES`, in the order of its key.
        outcomes: A row per landed row: load_id, row_number, outcome (accepted, refused, duplicate, superseded) and,
            where refused, column_name, value, reason. Sorted by load_id and row_number.
        refused: The refused rows in the columns of `models.tables.audit.RefusedRows`.
    """

    tables: dict[str, pl.DataFrame]
    outcomes: pl.DataFrame
    refused: pl.DataFrame


def build_records(
    landed: Mapping[str, Sequence[LandedLoad]], *, as_of: date, default_zone: str = "UTC"
) -> RecordsResult:
    """Type, check, hold, reconcile and fold all landed rows.

    Args:
        landed: Record kind to its loads, in any order; kinds may be missing.
        as_of: Day of the extract; a later date is refused.
        default_zone: tz database name of naive times where a source names none.

    Returns:
        The tables, and the outcome of every landed row: none is lost, none counted twice.
    """
    typed, refused = type_landed(landed, as_of=as_of, default_zone=default_zone)
    order = in_load_order(load for loads in landed.values() for load in loads)
    tables, judged = judge_records(typed, order)
    tables = {kind: table.sort(TABLES[kind].primary_key()) for kind, table in tables.items()}
    every = pl.concat([refused, judged]).sort("load_id", "row_number")
    return RecordsResult(tables=tables, outcomes=every, refused=_refused_rows(every, landed))


def type_landed(
    landed: Mapping[str, Sequence[LandedLoad]], *, as_of: date, default_zone: str = "UTC"
) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
    """Type landed rows one by one: what becomes of a row here depends on no other row.

    Args:
        landed: Record kind to its loads; kinds may be missing.
        as_of: Day of the extract; a later date is refused.
        default_zone: tz database name of naive times where a source names none.

    Returns:
        Every record kind to its typed rows, and the outcomes of the rows that were refused.
    """
    typed, outcomes = {}, [pl.DataFrame(schema=OUTCOME_SCHEMA)]
    for kind in get_args(Kind):
        if not landed.get(kind):
            typed[kind] = _nothing_typed(kind)
            continue
        typed[kind], refused = _type_loads(landed[kind], as_of=as_of, default_zone=default_zone)
        outcomes += [_as_outcomes(rows) for rows in refused]
    return typed, pl.concat(outcomes)


def judge_records(
    typed: Mapping[str, pl.DataFrame], order: Sequence[LandedLoad]
) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
    """Hold, reconcile and fold typed rows.

    What becomes of a row depends on the rows that share a vehicle, an order or a note number with it, directly or over
    others, and on no more. A part of the rows that is closed in this way gives its part of the tables.

    Args:
        typed: Record kind to its rows, from `type_landed`; kinds may be missing.
        order: The loads from `in_load_order`, at least those of the rows; their own rows are not read.

    Returns:
        Every record kind to its table, in no order, and the outcomes of the rows given.
    """
    ranks = ranked(order)
    tables: dict[str, pl.DataFrame] = {}
    outcomes = [pl.DataFrame(schema=OUTCOME_SCHEMA)]
    for kind, schema in TABLES.items():
        if kind not in typed or typed[kind].is_empty():
            tables[kind] = schema.create_empty()
            continue
        placed = typed[kind].join(ranks, on="load_id", how="left", maintain_order="left")
        tables[kind], of_kind = _judge_kind(placed, kind, tables)
        outcomes.append(of_kind)
    return tables, pl.concat(outcomes)


def in_load_order(loads: Iterable[LandedLoad]) -> list[LandedLoad]:
    """Sort loads into the order in which later ones correct earlier ones: by their files' names.

    The name is compared without its suffix and letter case, a number in it as a number: `orders_2025` comes before
    `orders_2025_corrected`, that before `orders_2026`, `orders_9` before `orders_10`, and it does not matter which of
    them arrived first. Only a file that was replaced under its own name corrects what it said when it was read before.
    """
    return sorted(loads, key=lambda load: (_name_order(load.file), load.file, load.loaded_at, load.load_id))


def ranked(order: Sequence[LandedLoad]) -> pl.DataFrame:
    """Give each load its place in the order and the version that its order lines belong to.

    Lines that add up make one version; what one of their files held before it was replaced comes before that, and
    whatever corrects them after it.

    Returns:
        `load_id`, `load_rank`, `version`, and `file_number`, shared by the contents that one file had one after the
        other; null where it had but one.
    """
    contents = Counter((load.source, load.file) for load in order)
    replaced = {name: number for number, name in enumerate(name for name, count in contents.items() if count > 1)}
    newest = {(load.source, load.file): load.load_id for load in order if load.conversion.adds_up(load.file)}
    rows = []
    for rank, load in enumerate(order):
        version = rank
        if load.conversion.adds_up(load.file):
            is_newest = newest[load.source, load.file] == load.load_id
            version = ADDED_UP if is_newest else rank - len(order) + ADDED_UP
        rows.append((load.load_id, rank, version, replaced.get((load.source, load.file))))
    schema = {"load_id": pl.String, "load_rank": pl.Int64, "version": pl.Int64, "file_number": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _name_order(file: str) -> list[tuple[int, str]]:
    """A file's name as words and numbers."""
    name = PurePosixPath(file.casefold().removesuffix(".gz"))
    parts = re.split(r"([0-9]+)", str(name.with_suffix("")))
    return [(int(part), "") if place % 2 else (0, part) for place, part in enumerate(parts)]


def _judge_kind(typed: pl.DataFrame, kind: str, tables: dict[str, pl.DataFrame]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Build one kind's table and the outcomes of its rows."""
    typed, held = hold_unknown(typed, kind, tables)
    refused = [held]
    if kind == "work_orders":
        typed, astray = split_by_vehicle(typed)
        refused.append(astray)
    standing, judged = reconcile(typed, kind)
    table, broken = _keep_contract(standing, kind)
    judged, of_contract = _refuse_broken(judged, typed, broken, kind)
    return table, pl.concat([_not_refused(judged), *(_as_outcomes(rows) for rows in (*refused, of_contract))])


def _as_outcomes(refused: pl.DataFrame) -> pl.DataFrame:
    """Give refusals the columns of an outcome."""
    return refused.with_columns(outcome=pl.lit("refused")).select(*OUTCOME_SCHEMA)


@cache
def _nothing_typed(kind: Kind) -> pl.DataFrame:
    """The typed rows of a kind of which nothing has landed: none, in the right columns."""
    no_load = LandedLoad(
        load_id="",
        source=kind,
        file="",
        loaded_at=datetime.min.replace(tzinfo=UTC),
        header=input_columns(kind),
        conversion=Conversion(kind=kind),
    )
    typed, _ = _type_loads([no_load], as_of=date.min, default_zone="UTC")
    return typed


def _not_refused(judged: pl.DataFrame) -> pl.DataFrame:
    """Give rows that were not refused the columns of an outcome."""
    nothing = {name: pl.lit(None, pl.String) for name in ("column_name", "value", "reason")}
    return judged.with_columns(**nothing).select(*OUTCOME_SCHEMA)


def _type_loads(
    loads: Sequence[LandedLoad], *, as_of: date, default_zone: str
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Type the loads of one kind, those with the same header and conversion together."""
    alike: dict[tuple[tuple[str, ...], str], list[LandedLoad]] = {}
    for load in loads:
        alike.setdefault((load.header, load.conversion.model_dump_json()), []).append(load)
    typed, refused = [], []
    for members in alike.values():
        first = members[0]
        rows = joined(_with_load_id(load) for load in members)
        text, misshapen = canonical_text(rows, header=first.header, conversion=first.conversion)
        good, bad = type_rows(text, conversion=first.conversion, default_zone=default_zone, as_of=as_of)
        typed.append(good)
        refused += [misshapen, bad]
    return pl.concat(typed), refused


def _with_load_id(load: LandedLoad) -> LandedRows:
    load_id = pl.lit(load.load_id).alias("load_id")
    return LandedRows(load.rows.whole.with_columns(load_id), load.rows.ragged.with_columns(load_id))


def _keep_contract(standing: pl.DataFrame, kind: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part the rows that keep the table's contract from those that break it.

    Every value was checked when it was typed; what folding adds up can still break a bound.

    Returns:
        The table, and of each broken row its key columns with `column_name`, `value` and `reason`.
    """
    schema = TABLES[kind]
    key = list(schema.primary_key())
    table, failure = schema.filter(conform(standing, schema))
    broken = []
    for row in failure.details().to_dicts() if len(failure) else []:
        rule = next(name for name, verdict in row.items() if verdict == "invalid" and name in failure.counts())
        broken.append({name: row[name] for name in key} | _contract_breach(row, rule, schema.columns()))
    texts = dict.fromkeys(("column_name", "value", "reason"), pl.String())
    types: dict[str, pl.DataType] = {name: table.schema[name] for name in key} | texts
    return table, pl.DataFrame(broken, schema=types)


def _contract_breach(row: dict[str, Any], rule: str, columns: dict[str, dy.Column]) -> dict[str, str]:
    """Name the column, the value and the reason of a row that breaks one rule of its table."""
    stored, _, broken = rule.partition("|")
    if stored not in columns:
        return {"column_name": WHOLE_ROW, "value": "", "reason": f"breaks the rule {rule.replace('_', ' ')}"}
    column = {stored_as: written for written, stored_as in STORED_AS.items()}.get(stored, stored)
    return {"column_name": column, "value": str(row[stored]), "reason": rule_broken(columns[stored], broken)}


def _refuse_broken(
    judged: pl.DataFrame, typed: pl.DataFrame, broken: pl.DataFrame, kind: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Turn the accepted rows that make up a broken record into refusals."""
    key = list(TABLES[kind].primary_key())
    if broken.is_empty():
        return judged, pl.DataFrame(schema=REFUSED_SCHEMA)
    accepted = judged.filter(pl.col("outcome") == "accepted").select("load_id", "row_number")
    rows = typed.join(accepted, on=["load_id", "row_number"]).join(broken, on=key)
    refused = rows.select(list(REFUSED_SCHEMA))
    return judged.join(refused, on=["load_id", "row_number"], how="anti"), refused


def _refused_rows(outcomes: pl.DataFrame, landed: Mapping[str, Sequence[LandedLoad]]) -> pl.DataFrame:
    """Give the refused rows their file and kind."""
    files = pl.DataFrame(
        [(load.load_id, load.file, kind) for kind, loads in landed.items() for load in loads],
        schema={"load_id": pl.String, "file": pl.String, "kind": pl.String},
        orient="row",
    )
    return (
        outcomes.filter(pl.col("outcome") == "refused")
        .join(files, on="load_id", how="left", maintain_order="left")
        .select("load_id", "file", "row_number", "kind", "column_name", "value", "reason")
    )


def tally(outcomes: pl.DataFrame) -> pl.DataFrame:
    """Count, for every load with rows, rows_read and how many were accepted, refused, duplicate and superseded."""
    return (
        outcomes.group_by("load_id")
        .agg(
            rows_read=pl.len().cast(pl.Int64),
            **{outcome: (pl.col("outcome") == outcome).sum().cast(pl.Int64) for outcome in OUTCOMES},
        )
        .sort("load_id")
    )
