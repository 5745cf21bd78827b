"""The expectations of every table: those its declaration implies, and those that hold between columns.

A rule that the declaration can state (a key, a bound, a closed list) is not repeated here.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import dataframely as dy

from models.tables import schema_of


@dataclass(frozen=True)
class Rule:
    """Something that must hold for every row of a table.

    Args:
        name: Short name in words joined by '_'.
        column: The column a failure is reported under.
        broken: SQL condition that is true for a row that breaks the rule.
    """

    name: str
    column: str
    broken: str


BETWEEN_COLUMNS: dict[str, tuple[Rule, ...]] = {
    "loads": (Rule("rows_add_up", "rows_read", "rows_read <> accepted + refused + duplicate + superseded"),),
    "engine_periods": (Rule("ends_after_start", "to_on", "to_on < from_on"),),
    "odometer_curve": (
        Rule("used_has_distance", "distance_km", "is_used AND distance_km IS NULL"),
        Rule(
            "distance_never_falls",
            "distance_km",
            "is_used AND distance_km < lag(CASE WHEN is_used THEN distance_km END IGNORE NULLS) "
            "OVER (PARTITION BY vehicle_id ORDER BY read_at, distance_km) - 1e-6",
        ),
    ),
    "cover_work": (
        Rule("repair_has_method", "repair_method", "work = 'repair' AND repair_method IS NULL"),
        Rule("repair_has_occasion", "occasion", "work = 'repair' AND occasion IS NULL"),
    ),
    "evidence": (
        Rule("span_is_forward", "span_end", "span_end < span_start"),
        Rule("span_is_its_text", "span_text", "length(span_text) <> span_end - span_start"),
    ),
    "episodes": (
        Rule("ends_after_repair", "ended_on", "ended_on < repaired_on"),
        Rule("days_are_the_difference", "days", "days <> date_diff('day', repaired_on, ended_on)"),
        Rule("wet_look_only_with_releak", "first_wet_at", "(status = 're-leak') <> (first_wet_at IS NOT NULL)"),
        Rule("comeback_is_releak", "comeback", "comeback AND status <> 're-leak'"),
        Rule("last_record_is_censored", "end_reason", "(status = 'censored') <> (end_reason = 'last record')"),
    ),
    "oil_segments": (Rule("rate_in_interval", "low", "NOT (low <= litres_per_1000km AND litres_per_1000km <= high)"),),
    "recurrence": (
        Rule("rate_in_interval", "rate", "NOT (low <= rate AND rate <= high)"),
        Rule("rate_or_reason", "reason", "(rate IS NULL) <> (reason IS NOT NULL)"),
        Rule("counts_fit", "events", "events + competing > n"),
    ),
    "time_to_releak": (Rule("mean_within_horizon", "restricted_mean", "restricted_mean > horizon"),),
    "leak_rates": (Rule("rate_in_interval", "rate", "NOT (low <= rate AND rate <= high)"),),
    "site_comparison": (
        Rule("ratio_in_interval", "ratio", "NOT (low <= ratio AND ratio <= high)"),
        Rule("observed_fit", "observed", "observed > n"),
    ),
    "flags": (Rule("has_reason", "reasons", "len(rules) = 0 OR reasons = ''"),),
    "plan": (
        Rule("placed_has_week", "week_start", "placed <> (week_start IS NOT NULL)"),
        Rule("week_starts_monday", "week_start", "isodow(week_start) <> 1"),
    ),
}
"""Table name to the rules between its columns."""


@dataclass(frozen=True)
class Expected:
    """One expectation in Great Expectations' own terms.

    Args:
        check_name: Unique within the table.
        column: The column a failure is reported under.
        kind: Class name in `great_expectations.expectations`.
        arguments: What that class takes.
    """

    check_name: str
    column: str
    kind: str
    arguments: dict[str, object]


def expectations(table: str) -> list[Expected]:
    """Return what must hold for a table: its declaration's rules, then those between columns.

    Raises:
        KeyError: No layer declares a table of that name.
    """
    schema = schema_of(table)
    declared = [one for name, column in schema.columns().items() for one in _of_column(name, column)]
    return [*declared, *_of_key(schema), *(_of_rule(rule) for rule in BETWEEN_COLUMNS.get(table, ()))]


def _of_column(name: str, column: dy.Column) -> Iterator[Expected]:
    """The expectations that one column's declaration implies."""
    if not column.nullable:
        yield Expected(f"{name}_is_present", name, "ExpectColumnValuesToNotBeNull", {"column": name})
    allowed = (column.metadata or {}).get("allowed")
    if allowed is not None:
        yield Expected(
            f"{name}_is_allowed", name, "ExpectColumnValuesToBeInSet", {"column": name, "value_set": list(allowed)}
        )
    bounds = {
        "min_value": _first(column, "min", "min_exclusive"),
        "max_value": _first(column, "max", "max_exclusive"),
    }
    if any(bound is not None for bound in bounds.values()):
        strict = {
            "strict_min": getattr(column, "min_exclusive", None) is not None,
            "strict_max": getattr(column, "max_exclusive", None) is not None,
        }
        yield Expected(
            f"{name}_is_in_bounds", name, "ExpectColumnValuesToBeBetween", {"column": name, **bounds, **strict}
        )
    if getattr(column, "min_length", None):
        yield _of_rule(Rule(f"{name}_is_not_empty", name, f"length({name}) < {column.min_length}"))


def _of_key(schema: type[dy.Schema]) -> Iterator[Expected]:
    """The key is unique."""
    columns = schema.primary_key()
    if len(columns) == 1:
        yield Expected("key_is_unique", columns[0], "ExpectColumnValuesToBeUnique", {"column": columns[0]})
    elif columns:
        yield Expected("key_is_unique", columns[0], "ExpectCompoundColumnsToBeUnique", {"column_list": columns})


def _of_rule(rule: Rule) -> Expected:
    """A rule between columns as a query for the rows that break it; a null condition breaks nothing."""
    query = f"SELECT * FROM (SELECT *, {rule.broken} AS is_broken FROM {{batch}}) WHERE is_broken"
    return Expected(rule.name, rule.column, "UnexpectedRowsExpectation", {"unexpected_rows_query": query})


def _first(column: dy.Column, *names: str) -> float | None:
    """The first of a column's bounds that is set."""
    return next((value for name in names if (value := getattr(column, name, None)) is not None), None)
