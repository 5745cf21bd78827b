"""Run a table's expectations against the working DuckDB and return one row a check."""

import os
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from models.tables import LAYERS, conform
from models.tables.audit import Checks
from pipelines.validation import dialect
from pipelines.validation.suites import Expected, expectations

if TYPE_CHECKING:
    from great_expectations.core import ExpectationValidationResult
    from great_expectations.datasource.fluent import SQLDatasource

SHOWN_VALUES = 5
"""So many offending values are quoted in a result."""


def check_table(warehouse: Path, table: str) -> pl.DataFrame:
    """Check one table of the working file.

    Args:
        warehouse: The DuckDB file; it is opened read-only and closed again.
        table: A declared table's name.

    Returns:
        A `Checks` frame, one row an expectation.

    Raises:
        KeyError: No layer declares a table of that name.
    """
    import great_expectations as gx
    import great_expectations.expectations as gxe

    layer = next(name for name, tables in LAYERS.items() if table in tables)
    source = _data_source(warehouse)
    asset = source.add_query_asset(f"{layer}.{table}", query=f"SELECT * FROM {layer}.{table}")
    wanted = expectations(table)
    suite = gx.ExpectationSuite(
        name=f"{layer}.{table}",
        expectations=[getattr(gxe, one.kind)(**one.arguments, meta={"check": one.check_name}) for one in wanted],
    )
    try:
        results = (
            asset.add_batch_definition_whole_table("all").get_batch().validate(suite, result_format="BASIC").results
        )
    finally:
        source.delete_asset(f"{layer}.{table}")
        _let_go(source)
    by_name = {one.check_name: one for one in wanted}
    rows = [_row(layer, table, by_name[result.expectation_config.meta["check"]], result) for result in results]
    return conform(pl.DataFrame(rows, infer_schema_length=None), Checks)


@lru_cache(maxsize=8)
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
        kwargs={"connect_args": {"read_only": True}},
    )


def _let_go(source: "SQLDatasource") -> None:
    """Close the connections of both engines Great Expectations keeps, so that the run can write the file again."""
    source.get_engine().dispose()
    source.get_execution_engine().engine.dispose()


def _row(layer: str, table: str, expected: Expected, result: "ExpectationValidationResult") -> dict[str, Any]:
    """One check's result in our own words."""
    found: dict[str, Any] = result.result
    failed = found.get("unexpected_count", 0 if result.success else found.get("observed_value"))
    return {
        "layer": layer,
        "table_name": table,
        "check_name": expected.check_name,
        "column_name": expected.column,
        "passed": bool(result.success),
        "is_blocking": True,
        "rows_checked": found.get("element_count"),
        "rows_failed": failed if isinstance(failed, int) else None,
        "detail": _detail(result, found),
    }


def _detail(result: "ExpectationValidationResult", found: dict[str, Any]) -> str:
    """What was found, short enough to read."""
    if exception := _exception(result.exception_info or {}):
        return f"the check could not run: {exception}"
    if result.success:
        return "holds"
    if values := found.get("partial_unexpected_list"):
        return "found " + ", ".join(map(str, values[:SHOWN_VALUES]))
    return "rows break it"


def _exception(info: dict[str, Any]) -> str | None:
    """The message of an exception, which stands either at the top or under the metric that raised it."""
    for one in (info, *(value for value in info.values() if isinstance(value, dict))):
        if one.get("raised_exception"):
            return " ".join(str(one["exception_message"]).split())
    return None
