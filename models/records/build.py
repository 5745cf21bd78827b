"""All kinds of records out of everything that has landed, each landed row with its outcome."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import dataframely as dy
import polars as pl

from models.records.canonical import REFUSED_SCHEMA, WHOLE_ROW, canonical_text
from models.records.conversion import Conversion
from models.records.reconcile import OUTCOMES, reconcile, split_by_vehicle
from models.records.references import hold_unknown
from models.records.typing import STORED_AS, rule_broken, type_rows
from models.tables import conform
from models.tables.records import TABLES

LANDED_SCHEMA = {"row_number": pl.Int64(), "cells": pl.List(pl.String())}
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
        loaded_at: When it was read; later loads correct earlier ones.
        header: The file's column names.
        conversion: How the file spells things.
        rows: `row_number` (Int64) and `cells` (List of String), the columns of `LANDED_SCHEMA`.
    """

    load_id: str
    source: str
    file: str
    loaded_at: datetime
    header: tuple[str, ...]
    conversion: Conversion
    rows: pl.DataFrame


@dataclass(frozen=True)
class RecordsResult:
    """What became of everything that landed.

    Args:
        tables: Record kind to its table, every kind of `models.tables.records.TABLES`.
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
    tables: dict[str, pl.DataFrame] = {}
    outcomes = [pl.DataFrame(schema=OUTCOME_SCHEMA)]
    for kind, schema in TABLES.items():
        if not (loads := in_load_order(landed.get(kind, ()))):
            tables[kind] = schema.create_empty()
            continue
        tables[kind], of_kind = _build_kind(loads, kind, tables, as_of=as_of, default_zone=default_zone)
        outcomes.append(of_kind)
    every = pl.concat(outcomes).sort("load_id", "row_number")
    return RecordsResult(tables=tables, outcomes=every, refused=_refused_rows(every, landed))


def in_load_order(loads: Iterable[LandedLoad]) -> list[LandedLoad]:
    """Sort loads by when they were read, then by file: the order in which later ones correct earlier ones."""
    return sorted(loads, key=lambda load: (load.loaded_at, load.file, load.load_id))


def _build_kind(
    loads: list[LandedLoad], kind: str, tables: dict[str, pl.DataFrame], *, as_of: date, default_zone: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Build one kind's table and the outcomes of its rows."""
    typed, refused = _type_loads(loads, as_of=as_of, default_zone=default_zone)
    typed, held = hold_unknown(typed, kind, tables)
    refused = [*refused, held]
    if kind == "work_orders":
        typed, astray = split_by_vehicle(typed)
        refused.append(astray)
    standing, judged = reconcile(typed, kind)
    table, broken = _keep_contract(standing, kind)
    judged, of_contract = _refuse_broken(judged, typed, broken, kind)
    said_no = pl.concat([*refused, of_contract]).with_columns(outcome=pl.lit("refused")).select(*OUTCOME_SCHEMA)
    return table, pl.concat([_not_refused(judged), said_no])


def _not_refused(judged: pl.DataFrame) -> pl.DataFrame:
    """Give rows that were not refused the columns of an outcome."""
    nothing = {name: pl.lit(None, pl.String) for name in ("column_name", "value", "reason")}
    return judged.with_columns(**nothing).select(*OUTCOME_SCHEMA)


def _type_loads(loads: list[LandedLoad], *, as_of: date, default_zone: str) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Type the loads of one kind, in their order, those with the same header and conversion together."""
    alike: dict[tuple[tuple[str, ...], str], list[tuple[int, LandedLoad]]] = {}
    for rank, load in enumerate(loads):
        alike.setdefault((load.header, load.conversion.model_dump_json()), []).append((rank, load))
    typed, refused = [], []
    for members in alike.values():
        first = members[0][1]
        rows = pl.concat(
            load.rows.select(pl.lit(load.load_id).alias("load_id"), pl.col("row_number").cast(pl.Int64), "cells").cast(
                {"cells": pl.List(pl.String)}
            )
            for _, load in members
        )
        text, misshapen = canonical_text(rows, header=first.header, conversion=first.conversion)
        good, bad = type_rows(text, conversion=first.conversion, default_zone=default_zone, as_of=as_of)
        typed.append(good)
        refused += [misshapen, bad]
    ranks = pl.DataFrame(
        {"load_id": [load.load_id for load in loads], "load_rank": range(len(loads))},
        schema={"load_id": pl.String, "load_rank": pl.Int64},
    )
    return pl.concat(typed).join(ranks, on="load_id", how="left", maintain_order="left"), refused


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
    return table.sort(key), pl.DataFrame(broken, schema=types)


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
