"""The rules every row of a table must keep: those its declaration implies, and those that hold between columns.

A rule that the declaration can state (a key, a bound, a closed list) is not repeated here. All rules of a table are
counted in one query over the rows that break any, so that a table without faults costs one scan and no sums.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import dataframely as dy

from models.tables import schema_of

SHOWN_VALUES = 5
"""So many offending values are quoted in a result."""
FIGURE_PLACES = 4
"""A share to a hundredth of a percent: finer changes are not worth a line of history."""


@dataclass(frozen=True)
class Rule:
    """Something that must hold for every row of a table.

    Args:
        name: Short name in words joined by '_'.
        column: The column a failure is reported under.
        broken: SQL condition that is true for a row that breaks the rule; null breaks nothing. `{batch}` stands for
            the whole table.
        means: What holds for every row, in words; the name's own words where it says enough.
    """

    name: str
    column: str
    broken: str
    means: str = ""

    @property
    def says(self) -> str:
        """What holds for every row, as a sentence."""
        return self.means or f"{self.column}: {self.name.replace('_', ' ')}."


RATIO_WITH_LIMITS = (
    Rule("ratio_in_interval", "ratio", "NOT (low <= ratio AND ratio <= high)", "The ratio lies between its limits."),
    Rule(
        "ratio_or_reason",
        "reason",
        "(ratio IS NULL) <> (reason IS NOT NULL)",
        "A ratio is given, or the reason why it is not.",
    ),
)
BETWEEN_COLUMNS: dict[str, tuple[Rule, ...]] = {
    "loads": (
        Rule(
            "rows_add_up",
            "rows_read",
            "rows_read <> accepted + refused + duplicate + superseded",
            "Every row read is accepted, refused, duplicate or superseded.",
        ),
    ),
    "engine_periods": (
        Rule("ends_after_start", "to_on", "to_on < from_on", "No engine leaves a vehicle before it came."),
    ),
    "odometer_curve": (
        Rule(
            "used_has_distance",
            "distance_km",
            "is_used AND distance_km IS NULL",
            "Every reading in use has its place on the curve.",
        ),
        Rule(
            "distance_never_falls",
            "distance_km",
            "is_used AND distance_km < lag(distance_km) "
            "OVER (PARTITION BY vehicle_id, is_used ORDER BY read_at, distance_km) - 1e-6",
            "A vehicle's distance never falls.",
        ),
    ),
    "cover_work": (
        Rule(
            "repair_has_method",
            "repair_method",
            "work = 'repair' AND repair_method IS NULL",
            "Every cover repair has a method, if only 'unstated'.",
        ),
        Rule(
            "repair_has_occasion",
            "occasion",
            "work = 'repair' AND occasion IS NULL",
            "Every cover repair has an occasion.",
        ),
    ),
    "evidence": (
        Rule("span_is_forward", "span_end", "span_end < span_start", "The words quoted end after they start."),
        Rule(
            "span_is_its_text",
            "span_text",
            "length(span_text) <> span_end - span_start",
            "The words quoted are as long as the place they came from.",
        ),
    ),
    "episodes": (
        Rule("ends_after_repair", "ended_on", "ended_on < repaired_on", "No episode ends before its repair."),
        Rule(
            "days_are_the_difference",
            "days",
            "days <> date_diff('day', repaired_on, ended_on)",
            "An episode's days are those between its repair and its end.",
        ),
        Rule(
            "wet_look_only_with_releak",
            "first_wet_at",
            "(status = 're-leak') <> (first_wet_at IS NOT NULL)",
            "A re-leak has a first wet look, and nothing else has.",
        ),
        Rule(
            "comeback_is_releak", "comeback", "comeback AND status <> 're-leak'", "Only a re-leak counts as a comeback."
        ),
        Rule(
            "last_record_is_censored",
            "end_reason",
            "(status = 'censored') <> (end_reason = 'last record')",
            "What was not seen to end is watched to its last record.",
        ),
    ),
    "oil_segments": (
        Rule(
            "rate_in_interval",
            "low",
            "NOT (low <= litres_per_1000km AND litres_per_1000km <= high)",
            "The rate lies between its limits.",
        ),
    ),
    "recurrence": (
        Rule("rate_in_interval", "rate", "NOT (low <= rate AND rate <= high)", "The rate lies between its limits."),
        Rule(
            "rate_or_reason",
            "reason",
            "(rate IS NULL) <> (reason IS NOT NULL)",
            "A rate is given, or the reason why it is not.",
        ),
        Rule("counts_fit", "events", "events + competing > n", "No group has more ends than repairs."),
    ),
    "time_to_releak": (
        Rule(
            "mean_within_horizon",
            "restricted_mean",
            "restricted_mean > horizon",
            "A mean to a horizon does not lie beyond it.",
        ),
    ),
    "leak_rates": (
        Rule("rate_in_interval", "rate", "NOT (low <= rate AND rate <= high)", "The rate lies between its limits."),
    ),
    "site_comparison": (
        Rule(
            "ratio_in_interval", "ratio", "NOT (low <= ratio AND ratio <= high)", "The ratio lies between its limits."
        ),
        Rule("observed_fit", "observed", "observed > n", "No site has more re-leaks than repairs."),
    ),
    "bolt_worth": (
        Rule(
            "left_in_interval",
            "left_over",
            "NOT (left_over_low <= left_over AND left_over <= left_over_high)",
            "What is left over lies between its limits.",
        ),
        Rule(
            "left_or_reason",
            "reason",
            "(left_over IS NULL) <> (reason IS NOT NULL OR cost_reason IS NOT NULL)",
            "What is left over is given, or the reason why it is not.",
        ),
    ),
    "oil_ratios": RATIO_WITH_LIMITS,
    "oil_trends": (
        *RATIO_WITH_LIMITS,
        Rule("shift_has_day", "shifted_on", "is_shifted AND shifted_on IS NULL", "A rate that moved did so on a day."),
    ),
    "flags": (
        Rule("has_reason", "reasons", "len(rules) = 0 OR reasons = ''", "Every flag says by which rule and why."),
    ),
    "plan": (
        Rule("placed_has_week", "week_start", "placed <> (week_start IS NOT NULL)", "What is placed has a week."),
        Rule("week_starts_monday", "week_start", "isodow(week_start) <> 1", "A week starts on a Monday."),
    ),
}
"""Table name to the rules between its columns."""


def rules_of(table: str) -> list[Rule]:
    """Return what must hold for every row of a table: its declaration's rules, then those between columns.

    Raises:
        KeyError: No layer declares a table of that name.
    """
    schema = schema_of(table)
    declared = [rule for name, column in schema.columns().items() for rule in _of_column(name, column)]
    return [*declared, *_of_key(schema), *BETWEEN_COLUMNS.get(table, ())]


def broken_rules_query(rules: Sequence[Rule]) -> str:
    """Write the query that counts, for each rule, the rows that break it.

    Returns:
        A query over `{batch}` with one row a broken rule: `rule_name`, `rows_failed`, `found` (the first values in
        order of their text); braces of its own are doubled, as Great Expectations asks.
    """
    judged = ", ".join(f"({rule.broken}) AS broken_{place}" for place, rule in enumerate(rules))
    breaks_any = " OR ".join(f"broken_{place}" for place, _ in enumerate(rules))
    counted = ", ".join(
        f"{{{{'rule_name': '{rule.name}', 'rows_failed': count(*) FILTER (broken_{place}), "
        f"'found': min(CASE WHEN broken_{place} THEN \"{rule.column}\"::VARCHAR END, {SHOWN_VALUES})}}}}"
        for place, rule in enumerate(rules)
    )
    return (
        f"SELECT rule.* FROM (SELECT unnest([{counted}]) AS rule "
        f"FROM (SELECT *, {judged} FROM {{batch}}) WHERE {breaks_any}) WHERE rule.rows_failed > 0"
    )


def _of_column(name: str, column: dy.Column) -> Iterator[Rule]:
    """The rules that one column's declaration implies."""
    if not column.nullable:
        yield Rule(f"{name}_is_present", name, f'"{name}" IS NULL', f"{name} is never missing.")
    if allowed := (column.metadata or {}).get("allowed"):
        listed = ", ".join(f"'{word}'" for word in allowed)
        yield Rule(f"{name}_is_allowed", name, f'"{name}" NOT IN ({listed})', f"{name} is one of {listed}.")
    if outside := list(_outside_bounds(name, column)):
        broken, bounds = " OR ".join(one for one, _ in outside), " and ".join(words for _, words in outside)
        yield Rule(f"{name}_is_in_bounds", name, broken, f"{name} is {bounds} {_unit(column)}".rstrip() + ".")
    if column.dtype.is_float():
        yield Rule(f"{name}_is_a_number", name, f'isnan("{name}")', f"{name} is a number where it is given.")
    if length := getattr(column, "min_length", None):
        yield Rule(f"{name}_is_not_empty", name, f'length("{name}") < {length}', f"{name} is never an empty text.")


def _outside_bounds(name: str, column: dy.Column) -> Iterator[tuple[str, str]]:
    """Each bound of a column: the condition outside it, and the bound in words."""
    sides = {
        "min": ("<", "at least"),
        "min_exclusive": ("<=", "above"),
        "max": (">", "at most"),
        "max_exclusive": (">=", "below"),
    }
    for side, (outside, words) in sides.items():
        if (bound := getattr(column, side, None)) is not None:
            yield f'"{name}" {outside} {bound!r}', f"{words} {bound:,.12g}"


def _unit(column: dy.Column) -> str:
    """The unit of a column where it has one worth saying."""
    unit = str((column.metadata or {}).get("unit", ""))
    return "" if unit in ("1", "count") else unit


def _of_key(schema: type[dy.Schema]) -> Iterator[Rule]:
    """The key is unique."""
    if columns := schema.primary_key():
        key = ", ".join(f'"{name}"' for name in columns)
        said = " and ".join(columns)
        repeated = f"({key}) IN (SELECT {key} FROM {{batch}} GROUP BY ALL HAVING count(*) > 1)"
        yield Rule("key_is_unique", columns[0], repeated, f"{said} are never repeated.")
