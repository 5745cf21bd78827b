"""Great Expectations suites as blocking Dagster asset checks, one a table."""

from collections.abc import Iterable

import dagster as dg
import polars as pl

from pipelines.fleet_home import FleetHome
from pipelines.validation.checking import check_table
from pipelines.warehouse import statement


def contract_checks(tables: Iterable[str]) -> list[dg.AssetChecksDefinition]:
    """Make a check for each table that stops whatever is built from it when a row breaks its declaration."""
    return [_contract_check(table) for table in tables]


def _contract_check(table: str) -> dg.AssetChecksDefinition:
    """Make the check of one table."""

    @dg.asset_check(
        asset=table, name="contract", blocking=True, description=f"Every row of {table} is as its declaration says."
    )
    def contract(home: FleetHome) -> dg.AssetCheckResult:
        results = check_table(home.home.warehouse, table)
        _keep(home, results)
        broken = results.filter(~pl.col("passed"))
        return dg.AssetCheckResult(
            passed=broken.is_empty(),
            severity=dg.AssetCheckSeverity.ERROR,
            description="; ".join(f"{row['check_name']}: {row['detail']}" for row in broken.iter_rows(named=True)),
            metadata={"expectations": results.height, "broken": broken.height},
        )

    return contract


def _keep(home: FleetHome, results: pl.DataFrame) -> None:
    """Put a table's results in place of its last ones."""
    with home.warehouse.connect() as connection:
        connection.register("new_checks", results)
        connection.execute(statement("replace_checks"))
