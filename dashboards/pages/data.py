"""Data: what was loaded, what was refused and why, what was checked, and the settings that made the figures."""

from typing import Any

import polars as pl
from pydantic import BaseModel

from dashboards.snapshot import Snapshot
from dashboards.tabulating import Brief, Row, Table, columns
from dashboards.wording import NOTHING, counted, day_words, listed, sentence_start, whole
from models.settings import Settings
from models.tables import LAYERS

MAX_LOADS, MAX_REASONS, MAX_REFUSED, MAX_CHECKS = 300, 60, 1_000, 600


def contents(snapshot: Snapshot) -> dict[str, Any]:
    """Read the loads, refusals, checks, settings and table sizes, and lay them out."""
    checks = snapshot.select("select_checks")
    refused = snapshot.select("select_refused_rows", limit=MAX_REFUSED)
    return {
        "loads": _loads_table(snapshot),
        "adds_up": _adds_up(snapshot),
        "reasons": _reasons_table(snapshot),
        "refused": _refused_table(refused, row_count=snapshot.row_count("refused_rows")),
        "refused_options": [(file, file) for file in refused["file"].unique().sort()],
        "remarks": _remarks_table(snapshot),
        "checks_say": _checks_say(checks),
        "troubles": _troubles_table(checks.filter(~pl.col("passed"))),
        "holding": _holding_table(checks.filter(pl.col("passed"))),
        "settings_table": _settings_table(snapshot.settings),
        "tables": _tables_table(snapshot),
    }


def _loads_table(snapshot: Snapshot) -> Table:
    """Every file's rows and what became of them, what went wrong first and beside the file's name."""
    loads = snapshot.table("loads").sort(
        pl.col("problem").is_null(), pl.col("refused"), "file", "kind", descending=[False, True, False, False]
    )
    numbers = ("Read", "Accepted", "Refused", "Duplicate", "Superseded")
    problem = ("Problem",) if loads["problem"].count() else ()
    rows = tuple(
        Row(
            (
                load["file"] + (f" (also as {load['also_named']})" if load["also_named"] else ""),
                *(load["problem"] or NOTHING for _ in problem),
                load["kind"] or "not known",
                load["source"],
                f"{day_words(load['loaded_at'])}\u00a0{load['loaded_at']:%H:%M}",
                *(whole(load[name]) for name in ("rows_read", "accepted", "refused", "duplicate", "superseded")),
            ),
            is_marked=bool(load["problem"]),
        )
        for load in loads.head(MAX_LOADS).iter_rows(named=True)
    )
    return Table(
        "Files read, and what became of their rows",
        columns("File", *problem, "Kind", "Source map", "Read at (UTC)", *numbers, numbers=numbers),
        rows,
        empty="No file has been read yet.",
        row_count=loads.height,
        csv="loads",
    )


def _adds_up(snapshot: Snapshot) -> str:
    """Say that every row read is accounted for, with the sums; or that some are not."""
    loads = snapshot.table("loads")
    read, accepted, refused, duplicate, superseded = (
        int(loads[name].sum()) for name in ("rows_read", "accepted", "refused", "duplicate", "superseded")
    )
    identity = (
        f"{whole(read)} read = {whole(accepted)} accepted + {whole(refused)} refused + {whole(duplicate)} duplicate + "
        f"{whole(superseded)} superseded"
    )
    if read == accepted + refused + duplicate + superseded:
        return f"Every row is accounted for: {identity}."
    return f"Rows are missing, which is a fault of the tool: {identity} does not hold."


def _reasons_table(snapshot: Snapshot) -> Table:
    """Refused rows counted by what was wrong, those of files replaced since by themselves."""
    reasons = snapshot.select("count_refusals_by_reason")
    numbers = ("Rows", "Replaced since", "Files")
    rows = tuple(
        Row(
            (
                reason["reason"],
                reason["column_name"],
                reason["kind"] or "not known",
                whole(reason["refused"]),
                whole(reason["replaced"]),
                whole(reason["files"]),
            )
        )
        for reason in reasons.head(MAX_REASONS).iter_rows(named=True)
    )
    return Table(
        "Refused rows by reason",
        columns("Reason and what to do", "Column", "Kind", *numbers, numbers=numbers),
        rows,
        empty="No row was refused.",
        row_count=reasons.height,
        csv="refused_rows",
    )


def _refused_table(refused: pl.DataFrame, *, row_count: int) -> Table:
    """Each refused row: where it stands and what it held, the ones still to be mended first."""
    rows = tuple(
        Row(
            (
                row["file"],
                str(row["row_number"]),
                row["kind"] or "not known",
                row["column_name"],
                "(empty)" if row["value"] in (None, "") else row["value"],
                f"{row['reason']} (replaced since)" if row["is_replaced"] else row["reason"],
            ),
            keys={"file": row["file"]},
        )
        for row in refused.iter_rows(named=True)
    )
    return Table(
        "Refused rows, one by one",
        columns("File", "Row", "Kind", "Column", "Value", "Reason and what to do", numbers=("Row",)),
        rows,
        empty="No row was refused.",
        row_count=row_count,
        csv="refused_rows",
    )


def _remarks_table(snapshot: Snapshot) -> Table:
    """Each record that was kept though something about it is odd."""
    remarks = snapshot.select("select_remarks", limit=MAX_REFUSED)
    rows = tuple(
        Row(
            (
                row["remark"],
                row["file"] or "no longer read",
                str(row["row_number"]),
                row["kind"],
                row["record_id"],
                row["vehicle_id"],
            )
        )
        for row in remarks.iter_rows(named=True)
    )
    return Table(
        "Records kept though they are odd",
        columns("What is odd", "File", "Row", "Kind", "Record", "Vehicle", numbers=("Row",)),
        rows,
        empty="No record is odd.",
        row_count=snapshot.row_count("remarks"),
        csv="remarks",
    )


def _checks_say(checks: pl.DataFrame) -> str:
    """Say how many checks failed and how many warn."""
    troubles = checks.filter(~pl.col("passed"))
    failed = troubles.filter("is_blocking").height
    if checks.is_empty():
        return "No check has been recorded with this snapshot."
    if troubles.is_empty():
        return f"All {counted(checks.height, 'check')} held."
    said = [f"{counted(failed, 'check')} failed"] if failed else []
    if warned := troubles.height - failed:
        said.append(f"{counted(warned, 'check')} {'warns' if warned == 1 else 'warn'}")
    return f"{sentence_start(listed(said))}; the other {whole(checks.height - troubles.height)} held."


def _troubles_table(troubles: pl.DataFrame) -> Table:
    """The checks that failed, then those that warn: what was found and what to do."""
    rows = tuple(
        Row(
            (
                check["means"],
                "failed" if check["is_blocking"] else "warns",
                check["detail"] or NOTHING,
                check["remedy"],
                f"{check['layer']}.{check['table_name']}",
                Brief(_since_words(check), _earlier_words(check)),
            ),
            is_marked=True,
        )
        for check in troubles.head(MAX_CHECKS).iter_rows(named=True)
    )
    return Table(
        "Checks that failed, then those that warn",
        columns("What should hold", "Result", "Found", "What to do", "Table", "Since (UTC)", codes=("Table",)),
        rows,
        empty="No check failed or warns.",
        row_count=troubles.height,
        csv="checks",
    )


def _holding_table(holding: pl.DataFrame) -> Table:
    """The checks that hold, those that look for surprises first."""
    rows = tuple(
        Row(
            (
                check["means"],
                f"{check['layer']}.{check['table_name']}",
                "stops publishing" if check["is_blocking"] else "warns",
                whole(check["rows_checked"]),
                check["detail"] or NOTHING,
                Brief(_since_words(check), _earlier_words(check)),
            )
        )
        for check in holding.head(MAX_CHECKS).iter_rows(named=True)
    )
    numbers = ("Rows checked",)
    return Table(
        "Checks that hold",
        columns("What holds", "Table", "If it fails", *numbers, "Found", "Since (UTC)", numbers=numbers),
        rows,
        empty="No check holds.",
        row_count=holding.height,
        csv="checks",
    )


def _since_words(check: dict[str, Any]) -> str:
    """Since when a check has had its outcome."""
    if check["since"] is None:
        return NOTHING
    return f"{'before ' if check['is_since_before'] else ''}{day_words(check['since'])}"


def _earlier_words(check: dict[str, Any]) -> str:
    """What a check said in the runs before, the latest first."""
    return "; ".join(
        f"{day_words(result['checked_at'])} {'held' if result['passed'] else 'did not hold'}: {result['detail']}"
        for result in check["earlier"]
    )


def _settings_table(settings: Settings) -> Table:
    """Every threshold, its value, unit and reason; those a person changed are marked."""
    rows = []
    for section_name in type(settings).model_fields:
        section = getattr(settings, section_name)
        if isinstance(section, BaseModel):
            rows += _section_rows(section_name, section)
        else:
            rows.append(_setting_row(section_name, settings, section_name))
    return Table("Settings that made these figures", columns("Setting", "Value", "Unit", "Why this value"), tuple(rows))


def _section_rows(section_name: str, section: BaseModel) -> list[Row]:
    return [_setting_row(f"{section_name}.{field}", section, field) for field in type(section).model_fields]


def _setting_row(name: str, holder: BaseModel, field: str) -> Row:
    """One setting in words."""
    declared = type(holder).model_fields[field]
    value = getattr(holder, field)
    extra = declared.json_schema_extra
    unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    is_changed = value != declared.get_default(call_default_factory=True)
    return Row(
        (name, _setting_words(value), unit, declared.description or ""), is_marked=is_changed and field != "as_of"
    )


def _setting_words(value: object) -> str:
    """A setting's value as a person would write it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ", ".join(_setting_words(item) for item in value)
    if isinstance(value, dict):
        return ", ".join(f"{key}: {_setting_words(item)}" for key, item in value.items()) or "none"
    return f"{value:,.12g}" if isinstance(value, float) else str(value)


def _tables_table(snapshot: Snapshot) -> Table:
    """Every published table: what a row is, and how many there are."""
    rows = tuple(
        Row((name, whole(snapshot.row_count(name)), layer, (schema.__doc__ or "").strip().splitlines()[0]))
        for layer, tables in LAYERS.items()
        for name, schema in tables.items()
    )
    return Table("Published tables", columns("Table", "Rows", "Layer", "What a row is", numbers=("Rows",)), rows)
