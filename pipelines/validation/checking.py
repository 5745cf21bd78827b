"""Run a table's expectations against the working DuckDB and return one row a check."""

import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from models.tables import conform, layer_of
from models.tables.audit import Checks
from pipelines.validation import dialect
from pipelines.validation.suites import FIGURE_PLACES, Rule, broken_rules_query, rules_of

if TYPE_CHECKING:
    from great_expectations.core import ExpectationValidationResult
    from great_expectations.datasource.fluent import SQLDatasource
    from great_expectations.datasource.fluent.sql_datasource import QueryAsset

BROKEN_RULE_REMEDY = (
    "No export can be mended for this: what the tool built broke a rule of its own. The last snapshot keeps serving; "
    "report the table, the rule and what was found."
)


def check_table(warehouse: Path, table: str) -> pl.DataFrame:
    """Check that every row of one table of the working file is as its declaration says.

    Args:
        warehouse: The DuckDB file; it is read in a transaction that cannot write.
        table: A declared table's name.

    Returns:
        A `Checks` frame, one row a rule; one row that says so where the rules cannot be run.

    Raises:
        KeyError: No layer declares a table of that name.
    """
    rules = rules_of(table)
    layer = layer_of(table)
    row_count, broken = _validate(warehouse, f"{layer}.{table}", broken_rules_query(rules))
    if exception := _exception(broken.exception_info or {}):
        cannot_run = Rule("rules_can_run", "", "", f"The rules of {table} can be run.")
        rows = [_row(layer, table, cannot_run, 0, {"found": [exception]})]
    else:
        failed = {row["rule_name"]: row for row in broken.result["details"]["unexpected_rows"]}
        rows = [_row(layer, table, rule, row_count, failed.get(rule.name)) for rule in rules]
    return conform(pl.DataFrame(rows, infer_schema_length=None), Checks)


def _validate(warehouse: Path, name: str, query: str) -> tuple[int, "ExpectationValidationResult"]:
    """Have Great Expectations count a table's rows and look for the rules they break."""
    import great_expectations as gx
    import great_expectations.expectations as gxe

    from pipelines.validation.expectation import ExpectNoRuleToBeBroken

    asset = _table_asset(warehouse, name)
    suite = gx.ExpectationSuite(
        name=name,
        expectations=[
            ExpectNoRuleToBeBroken(unexpected_rows_query=query, description="No rule is broken."),
            gxe.ExpectTableRowCountToBeBetween(min_value=0),
        ],
    )
    try:
        batch = asset.get_batch(asset.build_batch_request())
        results = batch.validate(suite, result_format="COMPLETE").results
    finally:
        _let_go(asset.datasource)
    found = {result.expectation_config.type: result for result in results}
    broken, counted = (found[expectation.expectation_type] for expectation in suite.expectations)
    return counted.result.get("observed_value", 0), broken


@cache
def _table_asset(warehouse: Path, name: str) -> "QueryAsset":
    """Make Great Expectations' view of one table, once for a process: it writes its whole configuration each time."""
    return _data_source(warehouse).add_query_asset(name, query=f"SELECT * FROM {name}")


@cache
def _data_source(warehouse: Path) -> "SQLDatasource":
    """Make Great Expectations' view of a DuckDB file; it loads slowly, so once for a process."""
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig

    dialect.register()
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    return context.data_sources.add_sql(
        "warehouse",
        connection_string=f"{dialect.NAME}:///{warehouse}",
        create_temp_table=False,
    )


def _let_go(source: "SQLDatasource") -> None:
    """Close the connections of both engines Great Expectations keeps: each sees the file as it was when opened."""
    source.get_engine().dispose()
    source.get_execution_engine().engine.dispose()


def _row(layer: str, table: str, rule: Rule, row_count: int, failed: dict[str, Any] | None) -> dict[str, Any]:
    """One rule's result in our own words; `failed` is what the query found of it, None where it holds."""
    rows_failed = failed.get("rows_failed", 0) if failed else 0
    return {
        "layer": layer,
        "table_name": table,
        "check_name": rule.name,
        "column_name": rule.column,
        "passed": failed is None,
        "is_blocking": True,
        "rows_checked": row_count,
        "rows_failed": rows_failed,
        "figure": round(rows_failed / row_count, FIGURE_PLACES) if row_count else None,
        "threshold": 0.0,
        "detail": "holds" if failed is None else _detail(failed),
        "means": rule.says,
        "remedy": BROKEN_RULE_REMEDY,
    }


def _detail(failed: dict[str, Any]) -> str:
    """What was found, short enough to read."""
    values = ", ".join(map(str, failed["found"] or ["nothing"]))
    return f"{failed['rows_failed']:,} rows, with {values}" if "rows_failed" in failed else f"could not run: {values}"


def _exception(info: dict[str, Any]) -> str | None:
    """The message of an exception, which stands either at the top or under the metric that raised it."""
    for one in (info, *(value for value in info.values() if isinstance(value, dict))):
        if one.get("raised_exception"):
            return " ".join(str(one["exception_message"]).split())
    return None
