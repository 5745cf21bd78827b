"""A check that cannot fail is the common defect of this field: each one is shown a row that breaks it."""

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from models.tables import LAYERS, conform, layer_of, schema_of
from pipelines.validation.checking import check_table
from pipelines.validation.suites import BETWEEN_COLUMNS, rules_of
from pipelines.warehouse import Warehouse

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
TABLES = [table for tables in LAYERS.values() for table in tables]


def _plausible(table: str) -> dict[str, Any]:
    """One row that the table's declaration allows."""
    row: dict[str, Any] = {}
    for name, column in schema_of(table).columns().items():
        allowed = (column.metadata or {}).get("allowed")
        if allowed is not None:
            row[name] = allowed[0]
        elif column.dtype == pl.String:
            row[name] = "x"
        elif column.dtype == pl.Date:
            row[name] = date(2026, 3, 2)
        elif isinstance(column.dtype, pl.Datetime):
            row[name] = NOON
        elif column.dtype == pl.Boolean:
            row[name] = False
        elif isinstance(column.dtype, pl.List):
            row[name] = ["x"]
        else:
            row[name] = 1 if column.dtype.is_integer() else 0.5
    return row


GOOD: dict[str, dict[str, Any]] = {
    "odometer_curve": {"is_used": True, "distance_km": 5.0},
    "loads": {"rows_read": 4},
    "evidence": {"span_start": 0, "span_end": 1, "span_text": "x"},
    "episodes": {
        "status": "censored",
        "end_reason": "last record",
        "days": 0.0,
        "first_wet_at": None,
        "ended_on": date(2026, 3, 2),
    },
    "recurrence": {"reason": None, "n": 10, "horizon": 30.0},
    "bolt_worth": {"reason": None, "cost_reason": None},
    "oil_ratios": {"reason": None},
    "oil_trends": {"reason": None},
    "plan": {"placed": True},
}
"""What a plausible row needs beside its declaration to keep the rules between columns."""

BREAKING: dict[tuple[str, str], dict[str, Any]] = {
    ("loads", "rows_add_up"): {"rows_read": 5},
    ("engine_periods", "ends_after_start"): {"to_on": date(2026, 3, 1)},
    ("odometer_curve", "used_has_distance"): {"is_used": True, "distance_km": None},
    ("odometer_curve", "distance_never_falls"): {
        "origin_id": "y",
        "read_at": NOON.replace(hour=13),
        "distance_km": 1.0,
    },
    ("cover_work", "repair_has_method"): {"work": "repair", "repair_method": None},
    ("cover_work", "repair_has_occasion"): {"work": "repair", "occasion": None},
    ("evidence", "span_is_forward"): {"span_start": 5, "span_end": 1},
    ("evidence", "span_is_its_text"): {"span_start": 0, "span_end": 9},
    ("episodes", "ends_after_repair"): {"ended_on": date(2026, 3, 1)},
    ("episodes", "days_are_the_difference"): {"days": 3.0},
    ("episodes", "wet_look_only_with_releak"): {"first_wet_at": NOON},
    ("episodes", "comeback_is_releak"): {"comeback": True},
    ("episodes", "last_record_is_censored"): {"end_reason": "wet look"},
    ("oil_segments", "rate_in_interval"): {"low": 0.7},
    ("recurrence", "rate_in_interval"): {"low": 0.7},
    ("recurrence", "rate_or_reason"): {"rate": None},
    ("recurrence", "counts_fit"): {"events": 10, "competing": 1},
    ("time_to_releak", "mean_within_horizon"): {"restricted_mean": 0.7},
    ("leak_rates", "rate_in_interval"): {"high": 0.1},
    ("site_comparison", "ratio_in_interval"): {"high": 0.1},
    ("site_comparison", "observed_fit"): {"observed": 2},
    ("bolt_worth", "left_in_interval"): {"left_over_high": 0.1},
    ("bolt_worth", "left_or_reason"): {"cost_reason": "too few orders with the cost of their parts"},
    ("oil_ratios", "ratio_in_interval"): {"high": 0.1},
    ("oil_ratios", "ratio_or_reason"): {"reason": "too few to say"},
    ("oil_trends", "ratio_in_interval"): {"high": 0.1},
    ("oil_trends", "ratio_or_reason"): {"ratio": None},
    ("oil_trends", "shift_has_day"): {"is_shifted": True, "shifted_on": None},
    ("flags", "has_reason"): {"rules": []},
    ("plan", "placed_has_week"): {"week_start": None},
    ("plan", "week_starts_monday"): {"week_start": date(2026, 3, 3)},
}


@pytest.fixture(scope="module")
def warehouse(tmp_path_factory: pytest.TempPathFactory) -> Warehouse:
    made = Warehouse(tmp_path_factory.mktemp("warehouse") / "releak.duckdb")
    made.prepare()
    return made


def _failing(warehouse: Warehouse, table: str, *rows: dict[str, Any]) -> dict[str, str]:
    """Names of the checks that fail on these rows, each with its column."""
    schema = schema_of(table)
    nothing = schema.create_empty()
    frame = pl.DataFrame(list(rows), schema=nothing.schema)
    with warehouse.connect() as connection:
        connection.register("rows", frame)
        connection.execute(f"CREATE OR REPLACE TABLE {layer_of(table)}.{table} AS FROM rows")
    results = check_table(warehouse.path, table)
    assert "rules_can_run" not in results["check_name"], "a check that errs proves nothing"
    return dict(results.filter(~pl.col("passed")).select("check_name", "column_name").rows())


def _good(table: str) -> dict[str, Any]:
    return _plausible(table) | GOOD.get(table, {})


@pytest.mark.parametrize("table", TABLES)
def test_a_good_row_passes_every_check(warehouse: Warehouse, table: str) -> None:
    assert _failing(warehouse, table, _good(table)) == {}


@pytest.mark.parametrize("table", TABLES)
def test_each_check_of_a_column_fails_on_a_row_that_breaks_it_and_names_the_column(
    warehouse: Warehouse, table: str
) -> None:
    nulls = {name: None for name in _good(table)}
    assert _failing(warehouse, table, nulls).items() >= {
        (rule.name, rule.column) for rule in rules_of(table) if rule.name.endswith("_is_present")
    }
    far_out = _good(table) | {
        name: -1e9 if dtype.is_numeric() else ""
        for name, dtype in schema_of(table).create_empty().schema.items()
        if dtype.is_numeric() or dtype == pl.String
    }
    no_numbers = _good(table) | {
        name: float("nan") for name, dtype in schema_of(table).create_empty().schema.items() if dtype.is_float()
    }
    assert _failing(warehouse, table, no_numbers).items() >= {
        (rule.name, rule.column) for rule in rules_of(table) if rule.name.endswith("_is_a_number")
    }
    breakable = ("_is_in_bounds", "_is_not_empty")
    assert _failing(warehouse, table, far_out).items() >= {
        (rule.name, rule.column) for rule in rules_of(table) if rule.name.endswith(breakable)
    }
    foreign = _good(table) | {
        name: "no such word"
        for name, column in schema_of(table).columns().items()
        if (column.metadata or {}).get("allowed")
    }
    assert _failing(warehouse, table, foreign).items() >= {
        (rule.name, rule.column) for rule in rules_of(table) if rule.name.endswith("_is_allowed")
    }
    assert "key_is_unique" in _failing(warehouse, table, _good(table), _good(table))


@pytest.mark.parametrize(
    ("table", "rule"), [(table, rule) for table, rules in BETWEEN_COLUMNS.items() for rule in rules], ids=str
)
def test_each_rule_between_columns_fails_on_a_row_that_breaks_it(warehouse: Warehouse, table: str, rule: Any) -> None:
    bad = _good(table) | BREAKING[table, rule.name]
    rows = [_good(table), bad] if rule.name == "distance_never_falls" else [bad]
    assert _failing(warehouse, table, *rows)[rule.name] == rule.column


def test_every_rule_between_columns_has_a_breaking_row() -> None:
    assert set(BREAKING) == {(table, rule.name) for table, rules in BETWEEN_COLUMNS.items() for rule in rules}


def test_rules_that_cannot_run_count_as_failed_in_one_row(tmp_path: Path) -> None:
    other = Warehouse(tmp_path / "releak.duckdb")
    other.prepare()
    with other.connect() as connection:
        connection.execute("CREATE TABLE plan.plan AS SELECT 'a table with other columns' AS surprise")
    results = check_table(other.path, "plan")
    assert results.select("check_name", "passed").rows() == [("rules_can_run", False)]
    assert results["detail"].str.contains("could not run: .*week_start").all()


def test_results_have_one_row_a_rule_each_in_words(warehouse: Warehouse) -> None:
    warehouse.write("plan", "plan", conform(pl.DataFrame([_good("plan")]), LAYERS["plan"]["plan"]))
    results = check_table(warehouse.path, "plan")
    assert results["check_name"].to_list() == [rule.name for rule in rules_of("plan")]
    assert results["check_name"].is_unique().all()
    assert results["means"].str.ends_with(".").all()
    assert (results["rows_checked"] == 1).all()


def test_a_broken_rule_says_how_many_rows_break_it_and_quotes_values(warehouse: Warehouse) -> None:
    rows = [
        _good("plan") | {"vehicle_id": f"V{number}", "hours": hours} for number, hours in enumerate((-2.0, 1.0, -3.0))
    ]
    schema = LAYERS["plan"]["plan"]
    with warehouse.connect() as connection:
        connection.register("rows", pl.DataFrame(rows, schema=schema.create_empty().schema))
        connection.execute("CREATE OR REPLACE TABLE plan.plan AS FROM rows")
    broken = check_table(warehouse.path, "plan").filter(~pl.col("passed")).row(0, named=True)
    assert (broken["check_name"], broken["rows_checked"], broken["rows_failed"]) == ("hours_is_in_bounds", 3, 2)
    assert broken["detail"] == "2 rows, with -2.0, -3.0"
    assert broken["figure"] == pytest.approx(2 / 3, abs=1e-4)
