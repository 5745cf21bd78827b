"""A table's checks as Dagster asset checks: its contract, which blocks, and its surprises, most of which only warn."""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime

import dagster as dg
import polars as pl

from pipelines.fleet_home import FleetHome
from pipelines.validation.checking import check_table
from pipelines.validation.surprises import look, surprises_of
from pipelines.warehouse import Warehouse, statement

CONTRACT = "contract"
"""The one check that stands for all rules of a table's declaration."""
CHANGES_KEPT = 30
"""So many changes of each check stay in its history: a month of nights in which it changed every night."""


def table_checks(tables: Iterable[str]) -> list[dg.AssetChecksDefinition]:
    """Make the checks of each table; a blocking one that fails stops whatever is built from it."""
    return [_checks_of(table) for table in tables]


def _checks_of(table: str) -> dg.AssetChecksDefinition:
    """Make the checks of one table, run in one step."""
    contract = dg.AssetCheckSpec(
        CONTRACT, asset=table, blocking=True, description=f"Every row of {table} is as its declaration says."
    )
    surprises = [
        dg.AssetCheckSpec(one.name, asset=table, blocking=one.is_blocking, description=one.means)
        for one in surprises_of(table)
    ]

    @dg.multi_asset_check(name=f"{table}_checks", specs=[*surprises, contract])
    def checks(home: FleetHome) -> Iterator[dg.AssetCheckResult]:
        rules = check_table(home.home.warehouse, table)
        with home.warehouse.connect() as connection:
            found = look(connection, surprises_of(table), settings=home.settings)
        keep_results(home.warehouse, pl.concat([rules, found]))
        yield from (_surprise_result(row) for row in found.sort("is_blocking").iter_rows(named=True))
        yield _contract_result(table, rules)

    return checks


def keep_results(warehouse: Warehouse, results: pl.DataFrame) -> None:
    """Put a table's results in place of its last ones, and add those that changed to the history: both or neither.

    Args:
        warehouse: The working file.
        results: A `Checks` frame with all results of the tables it names.
    """
    with warehouse.transaction() as connection:
        connection.register("new_checks", results)
        connection.execute(statement("replace_checks"))
        connection.execute(statement("append_check_history"), {"checked_at": datetime.now(UTC)})
        connection.execute(statement("prune_check_history"), {"changes_kept": CHANGES_KEPT})


def _surprise_result(row: dict[str, object]) -> dg.AssetCheckResult:
    """A surprise as Dagster shows it."""
    severity = dg.AssetCheckSeverity.ERROR if row["is_blocking"] else dg.AssetCheckSeverity.WARN
    metadata = {name: row[name] for name in ("figure", "threshold", "rows_checked", "rows_failed", "remedy")}
    return dg.AssetCheckResult(
        asset_key=str(row["table_name"]),
        check_name=str(row["check_name"]),
        passed=bool(row["passed"]),
        severity=severity,
        description=str(row["detail"]),
        metadata={name: value for name, value in metadata.items() if value is not None},
    )


def _contract_result(table: str, rules: pl.DataFrame) -> dg.AssetCheckResult:
    """All rules of a table as Dagster shows them."""
    broken = rules.filter(~pl.col("passed"))
    return dg.AssetCheckResult(
        asset_key=table,
        check_name=CONTRACT,
        passed=broken.is_empty(),
        severity=dg.AssetCheckSeverity.ERROR,
        description="; ".join(f"{row['check_name']}: {row['detail']}" for row in broken.iter_rows(named=True)),
        metadata={"rules": rules.height, "broken": broken.height},
    )
